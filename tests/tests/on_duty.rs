//! The real program tells a person by a command, and is killed again and again while it does.
//!
//! `KVARDEN_KILLS` sets how often (20 without it), `KVARDEN_SEED` makes a run again with the same chances.

use kvarden_tests::posted::posted;
use kvarden_tests::program::{Daemon, text};
use kvarden_tests::site::{Site, polled_feeder};
use kvarden_tests::wait::{Chance, wait_for};
use std::collections::BTreeMap;
use std::time::Duration;

const KILLS: u64 = 20;
/// So many alerts open and close: with two messages each they stay below what one person gets in an hour.
const ROUNDS: u64 = 3;
/// For each thing that is waited for.
const PATIENCE: Duration = Duration::from_mins(1);

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name} is a number")))
}

/// Starts the daemon and kills it at a moment of chance, some times.
fn kill_some(site: &Site, kills: u64, chance: &mut Chance) {
    for _ in 0..kills {
        let mut daemon = Daemon::start(site);
        std::thread::sleep(Duration::from_millis(chance.below(1500)));
        daemon.kill();
    }
}

/// Waits until so many letters of one kind are delivered.
fn wait_until(site: &Site, why: &str, count: usize) {
    wait_for(&format!("{count} letters that say {why}"), PATIENCE, || {
        let there = posted(site).iter().filter(|one| one.why == why && one.fate == "delivered").count();
        (there >= count).then_some(())
    });
}

/// Each alert is told once as new and once as over, each under one id and to the one on duty; what the command got more than once
/// is no more than one for each kill.
#[test]
fn a_person_is_told_once_of_each_alert_however_often_the_program_is_killed() {
    let (kills, seed) = (number("KVARDEN_KILLS", KILLS), number("KVARDEN_SEED", 20_261_126));
    println!("KVARDEN_KILLS={kills} KVARDEN_SEED={seed}");
    let mut chance = Chance(seed);
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let got = folder.path().join("got");
    let script = format!("printf '%s: ' \\\"$1\\\" >> {0}; head -c 60 >> {0}; echo >> {0}", got.display());
    let (site, load) = polled_feeder(&format!(
        r#"
[command]
run = ["/bin/sh", "-c", "{script}", "sh"]
[[person]]
name = "Ines"
command = "+1 555 0100"
[[person]]
name = "Tomas"
command = "+1 555 0101"
[tell.high]
wait_for_cause = "0s"
again = "24h"
"#
    ));
    let each = kills.div_ceil(2 * ROUNDS);
    for round in 1..=ROUNDS {
        load.set_high(true);
        kill_some(&site, each, &mut chance);
        let daemon = Daemon::watching(&site);
        wait_until(&site, "new", round as usize);
        for alert in site.store().open_alerts().expect("the store can be read") {
            let answer = daemon.run("acknowledge", &[&alert.alert, "--by", "Ines"]);
            assert!(answer.status.success(), "{}", text(&answer.stderr));
        }
        drop(daemon);
        load.set_high(false);
        kill_some(&site, each, &mut chance);
        let daemon = Daemon::watching(&site);
        wait_until(&site, "cleared", round as usize);
        drop(daemon);
    }
    let letters = posted(&site);
    let mut by_alert: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for letter in &letters {
        assert_eq!((letter.person.as_str(), letter.fate.as_str()), ("Ines", "delivered"), "{letter:?}");
        by_alert.entry(&letter.alert).or_default().push(&letter.why);
    }
    assert!(by_alert.values().all(|whys| whys[..] == ["new", "cleared"]), "{letters:#?}");
    let got = std::fs::read_to_string(&got).expect("the command wrote it");
    let calls = got.lines().filter(|line| line.starts_with("+1 555 0100: ")).count();
    assert_eq!(calls, got.lines().count(), "somebody else was told:\n{got}");
    println!("{} letters, {calls} calls", letters.len());
    let most = letters.len() + (2 * ROUNDS * (each + 1)) as usize;
    assert!((letters.len()..=most).contains(&calls), "{calls} calls for {} letters", letters.len());
}
