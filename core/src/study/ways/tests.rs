use super::*;
use std::ops::Range;

/// Columns: volts up 0 to 2, volts down 3 to 5, currents 6 to 8.
fn plan() -> WayPlan {
    WayPlan {
        name: "MP-1".to_owned(),
        thing: 1,
        up: [0, 1, 2],
        down: [3, 4, 5],
        up_thd: [None; 3],
        down_thd: [None; 3],
        currents: [6, 7, 8],
        watts: [None; 3],
        neutral: None,
        rated_a: 200.0,
        heat: [0, 1, 2, 3],
    }
}

/// What a way carries and what is in it.
#[derive(Clone, Copy)]
struct Drawn {
    /// Amperes of A, B and C in a step.
    amperes: fn(i64) -> [f64; 3],
    ohms: [f64; 3],
    neutral_ohm: f64,
    /// So far the volts of phase C at the end scatter, from lowest to highest.
    scatter_v: f64,
}

/// The same on all phases.
fn even(step: i64) -> [f64; 3] {
    [100.0 + 80.0 * (step as f64 / 700.0).sin(); 3]
}

/// Phases that come and go each for itself, so that the neutral's share shows.
fn uneven(step: i64) -> [f64; 3] {
    [700.0, 450.0, 310.0].map(|period| 100.0 + 80.0 * (step as f64 / period).sin())
}

/// A scatter without chance, from -0.5 to 0.5.
fn scattered(step: i64, phase: i64) -> f64 {
    ((step * 7919 + phase * 104_729) % 1009) as f64 / 1009.0 - 0.5
}

impl Drawn {
    /// Steps of ten seconds; gives what the last one says. The drop that a phase sees is that of its own amperes and of the
    /// neutral's part in phase with it.
    fn run(self, way: &mut Way, plan: &WayPlan, steps: Range<i64>, at_home: bool) -> [Sample; 4] {
        let mut row = [Sample::ABSENT; 4];
        for step in steps {
            let end = EventTime(0) + Span::seconds(10 * (step + 1));
            let [a, b, c] = (self.amperes)(step);
            let neutral = (a * a + b * b + c * c - a * b - b * c - c * a).sqrt();
            let scatter = [0.0, 0.0, self.scatter_v * scattered(step, 2)];
            let volts: [f64; 3] = std::array::from_fn(|phase| {
                let [own, one, other] = [[a, b, c], [b, c, a], [c, a, b]][phase];
                let drop = self.ohms[phase] * own + self.neutral_ohm * (own - f64::midpoint(one, other));
                120.0 - 0.3 - drop + scatter[phase]
            });
            let values = [[120.0; 3], volts, [a, b, c]].concat();
            let inputs: Vec<Sample> = values.into_iter().chain([neutral]).map(Sample::new).collect();
            way.step(plan, at_home, &mut Turn { end, inputs: &inputs, row: &mut row });
        }
        row
    }
}

/// So many days at these resistances of A, B and C; gives what the last step says.
fn days(way: &mut Way, (from, to): (i64, i64), ohms: [f64; 3], at_home: bool) -> [Sample; 4] {
    let drawn = Drawn { amperes: even, ohms, neutral_ohm: 0.0, scatter_v: 0.0 };
    drawn.run(way, &plan(), from * 8640..to * 8640, at_home)
}

#[test]
fn a_joint_that_is_bad_from_the_first_day_shows_and_is_not_learned_for_healthy() {
    let mut way = Way::default();
    let bad = [0.003, 0.0055, 0.003];
    for to in [1, 8] {
        let [a, b, c, _] = days(&mut way, (to - 1, to), bad, true);
        assert_eq!((a, c), (Sample::new(0.0), Sample::new(0.0)), "day {to}");
        // 2.5 mohm at some 175 A: 77 W (Joule's law).
        assert!((60.0..85.0).contains(&b.get().unwrap()), "day {to}: {b:?}");
    }
    let mut way = Way::default();
    days(&mut way, (0, 9), bad, true);
    assert!(matches!(way.now("").stands, WayStands::NotHealthy(Some(_))), "{:?}", way.now(""));
    assert!(!way.accept("Ines", EventTime(1)), "nobody can take it");
}

