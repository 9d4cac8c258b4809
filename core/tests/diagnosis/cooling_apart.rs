//! Cooling trouble told from fans, nights, weather, slow units and sensors that are off. The unit here is stepped by itself: what a winding stores is its
//! loss less what the air takes, which grows with the 1.25th power of its rise (IEEE C57.96's exponent 0.8, from memory).
//! Figures of the stories: the case study of windings at 96, 104 and 97 °C in a room of 5 °C is common practice, no source.

use crate::board::Board;
use crate::cannery::{meter, plant};
use kvarden_core::diagnosis::Lack;
use kvarden_core::plant::{Cooling, Plant, Priority, SideOf, Target};

const RISE_K: f64 = 150.0;
const RATED_A: f64 = 208.18;
const HOUR: i64 = 3600;

fn windings(cooling: Cooling) -> Plant {
    let mut plant = plant();
    let secondary = Target::Transformer(0, SideOf::Secondary);
    plant.feeders.clear();
    plant.limits.clear();
    (plant.transformers[0].cooling, plant.transformers[0].rated_rise_k) = (cooling, Some(RISE_K));
    let fans = if cooling == Cooling::DryFan { " fan_running" } else { "" };
    let sensors = format!("ambient_c winding_c.A winding_c.B winding_c.C{fans}");
    plant.meters = vec![
        meter("T2 secondary", secondary, "current_a.A current_a.B current_a.C", 10),
        meter("T2 sensors", secondary, &sensors, 10),
    ];
    plant.meters.iter_mut().for_each(|meter| meter.frozen_after = None);
    plant
}

/// What stands around the unit at a moment.
#[derive(Clone, Copy)]
struct Around {
    load: f64,
    air_c: f64,
    /// What is left of the cooling of each winding.
    left: [f64; 3],
    /// Fans run and cool.
    fans: bool,
    /// The flag says so.
    flag: bool,
    /// So much is the sensor in the air wrong.
    air_off_k: f64,
}

const SOUND: Around =
    Around { load: 0.6, air_c: 20.0, left: [1.0; 3], fans: false, flag: false, air_off_k: 0.0 };

struct Story {
    board: Board,
    has_fans: bool,
    rises: [f64; 3],
    tau_s: f64,
}

impl Story {
    fn of(cooling: Cooling, tau_min: f64) -> Self {
        Self {
            board: Board::of(&windings(cooling)),
            has_fans: cooling == Cooling::DryFan,
            rises: [RISE_K * 0.44; 3],
            tau_s: 60.0 * tau_min,
        }
    }

    /// So many hours of it, from the hour of the story.
    fn hours(&mut self, hours: i64, around: impl Fn(f64) -> Around) -> &mut Self {
        for step in 0..hours * HOUR / 10 {
            let now = around((step * 10) as f64 / HOUR as f64);
            for (rise, left) in self.rises.iter_mut().zip(now.left) {
                let share = *rise / RISE_K;
                let takes = if now.fans { 16.0 / 9.0 * share } else { share.powf(1.25) };
                *rise += RISE_K * (now.load.powi(2) - left * takes) * 10.0 / self.tau_s;
            }
            let (rises, has_fans) = (self.rises, self.has_fans);
            self.board.run(10, |meter, _| {
                if meter == 0 {
                    return vec![now.load * RATED_A; 3];
                }
                let mut values = vec![now.air_c + now.air_off_k];
                values.extend(rises.map(|rise| now.air_c + rise));
                values.extend(has_fans.then(|| f64::from(u8::from(now.flag))));
                values
            });
        }
        self
    }

    fn lines(&self) -> Vec<String> {
        self.board.lines().into_iter().filter(|line| line.contains("cooling")).collect()
    }

    /// What was found, without the second.
    fn found(&self) -> Vec<String> {
        let lines =
            self.lines().into_iter().filter_map(|line| Some(line.split_once(" found ")?.1.to_owned()));
        lines.collect()
    }
}

/// Of the cooling so much is left that a winding shows these times the rise of a sound one.
fn left(times: f64) -> f64 {
    f64::powf(times, -1.25)
}

/// Windings at 96, 104 and 97 °C where 71, 76 and 71 are expected, at 60 % load in a room of 5 °C: no limit is reached.
#[test]
fn in_a_cold_room_all_windings_over_what_is_expected_are_the_cooling() {
    let mut story = Story::of(Cooling::Dry, 50.0);
    let cold = Around { air_c: 5.0, ..SOUND };
    story.hours(8, |_| cold);
    assert_eq!(story.lines(), Vec::<String>::new());
    let blocked = Around { left: [left(91.0 / 66.0), left(99.0 / 66.0), left(92.0 / 66.0)], ..cold };
    story.hours(6, |_| blocked);
    assert_eq!(story.found(), ["cooling blocked at T2 - low"]);
    let facts = &story.board.latest("cooling blocked").expect("it is found").facts;
    assert!(facts.evidence.len() >= 4, "{facts:?}");
    let warmest = facts.evidence[1].clone();
    assert!(
        warmest.value < 110.0 && warmest.against.is_some_and(|expected| (expected - 71.0).abs() < 2.0),
        "{warmest:?}"
    );
    let absolute = |alarm: &&String| alarm.contains("/winding_c") || alarm.contains("/winding_rise_k");
    assert_eq!(story.board.raised.iter().find(absolute), None, "no absolute limit is reached");
    // At night it is not cleared; with free vents it ends.
    story.hours(10, |_| Around { load: 0.15, ..blocked });
    assert_eq!(story.lines().len(), 1, "{:?}", story.lines());
    story.hours(9, |_| cold);
    assert!(story.lines().last().is_some_and(|line| line.contains(" ended ")), "{:?}", story.lines());
}

