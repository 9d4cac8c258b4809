//! People, rota, rules and ways are read as they are written, and have their defaults.

use jiff::civil::{Weekday, date};
use kvarden_config::{
    CommandSpec, Configuration, ExceptionSpec, Language, LinksSpec, MailSecurity, PersonSpec, Quiet,
    RotaSpec, RuleSpec, TellingSpec, Way, render,
};
use kvarden_core::plant::Priority;
use kvarden_core::time::Span;
use std::path::Path;

const EVERY: &str = include_str!("good/every.toml");

const SMALL: &str = r#"
[site]
name = "Larkspur Cannery"
timezone = "America/Denver"
[[transformer]]
name = "T2"
kva = 75
primary = { volts = 480, form = "delta" }
secondary = { volts = 208, form = "wye" }
[[meter]]
name = "T2 secondary"
measures = { transformer = "T2" }
"#;

const ONE_PERSON: &str = r#"
[mail]
server = "mail.larkspur.example:587"
from = "kvarden@larkspur.example"
[[person]]
name = "Ines"
mail = "ines@larkspur.example"
"#;

fn read(text: &str) -> Configuration {
    let (configuration, problems) = kvarden_config::parse("every.toml", text, &|path| {
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/good").join(path))
    });
    configuration.unwrap_or_else(|| panic!("{}", render(&problems)))
}

fn every() -> Configuration {
    read(EVERY)
}

fn small(rest: &str) -> Configuration {
    read(&format!("{SMALL}{rest}"))
}

#[test]
fn people_and_their_rota_are_as_written() {
    let configuration = every();
    let ines = PersonSpec {
        name: "Ines".into(),
        language: Language::English,
        quiet: Some(Quiet { from: (22, 0), until: (6, 0) }),
        mail: Some("ines@larkspur.example".into()),
        command: Some("+1 555 0100".into()),
        webhook: true,
    };
    assert_eq!(configuration.people[0], ines);
    let tomas = &configuration.people[1];
    assert_eq!(Way::ALL.map(|way| tomas.has(way)), [true, true, false]);
    let rota = RotaSpec {
        hand_over: (Weekday::Monday, (7, 0)),
        from: date(2026, 11, 2),
        weeks: vec![0, 1],
        exceptions: vec![ExceptionSpec {
            from: date(2026, 12, 24).at(7, 0, 0, 0),
            until: date(2026, 12, 26).at(7, 0, 0, 0),
            person: 1,
        }],
    };
    assert_eq!(configuration.rota, Some(rota));
    assert_eq!(configuration.plant.channels, ["log", "mqtt", "command", "mail", "webhook"]);
}

#[test]
fn ways_are_as_written_and_their_secrets_come_from_files() {
    let configuration = every();
    let mail = configuration.mail.expect("there is one");
    assert_eq!((mail.server.as_str(), mail.security), ("mail.larkspur.example:587", MailSecurity::StartTls));
    assert!(mail.tls().is_some_and(|tls| tls.authority == mail.authority && tls.authority.is_some()));
    let (user, password) = mail.user.as_ref().expect("it has one");
    assert_eq!((user.as_str(), password.expose()), ("kvarden", "correct horse"));
    let webhook = configuration.webhook.expect("there is one");
    assert_eq!(webhook.url, "https://hooks.larkspur.example/kvarden");
    assert!(!format!("{webhook:?}").contains("correct horse"));
    let run = vec!["/usr/local/bin/siren".to_owned(), "--loud".to_owned()];
    assert_eq!(configuration.command, Some(CommandSpec { run, within: Span::seconds(20) }));
    let links = LinksSpec {
        listen: "127.0.0.1:8787".into(),
        url: "https://kvarden.larkspur.example".into(),
        lasts: Span::hours(12),
    };
    assert_eq!(configuration.links, Some(links));
}

#[test]
fn rules_are_as_written_and_what_is_left_out_is_the_default_of_the_reference() {
    let telling = every().telling;
    let rule = |by: &[Way], again, next_in_line, wait_for_cause| RuleSpec {
        by: by.to_vec(),
        again,
        next_in_line,
        wait_for_cause,
    };
    let minutes = |minutes| Some(Span::minutes(minutes));
    let (command, mail) = (Way::Command, Way::Mail);
    assert_eq!(telling.urgent, Some(rule(&[command, mail], minutes(10), minutes(20), Span::ZERO)));
    assert_eq!(telling.high, Some(rule(&[mail], None, None, Span::minutes(5))));
    assert_eq!(telling.low, Some(rule(&Way::ALL, None, None, Span::minutes(30))));
    assert_eq!(telling.rule(Priority::Journal), None);
    assert_eq!((every().tell.daily, small(ONE_PERSON).tell.daily), (Some((7, 30)), None));

    let telling = small(ONE_PERSON).telling;
    assert_eq!(telling.urgent, Some(rule(&[mail], minutes(15), minutes(30), Span::ZERO)));
    assert_eq!(telling.high, Some(rule(&[mail], minutes(120), None, Span::minutes(5))));
    assert_eq!(telling.low, None);
    assert_eq!(small("").telling, TellingSpec::default());
}
