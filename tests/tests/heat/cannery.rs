//! Transformer T2 of the simulated site: delta to wye, dry, with a feeder that has its own meter.

use super::watch::{DAY, HOUR, Seen, THURSDAY, Watch, World, plant, side};
use kvarden_core::measurand::Quantity;
use kvarden_core::plant::{Cooling, Feeder, SideOf, Target, Transformer, WiringForm};
use kvarden_demo::meter::Reading;
use kvarden_demo::scenario::{Fault, Scenario};
use kvarden_demo::site::Site;
use kvarden_demo::work::Working;
use std::collections::BTreeMap;

/// A site has lived so long before its first moment: scenarios of the room hold from then on.
const BEFORE: i64 = THURSDAY - 2 * DAY;
const RISE_K: f64 = 115.0;

const SECONDARY: Target = Target::Transformer(0, SideOf::Secondary);
const POINTS: [(&str, Target, &str); 4] = [
    (
        "T2 secondary",
        SECONDARY,
        "voltage_ln_v.A voltage_ln_v.B voltage_ln_v.C current_a.A current_a.B current_a.C neutral_current_a",
    ),
    (
        "T2 sensors",
        SECONDARY,
        "winding_c.A winding_c.B winding_c.C termination_c.A termination_c.B termination_c.C ambient_c",
    ),
    (
        "MP-3",
        Target::Feeder(0),
        "voltage_ln_v.A voltage_ln_v.B voltage_ln_v.C current_a.A current_a.B current_a.C neutral_current_a",
    ),
    ("T2 fans", SECONDARY, "fan_running"),
];

/// Every residual of T2 once a week has told what its connections are when they are sound.
const ALL: &str = "winding_residual_k.A winding_residual_k.B winding_residual_k.C termination_excess_k.A \
    termination_excess_k.B termination_excess_k.C contact_heat_w.A contact_heat_w.B contact_heat_w.C contact_heat_w.N";

struct Cannery {
    site: Site,
    shown: BTreeMap<&'static str, Reading>,
    fans_until: i64,
}

impl Cannery {
    fn look(&mut self) {
        let meters = POINTS.into_iter().filter_map(|(name, ..)| Some((name, self.site.reading(name)?)));
        self.shown = meters.collect();
    }
}

impl World for Cannery {
    fn advance(&mut self, to: i64) {
        self.site.advance(to);
        self.look();
    }

    fn value(&self, meter: &str, quantity: Quantity) -> Option<f64> {
        let key = quantity.to_string();
        let (what, place) = key.split_once('.').unwrap_or((&key, ""));
        if what == "fan_running" {
            return Some(f64::from(u8::from(self.site.at() < self.fans_until)));
        }
        self.shown.get(meter)?.value(what, place)
    }
}

fn watch(working: Working, fans_until: Option<i64>, scenarios: Vec<Scenario>) -> Watch<Cannery> {
    let cooling = if fans_until.is_some() { Cooling::DryFan } else { Cooling::Dry };
    let transformer = Transformer {
        cooling,
        rated_rise_k: Some(RISE_K),
        insulation_class_c: Some(220),
        ..Transformer::new("T2", 75.0, side(480.0, WiringForm::Delta), side(208.0, WiringForm::Wye))
    };
    let feeder = Feeder { rated_a: Some(100.0), ..Feeder::new("MP-3", 0) };
    let meters = if fans_until.is_some() { &POINTS[..] } else { &POINTS[..3] };
    let site = Site::new(11, THURSDAY, working, scenarios);
    let fans_until = fans_until.unwrap_or(i64::MIN);
    let mut world = Cannery { site, shown: BTreeMap::new(), fans_until };
    world.look();
    Watch::new(world, &plant(transformer, vec![feeder], meters), THURSDAY)
}