#[test]
fn what_a_person_took_is_the_measure_and_is_kept() {
    let mut way = Way::default();
    let unlike = [0.003, 0.0039, 0.003];
    assert!(days(&mut way, (0, 1), unlike, true)[1].get() > Some(10.0), "before, peers judge it");
    assert!(!way.accept("Ines", EventTime(1)), "not enough days");
    days(&mut way, (1, 9), unlike, true);
    assert_eq!(way.now("").stands, WayStands::Waits);
    assert!(way.accept("Ines", EventTime(1)));
    let mut again = Way::default();
    again.adopt_learned(&way.learned("MP-1"));
    assert_eq!(again.now("MP-1"), way.now("MP-1"));
    assert_eq!(days(&mut way, (9, 10), unlike, true)[1], Sample::new(0.0));
    assert!(way.drop_learned() && !way.drop_learned());
}

/// Phase A opens after a day. It has no resistance then, and the neutral carries what it never did.
#[test]
fn a_phase_that_is_open_makes_no_joints_of_the_others() {
    let mut way = Way::default();
    days(&mut way, (0, 1), [0.003; 3], true);
    let mut row = [Sample::ABSENT; 4];
    for step in 8640..8640 + 6 * 360 {
        let end = EventTime(0) + Span::seconds(10 * (step + 1));
        let load = 100.0 + 80.0 * (step as f64 / 700.0).sin();
        let volts = 120.0 - 0.3 - 0.003 * load;
        let values = [120.0, 120.0, 120.0, 2.4, volts, volts, 0.0, load, load];
        let inputs = values.map(Sample::new);
        way.step(&plan(), true, &mut Turn { end, inputs: &inputs, row: &mut row });
        for phase in [1, 2] {
            assert!(row[phase].get().is_none_or(|watts| watts == 0.0), "step {step}: {row:?}");
        }
    }
}

/// The meter at the end loses the fuse of its phase A: the amperes stay, and what is missing of the volts is no joint.
#[test]
fn a_blown_fuse_of_a_meter_makes_no_joint() {
    let (mut way, mut row) = (Way::default(), [Sample::ABSENT; 4]);
    days(&mut way, (0, 1), [0.003; 3], true);
    for step in 8640..2 * 8640 {
        let end = EventTime(0) + Span::seconds(10 * (step + 1));
        let load = 100.0 + 80.0 * (step as f64 / 700.0).sin();
        let volts = 120.0 - 0.3 - 0.003 * load;
        let inputs = [120.0, 120.0, 120.0, 2.4, volts, volts, load, load, load].map(Sample::new);
        way.step(&plan(), true, &mut Turn { end, inputs: &inputs, row: &mut row });
        assert!(row.iter().all(|heat| heat.get().is_none_or(|watts| watts == 0.0)), "step {step}: {row:?}");
    }
}

/// Volts that scatter by more than the load moves them tell of no joint to ten watts: absent, and no figure.
#[test]
fn what_is_not_known_to_ten_watts_has_no_verdict() {
    let (mut way, mut row) = (Way::default(), [Sample::ABSENT; 4]);
    for step in 0..8640 {
        let end = EventTime(0) + Span::seconds(10 * (step + 1));
        let load = 150.0 + 12.0 * (step as f64 / 700.0).sin();
        let drops: [f64; 3] =
            std::array::from_fn(|phase| 120.0 - 0.3 - 0.003 * load + 20.0 * scattered(step, phase as i64));
        let values = [[120.0; 3], drops, [load; 3]].concat();
        let inputs: Vec<Sample> = values.into_iter().map(Sample::new).collect();
        way.step(&plan(), true, &mut Turn { end, inputs: &inputs, row: &mut row });
        assert_eq!(row, [Sample::ABSENT; 4], "step {step}");
    }
}

/// By day the sun gives back what phases A and B carry and more: the volts at the end rise by it.
#[test]
fn power_that_flows_back_makes_no_joint() {
    let plan = WayPlan { watts: [Some(9), Some(10), Some(11)], ..plan() };
    let (mut way, mut row) = (Way::default(), [Sample::ABSENT; 4]);
    for step in 0..3 * 8640 {
        let end = EventTime(0) + Span::seconds(10 * (step + 1));
        let sun = (step as f64 * std::f64::consts::TAU / 8640.0).sin().max(0.0);
        let own = [60.0, 70.0, 180.0].map(|load: f64| load - 150.0 * sun);
        let volts = own.map(|amperes| 120.0 - 0.3 - 0.003 * amperes);
        let values = [[120.0; 3], volts, own.map(f64::abs), own.map(|amperes| 120.0 * amperes)].concat();
        let inputs: Vec<Sample> = values.into_iter().map(Sample::new).collect();
        way.step(&plan, true, &mut Turn { end, inputs: &inputs, row: &mut row });
        assert!(row[..3].iter().all(|heat| heat.get().is_none_or(|watts| watts < 5.0)), "{step}: {row:?}");
    }
}

