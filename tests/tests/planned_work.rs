//! Planned work with the real binary: begun and ended by a person or by the configuration, over a kill; nobody is told meanwhile,
//! what stands at the end is told then, and all of it is in the journal and the digest.

use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::output::{AlertRevision, Change, ChangeKind, Held, Matter};
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::faked_clock::environment;
use kvarden_tests::posted::{INES, posted};
use kvarden_tests::program::{Daemon, PATIENCE, good, kvarden, refused};
use kvarden_tests::site::{Site, polled_feeder};
use kvarden_tests::wait::{run_to_end, wait_for};
use std::process::Command;
use std::time::Duration;

/// Waits for an open alert that planned work holds back.
fn wait_for_held(site: &Site) -> AlertRevision {
    wait_for("an alert is open and held back", PATIENCE, || {
        let open = site.store().open_alerts().expect("the store can be read");
        open.into_iter().find(|alert| alert.held == Some(Held::Work))
    })
}

fn whys(site: &Site) -> Vec<(String, String)> {
    posted(site).into_iter().map(|letter| (letter.person, letter.why)).collect()
}

fn steps_of_work(site: &Site) -> Vec<Change> {
    let all = site.store().changes(EventTime(0), EventTime(i64::MAX)).expect("the store can be read");
    all.into_iter().filter(|change| change.subject.matter == Matter::Work).collect()
}

/// The digest of a moment's local day, printed as on the day after the next.
fn digest_of(site: &Site, at: EventTime) -> String {
    let hand = site.path("hand");
    std::fs::write(&hand, "+2d").expect("the folder can be written");
    let zone = TimeZone::get("America/Denver").expect("the zones of the system");
    let date = Timestamp::from_millisecond(at.0).expect("a time of today").to_zoned_datetime(zone).date();
    let mut command = Command::new(kvarden());
    command.arg("digest").arg(site.config()).args(["--date", &date.to_string()]).envs(environment(&hand));
    good(&run_to_end(&mut command))
}

#[test]
fn nobody_is_told_while_work_that_a_person_began_goes_on_also_over_a_kill_and_its_end_tells_what_stands() {
    let (site, load) = polled_feeder(INES);
    let mut daemon = Daemon::watching(&site);
    let work = |daemon: &Daemon, words: &[&str]| daemon.run("work", words);

    // What is not said, or makes no sense, begins nothing and says why.
    assert!(refused(&work(&daemon, &["T2", "--for", "1h", "--by", "Ines"])).contains("--why"));
    let (by, why) = (["--by", "Ines"], ["--why", "lugs remade"]);
    let said = refused(&work(&daemon, &[&["T9", "--for", "1h"][..], &by, &why].concat()));
    assert!(said.contains("there is no transformer or feeder \"T9\""), "{said}");
    let said = refused(&work(&daemon, &[&["T2", "--for", "8d"][..], &by, &why].concat()));
    assert!(said.contains("seven days"), "{said}");
    let said = refused(&work(&daemon, &["T2", "--end", "--by", "Ines"]));
    assert!(said.contains("no planned work goes on at T2"), "{said}");
    assert!(steps_of_work(&site).is_empty());

    let said = good(&work(&daemon, &[&["T2", "--for", "1h"][..], &by, &why].concat()));
    assert!(said.contains("planned work on T2 is begun by Ines") && said.contains("urgent"), "{said}");
    load.set_high(true);
    let held = wait_for_held(&site);
    daemon.kill();
    let daemon = Daemon::watching(&site);
    let status = good(&daemon.run("status", &[]));
    assert!(status.contains("Planned work") && status.contains("Ines: lugs remade"), "{status}");
    let seen = daemon.status().readings;
    wait_for("polling goes on", PATIENCE, || (daemon.status().readings > seen + 20).then_some(()));
    assert!(posted(&site).is_empty(), "nobody is told");

    let said = good(&work(&daemon, &["T2", "--end", "--by", "Tomas"]));
    assert!(said.contains("ended by Tomas"), "{said}");
    wait_for("Ines is told", PATIENCE, || (!posted(&site).is_empty()).then_some(()));
    assert_eq!(whys(&site), [("Ines".to_owned(), "new".to_owned())]);
    daemon.wait_until_told();
    let told = site.told_lines();
    let [told] = &told[..] else { panic!("one line in the file: {told:#?}") };
    let said = told["text"].as_str().unwrap_or_default();
    assert!(said.contains("planned work has ended and it stands"), "{said}");
    assert_eq!(told["alert"], held.alert.as_str());
    assert!(daemon.log().contains("\"work\""), "the log has what nobody was told: {}", daemon.log());

    // The journal: when, who, why, and from which state to which.
    let steps = steps_of_work(&site);
    let [begun, ended] = &steps[..] else { panic!("{steps:#?}") };
    let ChangeKind::WorkBegun { by, until, reason } = &begun.what else { panic!("{begun:?}") };
    assert_eq!((by.as_str(), reason.as_str()), ("Ines", "lugs remade"));
    assert_eq!(*until - begun.at, Span::hours(1));
    assert_eq!(ended.what, ChangeKind::WorkEnded { by: Some("Tomas".to_owned()) });
    assert!(ended.at > begun.at && ended.alarm == begun.alarm && (begun.step, ended.step) == (1, 2));
    assert_eq!((begun.to, ended.to), (AlarmState::OutOfService, AlarmState::Normal));
    daemon.stop();
    let digest = digest_of(&site, ended.at);
    let tells = |line: &str| line.contains("T2 from ") && line.contains("Ines: lugs remade");
    assert!(digest.contains("Planned work") && digest.lines().any(tells), "{digest}");
    assert!(digest.contains("current"), "what happened meanwhile is told too: {digest}");
}

/// The window ends at a whole minute of the local clock, so this waits for one.
#[test]
fn work_of_the_configuration_begins_and_ends_by_itself_and_its_end_tells_what_stands() {
    let zone = TimeZone::get("America/Denver").expect("the zones of the system");
    let now = Timestamp::now().to_zoned_datetime(zone);
    let minutes = if now.second() < 30 { 1 } else { 2 };
    let written = |minutes: i64| {
        let at = now.checked_add(minutes.minutes()).expect("a time of today");
        at.strftime("%Y-%m-%d %H:%M").to_string()
    };
    let works = format!(
        "[[work]]\non = \"MP-3\"\nfrom = \"{}\"\nuntil = \"{}\"\nby = \"Tomas\"\nwhy = \"meter exchanged\"\n",
        written(-10),
        written(minutes)
    );
    let (site, load) = polled_feeder(&format!("{INES}{works}"));
    load.set_high(true);
    let daemon = Daemon::watching(&site);
    wait_for_held(&site);
    assert!(posted(&site).is_empty());
    wait_for("Ines is told when it ends", Duration::from_mins(4), || {
        (!posted(&site).is_empty()).then_some(())
    });
    assert_eq!(whys(&site), [("Ines".to_owned(), "new".to_owned())]);
    let steps = steps_of_work(&site);
    let [begun, ended] = &steps[..] else { panic!("{steps:#?}") };
    let ChangeKind::WorkBegun { by, reason, until } = &begun.what else { panic!("{begun:?}") };
    assert_eq!((by.as_str(), reason.as_str()), ("Tomas", "meter exchanged"));
    assert_eq!(ended.what, ChangeKind::WorkEnded { by: None });
    assert_eq!(ended.at, *until, "to the second, however late it is looked at");
    assert_eq!(until.0 % 60_000, 0);
    daemon.stop();
}
