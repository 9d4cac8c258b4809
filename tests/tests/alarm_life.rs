//! The life of an alarm as people steer it with the real binary: acknowledged, latched and released with a note, shelved for a set
//! time, out of service. Each step is in the journal with its time, its person and the reason, and its states are those of
//! ISA-18.2 / IEC 62682 (handbook of the trade, from memory).

use kvarden_core::alarm::state::AlarmState;
use kvarden_core::output::{Change, ChangeKind, Rule};
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::program::{Daemon, PATIENCE, good, refused};
use kvarden_tests::site::{Site, polled_feeder};
use kvarden_tests::wait::wait_for;

/// The steps of the limit's alarm, in their order.
fn journal(site: &Site) -> Vec<Change> {
    let all = site.store().changes(EventTime(0), EventTime(i64::MAX)).expect("the store can be read");
    all.into_iter().filter(|change| matches!(change.rule, Rule::Level { .. })).collect()
}

fn wait_for_state(site: &Site, state: AlarmState) -> Change {
    wait_for(state.words(), PATIENCE, || journal(site).into_iter().last().filter(|last| last.to == state))
}

#[test]
fn every_step_of_an_alarm_is_in_the_journal_with_its_time_its_person_and_the_reason() {
    let (site, load) = polled_feeder("");
    let plain = std::fs::read_to_string(site.config()).expect("it was just written");
    let latching = plain.replace("recurs = false", "recurs = false\nlatch = true");
    std::fs::write(site.config(), latching).expect("the folder can be written");
    let daemon = Daemon::watching(&site);
    load.set_high(true);
    wait_for_state(&site, AlarmState::Unacknowledged);
    let open = site.store().open_alerts().expect("the store can be read");
    let alert = open[0].alert.as_str();
    let run =
        |command: &str, words: &[&str]| daemon.run(command, &[&[alert, "--by", "Ines"], words].concat());

    // Shelved: with a reason, and never for ever.
    assert!(refused(&run("shelve", &["--hours", "1"])).contains("--reason"));
    assert!(refused(&run("shelve", &["--hours", "1", "--reason", " "])).contains("needs a reason"));
    let said = refused(&run("shelve", &["--hours", "169", "--reason", "known"]));
    assert!(said.contains("seven days") || said.contains("168"), "{said}");
    good(&run("shelve", &["--hours", "168", "--reason", "crew is at it"]));
    let last = wait_for_state(&site, AlarmState::Shelved);
    let ChangeKind::Shelved { by, until, reason } = &last.what else { panic!("{last:?}") };
    assert_eq!((by.as_str(), reason.as_str()), ("Ines", "crew is at it"));
    assert!((until.0 - last.at.0 - Span::hours(168).0).abs() < 1000);
    good(&run("unshelve", &[]));
    let last = wait_for_state(&site, AlarmState::Unacknowledged);
    assert_eq!(last.what, ChangeKind::Unshelved { by: Some("Ines".to_owned()) });

    good(&run("acknowledge", &[]));
    let last = wait_for_state(&site, AlarmState::Acknowledged);
    assert_eq!(last.what, ChangeKind::Acknowledged { by: "Ines".to_owned() });

    // Out of service: with a reason; what happens meanwhile is in the journal, and nobody is told.
    assert!(refused(&run("service", &[])).contains("--reason"));
    good(&run("service", &["--reason", "meter is exchanged"]));
    let last = wait_for_state(&site, AlarmState::OutOfService);
    let reason = "meter is exchanged".to_owned();
    assert_eq!(last.what, ChangeKind::Service { by: "Ines".to_owned(), on: false, reason });
    daemon.wait_until_told();
    let told = site.told_lines().len();
    load.set_high(false);
    wait_for("it clears", PATIENCE, || {
        journal(&site).last().filter(|last| last.what == ChangeKind::Cleared).map(|_| ())
    });
    daemon.wait_until_told();
    assert_eq!(site.told_lines().len(), told, "nobody is told while it is out of service");
    good(&run("service", &["--back"]));

    // Latched: it stays until a named person says what was found.
    let last = wait_for_state(&site, AlarmState::LatchedAcknowledged);
    assert!(matches!(&last.what, ChangeKind::Service { by, on: true, .. } if by == "Ines"));
    assert!(refused(&run("release", &[])).contains("--note"));
    assert!(refused(&run("release", &["--note", " "])).contains("needs a note"));
    good(&run("release", &["--note", "lug of phase A remade by the electrician"]));
    let last = wait_for_state(&site, AlarmState::Normal);
    let note = "lug of phase A remade by the electrician".to_owned();
    assert_eq!(last.what, ChangeKind::Released { by: "Ines".to_owned(), note });

    let steps = journal(&site);
    assert!(steps.windows(2).all(|two| two[0].to == two[1].from && two[0].at <= two[1].at), "{steps:#?}");
    assert!(site.store().open_alerts().expect("the store can be read").is_empty());
    daemon.stop();
}