/// Three days of a way of 3 mohm for each wire, as its meters show it: active and reactive amperes by phase, distortion at the end.
/// The neutral takes the phasor sum of the phases (circuit theory); gives the largest heat of a phase.
fn most_heat(extra_ohm: [f64; 3], of: impl Fn(f64) -> ([f64; 3], [f64; 3], [f64; 3])) -> [f64; 3] {
    let thd = |first: usize| [Some(first), Some(first + 1), Some(first + 2)];
    let plan = WayPlan { watts: thd(9), up_thd: thd(12), down_thd: thd(15), ..plan() };
    let (mut way, mut row, mut most) = (Way::default(), [Sample::ABSENT; 4], [0f64; 3]);
    for step in 0..3 * 8640 {
        let end = EventTime(0) + Span::seconds(10 * (step + 1));
        let (active, reactive, thd) = of(0.5 + 0.5 * (step as f64 / 700.0).sin());
        let volts: [f64; 3] = std::array::from_fn(|phase| {
            let (next, last) = ((phase + 1) % 3, (phase + 2) % 3);
            let neutral = active[phase]
                - f64::midpoint(active[next], active[last])
                - 0.75f64.sqrt() * (reactive[next] - reactive[last]);
            let drop = (0.003 + extra_ohm[phase]) * active[phase] + 0.001 * reactive[phase] + 0.003 * neutral;
            (119.7 - drop) * (1.0 + (thd[phase] / 100.0).powi(2)).sqrt()
        });
        let amperes: [f64; 3] = std::array::from_fn(|phase| active[phase].hypot(reactive[phase]));
        let watts: [f64; 3] = std::array::from_fn(|phase| active[phase] * volts[phase]);
        let values = [[120.0; 3], volts, amperes, watts, [0.0; 3], thd].concat();
        let inputs: Vec<Sample> = values.into_iter().map(Sample::new).collect();
        way.step(&plan, true, &mut Turn { end, inputs: &inputs, row: &mut row });
        for (most, heat) in most.iter_mut().zip(row) {
            *most = most.max(heat.get().unwrap_or(0.0));
        }
    }
    most
}

/// Lights of one pattern on all phases, a third more on A: the neutral moves along with each phase, so that no load tells its
/// resistance from theirs.
#[test]
fn a_neutral_that_moves_along_with_its_phases_makes_no_joint() {
    let lights = |on: f64| ([26.0 + 150.0 * on, 20.0 + 110.0 * on, 20.0 + 110.0 * on], [0.0; 3], [0.0; 3]);
    assert!(most_heat([0.0; 3], lights).iter().all(|heat| *heat < 5.0));
    let bad = most_heat([0.0, 0.0025, 0.0], lights);
    // 2.5 mohm at 125 A: 39 W (Joule's law).
    assert!((25.0..45.0).contains(&bad[1]) && bad[0] < 5.0 && bad[2] < 5.0, "{bad:?}");
}

/// Capacitors lead 60 A on all phases all day: of the amperes only the active ones make a drop on a resistance.
#[test]
fn capacitors_make_no_joint() {
    let led = |on: f64| ([20.0 + 160.0 * on, 10.0 + 80.0 * on, 10.0 + 80.0 * on], [-60.0; 3], [0.0; 3]);
    let heat = most_heat([0.0; 3], led);
    assert!(heat.iter().all(|heat| *heat < 5.0), "{heat:?}");
}

/// Orders at the end of the way add to the volts as they are measured, by their square, on the phase that has them.
#[test]
fn distortion_at_one_end_makes_no_joint() {
    let bent = |on: f64| ([20.0 + 120.0 * on; 3], [0.0; 3], [6.0 * on, 0.0, 0.0]);
    let heat = most_heat([0.0; 3], bent);
    assert!(heat.iter().all(|heat| *heat < 5.0), "{heat:?}");
}

