//! The real binary takes in a changed configuration while it polls: windows, delays under way and alarms go on, a bad file
//! changes nothing, and what is removed while in alarm is told as no longer watched.

use kvarden::store::OwnedInput;
use kvarden_core::output::{Change, ChangeKind};
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::modbus_server::{Answer, serve};
use kvarden_tests::program::{Daemon, PATIENCE, good, signal, text};
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::wait_for;
use serde_json::Value;
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, Ordering};

/// What differs from one configuration to the other.
#[derive(Debug, Clone, Copy)]
struct Set {
    /// Setpoint of MP-3, without delays.
    mp3: u16,
    /// On-delay of MP-4, whose setpoint is 80 A.
    mp4_after: &'static str,
    /// Whether MP-4 and its meter are there.
    has_mp4: bool,
}

const FIRST: Set = Set { mp3: 80, mp4_after: "0s", has_mp4: true };

/// Two feeders with a meter each, asked ten times a second.
struct Cannery {
    site: Site,
    ports: [u16; 2],
    amps: [Arc<AtomicU16>; 2],
}

impl Cannery {
    fn new(set: Set) -> Self {
        let amps = [(); 2].map(|()| Arc::new(AtomicU16::new(50)));
        let ports = amps.each_ref().map(|amps| {
            let amps = Arc::clone(amps);
            serve(move |_| Answer::Words(vec![amps.load(Ordering::Relaxed)]))
        });
        let map = point("current_a.A", "address = 0\nkind = \"u16\"");
        let site = Site::new(&sections(ports, set), &[("maps/amps.toml", &map)]);
        Self { site, ports, amps }
    }

    fn write(&self, set: Set) {
        self.write_text(&format!("{}{}", kvarden_tests::site::HEAD, sections(self.ports, set)));
    }

    fn write_text(&self, text: &str) {
        std::fs::write(self.site.config(), text).expect("the folder can be written");
    }

    fn set_amps(&self, feeder: usize, amps: u16) {
        self.amps[feeder].store(amps, Ordering::Relaxed);
    }

    /// What was told of a feeder, in its order.
    fn told(&self, feeder: &str) -> Vec<Value> {
        let about = |line: &Value| line["alert"].as_str().is_some_and(|alert| alert.contains(feeder));
        self.site.told_lines().into_iter().filter(about).collect()
    }

    fn wait_for_told(&self, feeder: &str, count: usize) -> Vec<Value> {
        wait_for(&format!("{count} letters about {feeder}"), PATIENCE, || {
            let told = self.told(feeder);
            (told.len() >= count).then_some(told)
        })
    }

    fn changes(&self, feeder: &str) -> Vec<Change> {
        let all =
            self.site.store().changes(EventTime(0), EventTime(i64::MAX)).expect("the store can be read");
        all.into_iter().filter(|change| change.subject.feeder.as_deref() == Some(feeder)).collect()
    }
}