/// Monday to Wednesday after the four days of learning: two shifts, pauses and nights, as load steps.
fn healthy_in_a_room(warmer_k: f64) {
    let room = vec![Scenario::from(BEFORE, Fault::Room { warmer_k })];
    let mut watch = watch(Working::Calendar, None, room).learned(THURSDAY + 4 * DAY);
    let seen = watch.until(THURSDAY + 7 * DAY, THURSDAY + 4 * DAY);
    for (residual, most) in seen.residuals() {
        assert!(most <= 5.0, "{residual}: a healthy residual stays within 5 K: {seen:?}");
    }
    let (coldest, warmest) = seen.extremes["winding_expected_c.A"];
    assert!(warmest - coldest > 30.0, "the load made steps: {coldest} to {warmest} °C");
    assert_eq!(seen.raised, Vec::<String>::new());
}

#[test]
fn the_healthy_residual_stays_within_5_kelvin_in_a_cold_room() {
    healthy_in_a_room(-20.0);
}

#[test]
fn the_healthy_residual_stays_within_5_kelvin_in_a_hot_room() {
    healthy_in_a_room(12.0);
}

const WINDINGS: [&str; 3] = ["winding_residual_k.A", "winding_residual_k.B", "winding_residual_k.C"];

/// After twelve healthy days, so that also the heat of the feeder's connections is judged.
#[test]
fn a_blocked_vent_and_a_hot_lug_each_show_in_their_own_residual_and_in_no_other() {
    // Tuesday and Thursday of the second week.
    let (lug, vent) = (THURSDAY + 12 * DAY + 8 * HOUR, THURSDAY + 14 * DAY + 8 * HOUR);
    let scenarios = vec![
        Scenario::between(lug, lug + 30 * HOUR, Fault::HotLug { ohms: 0.02 }),
        Scenario::from(vent, Fault::BlockedCooling { left: 0.4 }),
    ];
    let mut watch = watch(Working::Calendar, None, scenarios).learned(THURSDAY + 4 * DAY);
    let before = watch.until(lug, lug - DAY);
    before.only(ALL, &[]);
    // The points of a whole day tell the resistance, so its heat is told on the second.
    let hot_lug = watch.until(lug + 30 * HOUR, lug + 2 * HOUR);
    hot_lug.only(ALL, &[("termination_excess_k.B", 15.0), ("contact_heat_w.B", 10.0)]);
    let coming = watch.until(vent + 5 * HOUR, vent);
    let blocked = watch.until(vent + 10 * HOUR, vent + 5 * HOUR);
    let all_three = WINDINGS.map(|key| (key, 0.15 * RISE_K));
    blocked.only(ALL, &all_three);
    let told = |key: &&str| {
        let alarm = format!("{key}/high level 2");
        coming.raised.iter().chain(&blocked.raised).any(|line| line.contains(&alarm))
    };
    assert!(WINDINGS.iter().all(told), "after two hours it is told: {coming:?} {blocked:?}");
}

/// 125 % of the rating by day, which only fans allow. They stop on a Tuesday's morning.
#[test]
fn a_failed_fan_shows_in_what_fans_should_do_and_in_no_other() {
    let fails = THURSDAY + 5 * DAY + 10 * HOUR;
    let scenarios = vec![
        Scenario::from(BEFORE, Fault::Overload { factor: 1.75 }),
        Scenario::between(BEFORE, fails, Fault::Fans { times: 16.0 / 9.0 }),
    ];
    let mut watch = watch(Working::Calendar, Some(fails), scenarios).learned(THURSDAY + 4 * DAY);
    // The neutral's connection is told only when it has carried enough, and here it has not.
    let told = ALL.split_whitespace().filter(|key| *key != "contact_heat_w.N");
    let all = told.chain(["fan_shortfall_k"]).collect::<Vec<_>>().join(" ");
    let running: Seen = watch.until(fails, fails - DAY);
    running.only(&all, &[]);
    assert!(running.most("fan_shortfall_k") < 0.01, "{running:?}");
    let failed = watch.until(fails + 5 * HOUR, fails + 3 * HOUR);
    failed.only(&all, &[("fan_shortfall_k", 0.3 * RISE_K)]);
}