#[test]
fn a_feeder_that_hangs_elsewhere_is_not_judged_by_this_transformers_volts() {
    let mut way = Way::default();
    let bad = [0.003, 0.0055, 0.003];
    assert_eq!(days(&mut way, (0, 2), bad, false), [Sample::ABSENT; 4]);
    let sound = Drawn { amperes: even, ohms: [0.003; 3], neutral_ohm: 0.0, scatter_v: 0.0 };
    for step in 2 * 8640..3 * 8640 {
        let row = sound.run(&mut way, &plan(), step..step + 1, true);
        assert!(
            row[1].get().is_none_or(|watts| watts == 0.0),
            "nothing of it was remembered: {step}, {row:?}"
        );
    }
}

/// A way with its neutral, whose meter shows it in the column after the phases.
fn with_neutral() -> WayPlan {
    WayPlan { neutral: Some(9), ..plan() }
}

/// A neutral of ten times its phases' resistance from the first day on. Until a person took it for healthy it is held against its phases.
const BAD_NEUTRAL: Drawn = Drawn { amperes: uneven, ohms: [0.003; 3], neutral_ohm: 0.03, scatter_v: 0.0 };

#[test]
fn a_neutral_that_is_bad_from_the_first_day_shows() {
    let mut way = Way::default();
    let row = BAD_NEUTRAL.run(&mut way, &with_neutral(), 0..8 * 8640, true);
    // At least 24 mohm beyond twice a phase's, at some 100 A and more (Joule's law).
    assert!(row[3].get().is_some_and(|watts| watts > 200.0), "{row:?}");
    assert!(row[..3].iter().all(|heat| *heat == Sample::new(0.0)), "{row:?}");
    // Without the amperes of one phase nothing is told of what they share.
    let mut inputs = [120.0, 120.0, 120.0, 119.4, 119.4, 119.4, 100.0, 100.0, 100.0, 60.0].map(Sample::new);
    inputs[8] = Sample::ABSENT;
    let (mut row, end) = ([Sample::ABSENT; 4], EventTime(0) + Span::seconds(10 * (8 * 8640 + 1)));
    way.step(&with_neutral(), true, &mut Turn { end, inputs: &inputs, row: &mut row });
    assert_eq!((row[2], row[3]), (Sample::ABSENT, Sample::ABSENT), "{row:?}");
    assert!(row[0].get().is_some(), "{row:?}");
}

/// 12 hours here at 10 to 100 A, 12 hours on another transformer at 20 to 180 A, day by day.
#[test]
fn what_a_feeder_draws_elsewhere_does_not_heat_its_joint_here() {
    let mut way = Way::default();
    let bad = [0.003, 0.0055, 0.003];
    let here = |step: i64| [55.0 + 45.0 * (step as f64 / 700.0).sin(); 3];
    let here = Drawn { amperes: here, ohms: bad, neutral_ohm: 0.0, scatter_v: 0.0 };
    let there = Drawn { amperes: even, ..here };
    for day in 0..2 {
        there.run(&mut way, &plan(), day * 8640..day * 8640 + 4320, false);
        let [_, b, ..] = here.run(&mut way, &plan(), day * 8640 + 4320..(day + 1) * 8640, true);
        // 2.5 mohm at 100 A: 25 W (Joule's law).
        assert!(b.get().is_some_and(|watts| (20.0..26.0).contains(&watts)), "day {day}: {b:?}");
    }
    let row = there.run(&mut way, &plan(), 2 * 8640..2 * 8640 + 1, false);
    assert_eq!(row, [Sample::ABSENT; 4], "once it hangs elsewhere nothing is told");
}

#[test]
fn a_step_of_the_resistance_is_noted_once_with_its_phase_and_moment() {
    let mut way = Way::default();
    days(&mut way, (0, 1), [0.003; 3], true);
    let stepped = Drawn { amperes: even, ohms: [0.003, 0.0055, 0.003], neutral_ohm: 0.0, scatter_v: 0.0 };
    stepped.run(&mut way, &plan(), 8640..8640 + 4320, true);
    let [step] = way.steps() else { panic!("{:?}", way.steps()) };
    assert_eq!(step.phase, 1);
    assert!((step.at - EventTime(86_400_000)).0.abs() < Span::hours(2).0, "{step:?}");
    assert!((step.ohm - 0.0025).abs() < 0.0005, "{step:?}");
}