fn sections([mp3, mp4]: [u16; 2], set: Set) -> String {
    let meter = |name: &str, port: u16| {
        format!(
            "[[meter]]\nname = \"{name}\"\nmeasures = {{ feeder = \"{name}\" }}\nfrozen_after = \"never\"
            modbus = {{ address = \"127.0.0.1:{port}\", unit = 1, map = \"maps/amps.toml\", every = \"100ms\" }}\n"
        )
    };
    let limit = |name: &str, setpoint: u16, after: &str| {
        format!(
            "[[limit]]\non = \"current_a\"\nof = \"{name}\"\ndeadband = 2\non_delay = \"{after}\"\noff_delay = \"0s\"
            levels = [{{ setpoint = {setpoint}, priority = \"high\" }}]\nrecurs = false\n"
        )
    };
    let mut text = String::new();
    if set.has_mp4 {
        // On a transformer of its own, so that all of that goes and comes back.
        text += "[[transformer]]\nname = \"T3\"\nkva = 75\nprimary = { volts = 480, form = \"delta\" }\n\
                 secondary = { volts = 208, form = \"wye\" }\n\
                 [[feeder]]\nname = \"MP-4\"\nfed_by = \"T3\"\nrated_a = 100\n";
        text += &meter("MP-4", mp4);
        text += &limit("MP-4", 80, set.mp4_after);
    }
    text += &meter("MP-3", mp3);
    text += &limit("MP-3", set.mp3, "0s");
    text + "[store]\nfolder = \"data\"\n[tell]\nfile = \"alerts.jsonl\"\n"
}

fn readings(daemon: &Daemon) -> u64 {
    daemon.status().readings
}

fn poll_on(daemon: &Daemon) {
    let seen = readings(daemon);
    wait_for("polling goes on", PATIENCE, || (readings(daemon) > seen + 20).then_some(()));
}

/// Seen to fail when the monitor was made anew without what it knew: the delay of MP-4 began anew, the alarm of MP-3 was
/// forgotten.
#[test]
fn a_changed_limit_is_in_force_at_once_and_what_stands_and_what_runs_goes_on() {
    let cannery = Cannery::new(Set { mp4_after: "12s", ..FIRST });
    let daemon = Daemon::watching(&cannery.site);
    poll_on(&daemon);
    cannery.set_amps(0, 130);
    cannery.set_amps(1, 130);
    let told = cannery.wait_for_told("MP-3", 1);
    poll_on(&daemon);

    // Still passed: the alarm stands, and nobody is told anything.
    cannery.write(Set { mp3: 100, mp4_after: "12s", ..FIRST });
    let before = readings(&daemon);
    let says = good(&daemon.run("reload", &[]));
    assert!(says.contains("is in force"), "{says}");
    assert!(readings(&daemon) >= before, "what was counted stays so");
    poll_on(&daemon);
    assert_eq!(cannery.told("MP-3"), told, "the alarm stands as it was");
    assert!(daemon.status().alerts.iter().any(|alert| alert.alert.contains("MP-3")));

    // No longer passed: it clears by its limit.
    cannery.write(Set { mp3: 150, mp4_after: "12s", ..FIRST });
    signal("HUP", daemon.pid());
    let told = cannery.wait_for_told("MP-3", 2);
    assert_eq!(told[1]["alert"], told[0]["alert"], "the same alert");
    assert!(!told[1].to_string().contains("no longer watched"), "{}", told[1]);

    // The delay of MP-4 was under way all the time.
    cannery.wait_for_told("MP-4", 1);
    let raised = cannery.changes("MP-4").into_iter().find(|change| change.what == ChangeKind::Raised);
    let raised = raised.expect("it was told");
    let took = raised.at - raised.since;
    assert!((Span::seconds(12)..Span::seconds(20)).contains(&took), "{took:?}");
    let says = good(&daemon.run("reload", &[]));
    assert!(says.contains("nothing has changed"), "{says}");
    daemon.stop();

    let tail = cannery.site.store().whole_tail().expect("the tail can be read");
    let numbers: Vec<u64> = tail.iter().map(|record| record.number).collect();
    assert_eq!(numbers, (1..=tail.len() as u64).collect::<Vec<_>>(), "no stored input is lost or doubled");
    let mut of_mp3 = tail.iter().filter_map(|record| match &record.input {
        OwnedInput::Reading { meter, at, .. } if &**meter == "MP-3" => Some(*at),
        _ => None,
    });
    let mut last = of_mp3.next().expect("it was read");
    for at in of_mp3 {
        assert!(at > last && at - last < Span::seconds(10), "{last:?}, {at:?}: no silence at a change");
        last = at;
    }
}

/// Seen to fail when problems were not looked at before the swap.
#[test]
fn a_bad_file_changes_nothing_and_says_all_that_is_wrong_to_whoever_asks() {
    let cannery = Cannery::new(FIRST);
    let daemon = Daemon::watching(&cannery.site);
    poll_on(&daemon);
    let right = std::fs::read_to_string(cannery.site.config()).expect("it was written");
    let wrong = right.replace("deadband = 2", "deadbend = 2").replace("America/Denver", "America/Denvir");
    let (first, second) = (line_of(&wrong, "Denvir"), line_of(&wrong, "deadbend"));
    cannery.write_text(&wrong);
    let refused = daemon.run("reload", &[]);
    let said = text(&refused.stderr);
    assert!(!refused.status.success() && refused.stdout.is_empty(), "{said}");
    for part in [
        "deadbend",
        "Denvir",
        "did you mean",
        &format!(":{first}:"),
        &format!(":{second}:"),
        "nothing was changed",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
    assert!(daemon.log().contains("deadbend"), "and in the log");
    let stands = daemon.status().refused_configuration.expect("it stands in the status");
    assert!(stands.contains("deadbend") && stands.contains("Denvir"), "{stands}");
    let page = good(&daemon.run("status", &[]));
    assert!(page.contains("not taken in") && page.contains("deadbend"), "{page}");

    // What was in force stays so; a signal that comes again changes nothing either.
    signal("HUP", daemon.pid());
    cannery.set_amps(0, 130);
    let told = cannery.wait_for_told("MP-3", 1);
    let code = told[0]["code"].as_str().expect("each letter has a code").to_owned();
    good(&daemon.run("acknowledge", &[&code, "--by", "Ines"]));
    poll_on(&daemon);

    // A folder that can't be another while it runs, and a file that is gone.
    cannery.write_text(&right.replace("folder = \"data\"", "folder = \"elsewhere\""));
    let config = cannery.site.config();
    signal("HUP", daemon.pid());
    wait_for("that is told", PATIENCE, || {
        daemon.log().contains("the folder of the store can't be changed").then_some(())
    });
    std::fs::remove_file(config).expect("it is there");
    signal("HUP", daemon.pid());
    poll_on_by(&daemon, &cannery);

    cannery.write_text(&right);
    good(&daemon.run("reload", &[]));
    assert_eq!(daemon.status().refused_configuration, None, "what is on the disk is in force");
    daemon.stop();
}

/// Without a file no command can ask the daemon: the stored readings show that it polls.
fn poll_on_by(daemon: &Daemon, cannery: &Cannery) {
    let stored = || cannery.site.store().last_number();
    let seen = stored();
    wait_for("polling goes on", PATIENCE, || (stored() > seen + 40).then_some(()));
    assert!(!daemon.log().contains("panic"), "{}", daemon.log());
}

fn line_of(text: &str, word: &str) -> usize {
    text.lines().position(|line| line.contains(word)).expect("it stands there") + 1
}

/// Row 58. Seen to fail when the former state was not adopted (the alert stayed open for ever), and when the tasks that read
/// went on as they were (the amperes of MP-4 came under the place of MP-3).
#[test]
fn what_is_removed_while_in_alarm_is_no_longer_watched_and_a_new_one_if_it_comes_back() {
    let cannery = Cannery::new(FIRST);
    let daemon = Daemon::watching(&cannery.site);
    poll_on(&daemon);
    cannery.set_amps(1, 130);
    cannery.wait_for_told("MP-4", 1);
    cannery.write(Set { has_mp4: false, ..FIRST });
    let says = good(&daemon.run("reload", &[]));
    assert!(says.contains("no longer watched") && says.contains("transformer T3"), "{says}");
    let told = cannery.wait_for_told("MP-4", 2);
    let last = told[1]["text"].as_str().expect("each letter has a text");
    assert!(last.contains("no longer watched") && !last.contains("back to normal"), "{last}");
    poll_on(&daemon);
    assert!(daemon.status().meters.iter().all(|meter| meter.meter != "MP-4"));
    // Killed and started again, nobody hears of it once more.
    let mut daemon = daemon;
    daemon.kill();
    let daemon = Daemon::watching(&cannery.site);
    poll_on(&daemon);
    daemon.wait_until_told();
    assert_eq!(cannery.told("MP-4"), told);

    cannery.write(FIRST);
    let says = good(&daemon.run("reload", &[]));
    assert!(says.contains("new: ") && says.contains("meter MP-4"), "{says}");
    let again = cannery.wait_for_told("MP-4", 3);
    assert_ne!(
        again[2]["alert"], again[0]["alert"],
        "another alert: of the first one nobody knows how it went on"
    );
    assert_eq!(
        cannery.told("MP-3"),
        Vec::<Value>::new(),
        "no value of MP-4 ever came under the name of MP-3"
    );
    daemon.stop();
}

/// The inputs after the last snapshot were judged by another configuration, so they are not judged again by this one.
// Seen to fail without `goes_on_under` in `build_engine`: by its new limit MP-3 had never been in alarm, so nobody heard that
// the alarm which was told has ended.
#[test]
fn changed_while_the_program_is_down_after_a_kill_what_was_told_has_its_end_too() {
    let cannery = Cannery::new(FIRST);
    let mut daemon = Daemon::watching(&cannery.site);
    poll_on(&daemon);
    cannery.set_amps(0, 130);
    cannery.set_amps(1, 130);
    cannery.wait_for_told("MP-4", 1);
    cannery.wait_for_told("MP-3", 1);
    daemon.kill();
    cannery.write(Set { mp3: 150, has_mp4: false, ..FIRST });
    let daemon = Daemon::watching(&cannery.site);
    let last = cannery.wait_for_told("MP-4", 2).pop().expect("two were waited for");
    assert!(last.to_string().contains("no longer watched"), "{last}");
    let told = cannery.wait_for_told("MP-3", 2);
    assert_eq!(told[1]["alert"], told[0]["alert"], "the same alert");
    assert!(!told[1].to_string().contains("no longer watched"), "{}", told[1]);
    daemon.stop();
}
