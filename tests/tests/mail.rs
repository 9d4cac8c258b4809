//! Letters by mail to a real server over TLS with a login, to servers that misbehave, and read by Python's email package.
//!
//! Outside: aiosmtpd (server), Python's `email` and `struct` (reading), RFC 5321 (what answers mean).

use kvarden::deliver::Pump;
use kvarden::deliver::kept::KeptOutbox;
use kvarden::deliver::mail::MailCourier;
use kvarden::links::Signer;
use kvarden::store::{Batch, Keeper, Options, Store};
use kvarden::world::Outcome;
use kvarden_core::time::Span;
use kvarden_tests::authority::{Authority, Day, FAR_OFF, Issued, LONG_AGO};
use kvarden_tests::letters::{
    ALERT, BOOK, Still, by_mail, cannery, letter, now, on_one_thread, posted, send, words, writer,
};
use kvarden_tests::mail_server::{Aiosmtpd, Scripted, Step, TAKES, has_aiosmtpd, read_mail};
use kvarden_tests::program::{Daemon, PATIENCE, text};
use kvarden_tests::site::Site;
use kvarden_tests::wait::{free_port, wait_for};
use std::rc::Rc;
use std::time::{Duration, Instant};

const LOGIN: (&str, &str) = ("kvarden", "a-secret-of-the-mail-server");
/// What may stand nowhere: the password, and how a login writes it (RFC 4616, and one by one).
const MARKS: [&str; 3] =
    [LOGIN.1, "AGt2YXJkZW4AYS1zZWNyZXQtb2YtdGhlLW1haWwtc2VydmVy", "YS1zZWNyZXQtb2YtdGhlLW1haWwtc2VydmVy"];
/// Long enough for any answer of a busy machine, short enough for a test of one that never comes.
const SHORT: Duration = Duration::from_secs(3);

fn site(port: u16, security: &str, authority: &Authority) -> Site {
    by_mail((port, security), authority, LOGIN)
}

fn courier(site: &Site, signer: Option<Signer>) -> MailCourier {
    let configuration = site.configuration();
    let spec = configuration.mail.as_ref().expect("the site has mail");
    MailCourier::new(spec, &configuration.people, writer(site, signer)).expect("a courier that can be used")
}

/// A site whose mail server speaks plainly on this machine.
fn plain(port: u16) -> Site {
    let more = format!(
        r#"
[mail]
server = "127.0.0.1:{port}"
security = "none"
from = "kvarden@larkspur.example"
[[person]]
name = "Ines"
mail = "ines@larkspur.example"
[tell.high]
by = ["mail"]
"#
    );
    cannery(&more, &[])
}

/// What becomes of a letter where the server follows these scripts, one for each try.
fn tried(scripts: Vec<Vec<Step>>) -> (Vec<Outcome>, Scripted) {
    let tries = scripts.len();
    let server = Scripted::start(scripts);
    let site = plain(server.port());
    let mut courier = courier(&site, None).within(SHORT);
    let letter = letter("mail", ALERT, 3, &site);
    let outcomes = (0..tries).map(|_| send(&mut courier, &letter)).collect();
    (outcomes, server)
}

/// The talk that takes a letter, but for one step.
fn but(step: &str, answer: &'static str) -> Vec<Step> {
    let mut script = TAKES.to_vec();
    let changed = script.iter_mut().find(|(expected, _)| *expected == step).expect("a step of the talk");
    changed.1 = answer;
    script
}

fn later(outcome: &Outcome, words: &str) {
    assert!(matches!(outcome, Outcome::TryLater(why) if why.contains(words)), "{outcome:?}, not {words}");
}

fn refused(outcome: &Outcome, words: &str) {
    assert!(matches!(outcome, Outcome::Refused(why) if why.contains(words)), "{outcome:?}, not {words}");
}

