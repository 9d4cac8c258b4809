//! The real program tells people by mail, webhook and command, and is killed again and again while it does.
//!
//! Outside: Python's `http.server`, `ssl` and `hmac` (the webhook), a shell (the command), RFC 5321's answers (the mail server).
//! Several such sites live side by side, so that many kills fit into little time. `KVARDEN_KILLS` sets how often each is killed
//! (60 without it), `KVARDEN_SEED` makes a run again with the same chances.

use kvarden_tests::authority::{Authority, FAR_OFF, LONG_AGO};
use kvarden_tests::posted::posted;
use kvarden_tests::program::{Daemon, text};
use kvarden_tests::site::Site;
use kvarden_tests::three_ways::Told;
use kvarden_tests::wait::Chance;
use std::collections::BTreeMap;
use std::time::Duration;

const SITES: u64 = 4;
const KILLS: u64 = 60;
/// So many alerts open and close: a third rise within a minute would be chattering, and with two messages each they stay below what one
/// person gets in an hour.
const ROUNDS: u64 = 2;

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

/// Alerts that open and close while the program is killed so often.
fn live(told: &Told, kills: u64, chance: &mut Chance) {
    let each = kills.div_ceil(2 * ROUNDS);
    for round in 1..=ROUNDS {
        told.load.set_high(true);
        kill_some(&told.site, each, chance);
        let daemon = Daemon::watching(&told.site);
        told.wait_until("new", round as usize);
        for alert in told.site.store().open_alerts().expect("the store can be read") {
            let answer = daemon.run("acknowledge", &[&alert.alert, "--by", "Ines"]);
            assert!(answer.status.success(), "{}", text(&answer.stderr));
        }
        drop(daemon);
        told.load.set_high(false);
        kill_some(&told.site, each, chance);
        let daemon = Daemon::watching(&told.site);
        told.wait_until("cleared", round as usize);
        drop(daemon);
    }
    let letters = posted(&told.site);
    let mut by_alert: BTreeMap<(&str, &str), Vec<&str>> = BTreeMap::new();
    for letter in &letters {
        by_alert.entry((&letter.channel, &letter.alert)).or_default().push(&letter.why);
    }
    assert!(by_alert.values().all(|whys| whys[..] == ["new", "cleared"]), "{letters:#?}");
    let most = 2 * ROUNDS * (each + 1);
    told.judge_ways(&letters, most as usize);
}

/// Each alert is told once as new and once as over, each under one id, by each way and to the one on duty; what a way got more than
/// once is no more than one for each kill, and bears the same id.
#[test]
fn a_person_is_told_once_of_each_alert_by_each_way_however_often_the_program_is_killed() {
    let (kills, seed) = (number("KVARDEN_KILLS", KILLS), number("KVARDEN_SEED", 20_261_126));
    println!("KVARDEN_KILLS={kills} KVARDEN_SEED={seed}");
    let authority = Authority::new();
    let shown = authority.issue("web", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    std::thread::scope(|scope| {
        for number in 0..SITES {
            let told = Told::new(&authority, &shown, "");
            scope.spawn(move || live(&told, kills, &mut Chance(seed + number)));
        }
    });
}