/// A heat wave up to 40 °C, and a room of 35 °C at 98 % load: both are in what is expected.
#[test]
fn hot_weather_and_a_warm_room_at_high_load_are_no_findings() {
    let mut story = Story::of(Cooling::Dry, 70.0);
    let day = |hour: f64| ((hour - 15.0) * std::f64::consts::TAU / 24.0).cos();
    story.hours(48, |hour| Around {
        air_c: 31.0 + 9.0 * day(hour),
        load: if hour % 24.0 < 12.0 { 0.4 } else { 0.8 },
        ..SOUND
    });
    story.hours(12, |_| Around { air_c: 35.0, load: 0.98, ..SOUND });
    assert_eq!(story.lines(), Vec::<String>::new());
}

/// Load that goes in steps, with a time constant two and a half times that of the nameplate, and harmonics that add an eighth
/// to the loss.
#[test]
fn a_slow_unit_with_harmonics_that_nobody_measures_is_no_finding() {
    let mut story = Story::of(Cooling::Dry, 150.0);
    story.hours(72, |hour| Around {
        load: if (6.0..18.0).contains(&(hour % 24.0)) { 0.9 } else { 0.2 },
        left: [left(1.1); 3],
        ..SOUND
    });
    assert_eq!(story.lines(), Vec::<String>::new());
}

/// A sensor in the air that shows 14 K too little makes everything too warm, at rest as well as under load.
#[test]
fn a_sensor_in_the_air_that_is_off_is_no_trouble_of_the_cooling() {
    let mut story = Story::of(Cooling::Dry, 50.0);
    let off = |hour: f64| Around {
        load: if (6.0..18.0).contains(&(hour % 24.0)) { 0.6 } else { 0.15 },
        air_off_k: -14.0,
        ..SOUND
    };
    story.hours(72, off);
    let blocked = story.lines().into_iter().filter(|line| line.contains("blocked")).count();
    assert_eq!(blocked, 0, "{:?}", story.lines());
}

/// 125 % of the rating, which only fans allow.
#[test]
fn a_fan_that_stops_is_told_by_its_flag_and_one_that_runs_and_does_not_cool_by_the_heat() {
    let day = |hour: f64, cools: bool, says: bool| {
        let works = (6.0..20.0).contains(&(hour % 24.0));
        let load = if works { 1.2 } else { 0.55 };
        Around { load, fans: works && cools, flag: works && says, ..SOUND }
    };
    let mut stopped = Story::of(Cooling::DryFan, 50.0);
    stopped.hours(34, |hour| day(hour, true, true));
    assert_eq!(stopped.lines(), Vec::<String>::new());
    stopped.hours(3, |hour| day(hour + 10.0, false, false));
    assert_eq!(stopped.found().len(), 1, "{:?}", stopped.lines());
    assert!(stopped.found()[0].starts_with("cooling fan at T2 -"), "{:?}", stopped.lines());
    // At night it is not cleared.
    stopped.hours(10, |_| Around { load: 0.4, ..SOUND });
    assert!(!stopped.lines().iter().any(|line| line.contains("ended")), "{:?}", stopped.lines());
    let mut blows_not = Story::of(Cooling::DryFan, 50.0);
    blows_not.hours(34, |hour| day(hour, true, true)).hours(5, |hour| day(hour + 10.0, false, true));
    assert_eq!(blows_not.found(), ["cooling fan at T2 - high"]);
}

/// Without a sensor in the air only what no room explains is told, and that one is missing.
#[test]
fn without_a_sensor_in_the_air_what_the_warmest_room_does_not_explain_is_told() {
    let unknown = Around { air_off_k: f64::NAN, load: 0.7, ..SOUND };
    let mut story = Story::of(Cooling::Dry, 50.0);
    story.hours(10, |hour| Around { load: if hour < 5.0 { 0.9 } else { 0.3 }, ..unknown });
    assert_eq!(story.lines(), Vec::<String>::new());
    story.hours(9, |_| Around { left: [left(2.0); 3], ..unknown });
    let facts = &story.board.latest("cooling blocked").expect("it is found").facts;
    assert_eq!((story.found().len(), facts.priority), (1, Priority::High), "{:?}", story.lines());
    assert!(facts.lacks.contains(&Lack::Ambient) && facts.confidence < 0.7, "{facts:?}");
}

/// Within the rating without fans, so nothing says that they are due but the temperature at which they were seen to start; by
/// day they started at 90 % of the rated rise. Seen to fail without that temperature.
#[test]
fn fans_that_started_before_and_do_not_at_the_same_heat_are_told() {
    let mut story = Story::of(Cooling::DryFan, 50.0);
    let busy = |fans: bool| Around { load: 0.97, fans, flag: fans, ..SOUND };
    story.hours(3, |_| busy(false)).hours(2, |_| busy(true)).hours(2, |_| Around { load: 0.6, ..SOUND });
    assert_eq!(story.lines(), Vec::<String>::new());
    let hot = |hour: f64| Around { air_c: 20.0 + 6.0 * hour, ..busy(false) };
    story.hours(3, |_| busy(false)).hours(1, hot).hours(2, |_| hot(1.0));
    assert_eq!(story.lines(), Vec::<String>::new(), "the air is warmer, the rise is not");
    story.hours(4, |_| Around { load: 0.995, ..hot(1.0) });
    assert_eq!(story.found().len(), 1, "{:?}", story.lines());
    assert!(story.found()[0].starts_with("cooling fan at T2 -"), "{:?}", story.lines());
}