#[test]
fn a_mail_arrives_encrypted_after_a_login_and_any_program_reads_it() {
    if !has_aiosmtpd("mail over TLS with a login") {
        return;
    }
    let authority = Authority::new();
    let shown = authority.issue("mail", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    for mode in ["starttls", "tls"] {
        let server = Aiosmtpd::start(mode, &shown, LOGIN);
        let site = site(server.port(), mode, &authority);
        let signer = Signer::new(&[7; 32], "https://kvarden.larkspur.example", Span::hours(24), BOOK);
        let mut courier = courier(&site, Some(signer));
        let first = letter("mail", ALERT, 3, &site);
        assert_eq!(send(&mut courier, &first), Outcome::Delivered);
        assert_eq!(
            send(&mut courier, &first),
            Outcome::Delivered,
            "a repeat, since nobody knows that it arrived"
        );
        assert_eq!(send(&mut courier, &letter("mail", ALERT, 4, &site)), Outcome::Delivered);
        let mails = server.mails();
        assert_eq!(mails.len(), 3);
        assert!(
            server.talk().contains("good encrypted") && !server.talk().contains("IN THE CLEAR"),
            "{}",
            server.talk()
        );
        let envelope = server.envelope(1);
        assert_eq!(envelope["to"][0], "ines@larkspur.example");
        assert_eq!(envelope["authenticated"], true);

        let page = std::env::var_os("KVARDEN_MAIL_PAGE").map(std::path::PathBuf::from);
        let read = read_mail(&mails[0], page.as_deref());
        let heads = &read["heads"];
        assert_eq!(read["defects"].as_array().map(Vec::len), Some(0), "{read}");
        assert_eq!(read["ascii"], true, "7 bits are all that any server takes");
        // RFC 5322, 2.1.1.
        assert!(
            read["longest_line"].as_u64().is_some_and(|longest| longest <= 998),
            "{}",
            read["longest_line"]
        );
        let subject = heads["subject"].as_str().unwrap_or_default();
        assert!(subject.starts_with(
            "HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 %, 31 times since 13:10"
        ));
        assert!(subject.chars().count() <= 140, "{subject}");
        assert_eq!(
            read["kinds"],
            serde_json::json!([
                "multipart/alternative",
                "text/plain",
                "multipart/related",
                "text/html",
                "image/png"
            ])
        );
        assert_eq!(heads["date"], "Tue, 24 Nov 2026 20:20:00 +0000");
        assert_eq!(heads["auto-submitted"], "auto-generated");
        let picture = &read["picture"];
        assert_eq!(picture["size"], serde_json::json!([1200, 500]));
        assert!(picture["bytes"].as_u64().is_some_and(|bytes| (3_000..60_000).contains(&bytes)), "{picture}");
        let cid = picture["cid"].as_str().unwrap_or_default().trim_matches(['<', '>']).to_owned();
        assert!(read["html"].as_str().is_some_and(|html| html.contains(&format!("cid:{cid}"))));
        for part in ["text", "html"] {
            let said = read[part].as_str().unwrap_or_default();
            let link = said.find("https://kvarden.larkspur.example/seen/");
            assert!(link.is_some(), "{part}: {said}");
            for words in
                ["Likely loose phase B connection", "Take load off this feeder by normal switching", "13:35"]
            {
                assert!(said.contains(words), "{part}: {said}");
            }
        }
        // A repeat bears the id of the first; the next word on the alert its own, in the same thread.
        let [repeat, next] = [1, 2].map(|index| read_mail(&mails[index], None)["heads"].clone());
        assert_eq!(repeat["message-id"], heads["message-id"]);
        assert_ne!(next["message-id"], heads["message-id"]);
        assert_eq!(next["references"], heads["references"]);
        assert_eq!(next["in-reply-to"], heads["references"]);
    }
}

#[test]
fn a_login_that_is_not_taken_is_told_and_the_letter_waits() {
    if !has_aiosmtpd("a wrong password") {
        return;
    }
    let authority = Authority::new();
    let shown = authority.issue("mail", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    let server = Aiosmtpd::start("starttls", &shown, ("kvarden", "another password"));
    let site = site(server.port(), "starttls", &authority);
    let outcome = send(&mut courier(&site, None), &letter("mail", ALERT, 3, &site));
    later(&outcome, "the server does not let us in: the server answered 535");
    assert_eq!(server.mails().len(), 0);
}

/// Row 31: what a wrong certificate is answered, in words; the server never hears a login.
fn bad_certificate(mode: &str, shown: &Issued, trusted: &Authority, words: &str) {
    let server = Aiosmtpd::start(mode, shown, LOGIN);
    let site = site(server.port(), mode, trusted);
    later(&send(&mut courier(&site, None), &letter("mail", ALERT, 3, &site)), words);
    assert_eq!(server.mails().len(), 0);
    assert!(!server.talk().contains("login"), "{}", server.talk());
}

#[test]
fn a_wrong_certificate_is_refused_in_words_and_no_password_is_said() {
    if !has_aiosmtpd("wrong certificates of a mail server") {
        return;
    }
    let own = Authority::new();
    let issue = |name: &str, from: Day, until: Day| own.issue("mail", &[name], from, until);
    for mode in ["starttls", "tls"] {
        let ended = issue("127.0.0.1", LONG_AGO, (2021, 6, 30));
        bad_certificate(mode, &ended, &own, "certificate: expired on 2021-06-30");
        let early = issue("127.0.0.1", (2089, 3, 1), FAR_OFF);
        bad_certificate(mode, &early, &own, "certificate: not yet valid, only from 2089-03-01 on");
        let other = issue("other.larkspur.example", LONG_AGO, FAR_OFF);
        bad_certificate(mode, &other, &own, "certificate: wrong name");
        let good = issue("127.0.0.1", LONG_AGO, FAR_OFF);
        bad_certificate(mode, &good, &Authority::new(), "certificate: unknown issuer");
    }
}

/// Guard: encryption before anything else is said (RFC 3207).
#[test]
fn a_server_that_offers_no_encryption_hears_nothing_of_us() {
    let server = Scripted::start(vec![TAKES.to_vec()]);
    let site = site(server.port(), "starttls", &Authority::new());
    let outcome = send(&mut courier(&site, None).within(SHORT), &letter("mail", ALERT, 3, &site));
    later(&outcome, "offers no encryption");
    assert_eq!(server.mails().len(), 0);
    assert!(server.lines().iter().all(|line| line.starts_with("EHLO")), "{:?}", server.lines());
}

/// Row 32. What answers mean: RFC 5321, 4.2.1. Seen to fail with the library's own way of sending, which says goodbye after a
/// refusal and waits: a refusal for good became "no answer in time".
#[test]
fn what_a_server_answers_means_taken_later_or_never() {
    let (outcomes, server) = tried(vec![TAKES.to_vec()]);
    assert_eq!((outcomes.as_slice(), server.mails().len()), (&[Outcome::Delivered][..], 1));
    for (step, answer, words) in [
        ("", "421 too busy", "421"),
        ("", "554 not for you", "554"),
        ("MAIL", "451 try again", "451 try again"),
        ("MAIL", "530 who are you", "530"),
        ("RCPT", "450 mailbox busy", "450 mailbox busy"),
        (".", "452 disk full", "452 disk full"),
        ("", "CUT", ""),
        ("MAIL", "CUT", ""),
        (".", "CUT", ""),
    ] {
        later(&tried(vec![but(step, answer)]).0[0], words);
    }
    for (step, answer) in
        [("MAIL", "550 no"), ("RCPT", "550 nobody of that name"), ("DATA", "554 no"), (".", "552 too large")]
    {
        refused(&tried(vec![but(step, answer)]).0[0], &answer[..3]);
    }
}

/// Row 32. Guard: the deadline round the whole send.
#[test]
fn a_server_that_hangs_or_talks_without_end_holds_nothing_up() {
    for step in ["", "EHLO", "RCPT", "."] {
        later(&tried(vec![but(step, "HANG")]).0[0], "no answer in time");
    }
    later(&tried(vec![but("EHLO", "FLOOD")]).0[0], "");
    let refusing = plain(free_port());
    later(&send(&mut courier(&refusing, None), &letter("mail", ALERT, 3, &refusing)), "refused");
}

/// Row 32: a letter whose fate is not known is sent again under the same id; one that was taken is not, whatever the
/// server does after that. Guard: the goodbye has its own deadline.
#[test]
fn a_server_that_drops_the_link_gets_the_letter_again_under_the_same_id_only_if_it_did_not_take_it() {
    let id = |mail: &String| {
        mail.lines()
            .find(|line| line.starts_with("Message-ID:"))
            .map(str::to_owned)
            .expect("every mail has one")
    };
    let (outcomes, server) = tried(vec![but(".", "CUT"), TAKES.to_vec()]);
    later(&outcomes[0], "");
    assert_eq!(outcomes[1], Outcome::Delivered);
    let ids: Vec<String> = server.mails().iter().map(id).collect();
    assert!(ids.len() == 2 && ids[0] == ids[1], "{ids:?}");
    for after in [but(".", "250 kept CUT"), but("QUIT", "HANG")] {
        assert_eq!(tried(vec![after]).0[0], Outcome::Delivered);
    }
}

/// Row 37: the whole daemon, its outbox, its pump: the server is away, then comes; each letter arrives once, in order.
#[test]
fn a_trial_goes_through_the_outbox_says_what_the_server_said_and_survives_a_server_that_is_away() {
    if !has_aiosmtpd("send-test by mail") {
        return;
    }
    let authority = Authority::new();
    let shown = authority.issue("mail", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    let port = free_port();
    let site = site(port, "starttls", &authority);
    let mut daemon = Daemon::start_in(&site, &[("KVARDEN_LOG", "trace")]);
    daemon.wait_until_watching();
    let away = daemon.run("send-test", &["--to", "Ines", "--by", "Tomas"]);
    assert!(!away.status.success());
    assert!(text(&away.stderr).contains("mail to Ines: NOT delivered yet:"), "{}", text(&away.stderr));
    let server = Aiosmtpd::start_at(port, "starttls", &shown, LOGIN);
    let there = wait_for("the server is tried again", 4 * PATIENCE, || {
        let there = daemon.run("send-test", &["--channel", "mail", "--by", "Tomas"]);
        there.status.success().then(|| text(&there.stdout))
    });
    assert!(there.contains("mail to Ines: delivered: 250 kept as number"), "{there}");
    daemon.wait_until_told();
    let ids: Vec<String> = server
        .mails()
        .iter()
        .map(|mail| read_mail(mail, None)["heads"]["message-id"].as_str().unwrap_or_default().to_owned())
        .collect();
    let mut once = ids.clone();
    once.sort();
    once.dedup();
    assert_eq!(once.len(), ids.len(), "each once: {ids:?}");
    assert!(ids.len() >= 2, "the first was not lost: {ids:?}");
    let said = read_mail(&server.mails()[0], None)["text"].as_str().unwrap_or_default().to_owned();
    assert!(said.starts_with("TEST Larkspur Cannery: this is a test by Tomas at "), "{said}");
    for (arguments, words) in [
        (["--to", "Nobody"], "nobody is named \"Nobody\"; there are: Ines"),
        (["--channel", "smoke"], "no channel is named \"smoke\"; there are: "),
    ] {
        let wrong = daemon.run("send-test", &[&arguments[..], &["--by", "Tomas"]].concat());
        assert!(text(&wrong.stderr).contains(words), "{}", text(&wrong.stderr));
    }
    let status = text(&daemon.run("status", &[]).stdout);
    let log = daemon.log();
    daemon.stop();
    let kept = std::fs::read_dir(site.path("data")).expect("the store's folder").flatten();
    let kept =
        kept.filter_map(|file| Some((file.path().display().to_string(), std::fs::read(file.path()).ok()?)));
    let said = [("status".to_owned(), status.into_bytes()), ("log".to_owned(), log.into_bytes())];
    for (name, bytes) in said.into_iter().chain(kept) {
        for mark in MARKS {
            let found = bytes.windows(mark.len()).any(|window| window == mark.as_bytes());
            assert!(!found, "{name} holds the password");
        }
    }
}

#[test]
fn a_person_who_is_no_longer_reached_by_mail_is_told_as_refused() {
    let site = plain(free_port());
    let configuration = site.configuration();
    let spec = configuration.mail.as_ref().expect("the site has mail");
    let mut courier = MailCourier::new(spec, &[], writer(&site, None)).expect("a courier that can be used");
    let outcome = on_one_thread(async {
        use kvarden::world::Courier;
        courier.send(&letter("mail", ALERT, 3, &site)).await
    });
    refused(&outcome, "\"Ines\" is not reached by mail any more");
}

/// Row 26: the network is gone for the first tries. Every word on every alert arrives, once under its id and in order of
/// its alert. Through the real outbox and pump.
#[test]
fn after_a_network_that_was_gone_every_letter_arrives_once_and_in_order_of_its_alert() {
    let cut = vec![("", "CUT")];
    let server = Scripted::start(vec![cut.clone(), but(".", "CUT"), cut, TAKES.to_vec()]);
    let site = plain(server.port());
    let mut store = Store::open(&site.path("outbox"), Options::default(), now()).expect("a new store").store;
    let alerts = [ALERT, "T2/MP-3/current_a.B#4"];
    let letters: Vec<_> = (3..6)
        .flat_map(|revision| alerts.map(|alert| posted(&letter("mail", alert, revision, &site))))
        .collect();
    store.apply(&Batch { letters, ..Batch::default() }).expect("a whole batch");
    let keeper = Keeper::inline(store);
    let outbox = Rc::new(KeptOutbox::new(keeper.clone(), words(&site)));
    let courier = courier(&site, None);
    on_one_thread(async {
        let pump = Pump::new(Box::new(courier), outbox, Rc::new(Still::default()), Rc::default());
        let pump = tokio::task::spawn_local(pump.run());
        let begun = Instant::now();
        while keeper.ask(|store| store.waiting("mail").expect("it can be read")).await.expect("it is there")
            > 0
        {
            assert!(begun.elapsed() < 4 * PATIENCE, "not all were delivered");
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        pump.abort();
    });
    // Code, revision: the first two parts of the id. One letter was sent twice, since nobody knew that it arrived.
    let id = |mail: &String| {
        let line = mail.lines().find(|line| line.starts_with("Message-ID:")).expect("every mail has one");
        let parts: Vec<&str> = line.trim_start_matches("Message-ID: <").split('.').collect();
        (parts[0].to_owned(), parts[1].to_owned(), parts[2].to_owned())
    };
    let mut came: Vec<_> = server.mails().iter().map(id).collect();
    assert_eq!(came.len(), 7, "{came:?}");
    let all = came.clone();
    came.dedup();
    let repeated =
        came.len() < all.len() || all.iter().any(|one| all.iter().filter(|other| *other == one).count() == 2);
    assert!(repeated, "{all:?}");
    for alert in alerts {
        let code = kvarden::words::code(alert);
        let mut revisions: Vec<&str> =
            all.iter().filter(|(of, ..)| *of == code).map(|(_, revision, _)| revision.as_str()).collect();
        revisions.dedup();
        assert_eq!(revisions, ["3", "4", "5"], "{all:?}");
    }
}
