//! What lasts for seconds: a contact that lets go, the supply that sags, told apart by the direction of volts and amperes. The circuits
//! are Kirchhoff's; the counts and times are common practice, no source.

use crate::board::{Board, POWER_METER, with_feeders};
use crate::cannery::{at, meter};
use crate::circuit::{Branch, solve};
use kvarden_core::diagnosis::{Figure, FindingStep, Lack, Sign};
use kvarden_core::input::{Deed, Input, Order};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{AlertRevision, ChangeKind, Denial, Output, Revised, Rule};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Meter, SideOf, State, StateIs, Supply, SupplyFrom, Target, Transformer};

const FEEDERS: [&str; 3] = ["MP-1", "MP-2", "MP-3"];

/// Three feeders; at a second, the ohms of a contact in phase B of MP-1 and the source's volts.
fn hall(meter: usize, second: i64, ohms: f64, source: [f64; 3]) -> Vec<f64> {
    let branches = [
        Branch::drawing([60.0, 55.0, 48.0], 0.95).with_contact(1, ohms),
        Branch::drawing([35.0, 41.0, 38.0], 0.85),
        Branch::drawing([20.0, 12.0, 25.0], 1.0),
    ];
    let shown = solve(source, &branches);
    shown[meter].read(0.3, second as u64 * 16 + meter as u64)
}

/// Whether a second lies in a spell of so many seconds that begins at one of these.
fn within(second: i64, starts: &[i64], seconds: i64) -> bool {
    starts.iter().any(|start| (*start..start + seconds).contains(&second))
}

fn causes(board: &Board) -> Vec<String> {
    board.lines().iter().filter_map(|line| line.split_once(' ')).map(|(_, rest)| rest.to_owned()).collect()
}

#[test]
fn a_contact_that_lets_go_is_traced_to_its_feeder_and_phase_and_counted() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    let starts = [600, 2000, 3500, 5100, 6400];
    board.run(7200, |meter, second| {
        hall(meter, second, if within(second, &starts, 4) { 0.6 } else { 0.0 }, [1.0; 3])
    });
    assert_eq!(
        causes(&board),
        [
            "found loose-connection intermittent at MP-1 B journal",
            "worse loose-connection intermittent at MP-1 B low",
            "worse loose-connection intermittent at MP-1 B high",
        ]
    );
    let found = board.latest("loose-connection intermittent").expect("it is found");
    let pattern = found.facts.pattern.as_ref().expect("it comes again");
    assert_eq!((pattern.times, pattern.shortest.0, pattern.longest.0), (3, 4000, 4000));
    assert!((found.facts.evidence[0].value - 20.0).abs() < 3.0, "0.6 Ω beside 2.2 Ω: {found:?}");
    assert!(found.facts.confidence > 0.85, "{found:?}");
}

/// A load of 45 A at MP-2 steps in a second before the contact at MP-1 lets go, for as long as that: each time, or at other times. What
/// moves with it is told, from the third time on, and not what happens beside it by chance.
// Seen to fail without the count, with any share of the times, and where a load that starts was all that was told of a moment.
#[test]
fn what_steps_within_seconds_of_each_time_is_told_with_it() {
    let starts = [600, 2000, 3500, 5100, 6400];
    let told = |steps: &[i64]| {
        let mut board = Board::of(&with_feeders(&FEEDERS, POWER_METER, 1));
        board.run(7200, |meter, second| {
            let ohms = if within(second, &starts, 4) { 0.6 } else { 0.0 };
            let more = if within(second, steps, 6) { 45.0 } else { 0.0 };
            let branches = [
                Branch::drawing([60.0, 55.0, 48.0], 0.95).with_contact(1, ohms),
                Branch::drawing([35.0 + more, 41.0 + more, 38.0 + more], 0.85),
                Branch::drawing([20.0, 12.0, 25.0], 1.0),
            ];
            solve([1.0; 3], &branches)[meter].read(0.3, second as u64 * 16 + meter as u64)
        });
        let found = board.latest("loose-connection intermittent").expect("it is found").facts.clone();
        assert_eq!(found.feeder.as_deref(), Some("MP-1"), "{found:?}");
        let moved = Figure::Sign(Sign::MovedWith, Place::Whole);
        let of = found.evidence.iter().find(|evidence| evidence.figure == moved);
        of.map(|evidence| (evidence.feeder.clone(), evidence.value))
    };
    assert_eq!(told(&starts.map(|start| start - 1)), Some((Some("MP-2".to_owned()), 100.0)));
    assert_eq!(told(&[599, 1200, 2700, 4200, 5800]), None, "once of five");
}

/// What a person's order brings out, and whether it was done.
fn order(board: &mut Board, alert: &str, what: Deed) -> (bool, Vec<Output>) {
    let (now, mut told) = (board.second, Vec::new());
    let order = Order { number: 1, by: "Ines".to_owned(), alert: alert.to_owned(), what };
    board.monitor.observe(at(now), Input::Person(order), &mut told);
    let done = |output: &Output| matches!(output, Output::Answer(answer) if answer.result == Ok(()));
    (told.iter().any(done), told)
}

/// A person who has mended what comes and goes need not wait for a day, nor for the six hours of the alarms that count its
/// excursions: a release ends them with the finding. If it comes again it counts anew and is a new alert.
#[test]
fn who_has_mended_it_says_so_and_it_has_ended() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    let lets_go = |starts: &'static [i64]| {
        move |meter: usize, second: i64| {
            hall(meter, second, if within(second, starts, 4) { 0.6 } else { 0.0 }, [1.0; 3])
        }
    };
    board.run(4000, lets_go(&[600, 2000, 3500]));
    let [alert] = &board.monitor.open_alerts().cloned().collect::<Vec<_>>()[..] else {
        panic!("one fault, one alert: {:#?}", board.monitor.open_alerts().collect::<Vec<_>>())
    };
    let id = alert.alert.clone();
    assert!(order(&mut board, &id, Deed::Acknowledge).0);
    let (done, told) = order(&mut board, &id, Deed::Release { note: "lug B of MP-1 remade".to_owned() });
    assert!(done, "{told:#?}");
    let released = |what: &ChangeKind| matches!(what, ChangeKind::Released { by, .. } if by == "Ines");
    let of_count = |output: &&Output| matches!(output, Output::Alarm(change) if matches!(change.rule, Rule::Recurrence { .. }) && released(&change.what));
    assert!(told.iter().any(|output| of_count(&output)), "a count of excursions stood: {told:#?}");
    let ended =
        |output: &Output| matches!(output, Output::Finding(change) if change.what == FindingStep::Ended);
    assert!(told.iter().any(ended), "{told:#?}");
    let alerts: Vec<&AlertRevision> = told
        .iter()
        .filter_map(|output| match output {
            Output::Alert(revision) => Some(revision),
            _ => None,
        })
        .collect();
    let by_her = |why: &Revised| matches!(why, Revised::Released { by, .. } if by == "Ines");
    assert!(matches!(&alerts[..], [last] if !last.open && by_her(&last.why)), "told once: {alerts:#?}");
    board.run(1000, lets_go(&[4500]));
    assert_eq!(board.monitor.open_alerts().count(), 0, "one visit after the repair counts as one");
    board.run(1000, lets_go(&[5200, 5600]));
    let again: Vec<String> = board.monitor.open_alerts().map(|revision| revision.alert.clone()).collect();
    assert!(again.len() == 1 && again[0] != id, "{again:?}");
    let found = board.latest("loose-connection intermittent").expect("it is found again");
    let pattern = found.facts.pattern.as_ref().expect("it comes and goes");
    assert_eq!((pattern.times, pattern.since), (3, at(4500)), "what was mended is not counted");
}

/// What truly holds now can't be released: the volts of phase B lie low for good.
#[test]
fn a_fault_of_which_a_limit_is_passed_now_is_not_released() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    let lets_go = |meter: usize, second: i64| {
        let holds = within(second, &[600, 2000, 3500], 4) || second >= 3600;
        hall(meter, second, if holds { 0.6 } else { 0.0 }, [1.0; 3])
    };
    board.run(6000, lets_go);
    let open: Vec<String> = board.monitor.open_alerts().map(|revision| revision.alert.clone()).collect();
    assert!(!open.is_empty());
    for alert in open {
        let (done, told) = order(&mut board, &alert, Deed::Release { note: "looked".to_owned() });
        let refused = |output: &Output| matches!(output, Output::Answer(answer) if answer.result == Err(Denial::StillHolds));
        assert!(!done && told.iter().any(refused), "{alert}: {told:#?}");
        assert_eq!(told.len(), 1, "nothing of it moved: {told:#?}");
    }
}

/// Only what comes back to its volts while the amperes fell with them is a break: the same dip everywhere is the supply's.
#[test]
fn a_sag_of_the_supply_lets_no_contact_go() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    for (start, source) in [(600, [0.7, 0.7, 0.7]), (1500, [0.8, 0.8, 1.0]), (2500, [0.75, 0.9, 0.92])] {
        board.run(start + 600 - board.second, |meter, second| {
            hall(meter, second, 0.0, if within(second, &[start], 3) { source } else { [1.0; 3] })
        });
    }
    let told = causes(&board);
    assert_eq!(told[0], "found supply sag at T2 - journal", "{told:?}");
    assert!(told.iter().all(|line| line.contains("supply sag")), "{told:?}");
    let found = board.latest("supply sag").expect("it is found");
    assert_eq!(found.facts.pattern.as_ref().map(|pattern| pattern.times), Some(3));
}

#[test]
fn a_swell_is_told_from_a_sag() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    board.run(900, |meter, second| {
        hall(meter, second, 0.0, if within(second, &[500], 3) { [1.17; 3] } else { [1.0; 3] })
    });
    assert_eq!(causes(&board), ["found supply swell at T2 - journal"]);
}

/// Two phases of the secondary dip when one line before a delta–wye unit does; a break within its secondary moves one alone.
#[test]
fn one_phase_of_the_secondary_alone_is_its_own_contact() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    board.run(900, |meter, second| {
        hall(meter, second, 0.0, if within(second, &[500], 4) { [1.0, 1.0, 0.7] } else { [1.0; 3] })
    });
    assert_eq!(causes(&board), ["found loose-connection intermittent at T2 C journal"]);
}

#[test]
fn a_load_that_keeps_its_power_and_loads_that_come_and_go_are_no_break() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    // A heater of 30 A on phase B of MP-1 works for four seconds in twenty; the volts of its end rise and fall with it.
    board.run(7200, |meter, second| {
        let heater = if second % 20 < 4 { 30.0 } else { 0.0 };
        let branches = [
            Branch::drawing([60.0, 25.0 + heater, 48.0], 0.95),
            Branch::drawing([35.0, 41.0, 38.0], 0.85),
            Branch::drawing([20.0, 12.0, 25.0], 1.0),
        ];
        solve([1.0; 3], &branches)[meter].read(0.3, second as u64 * 16 + meter as u64)
    });
    let told = causes(&board);
    assert!(told.iter().all(|line| line.contains("event ")), "{told:?}");
}

#[test]
fn a_meter_of_ten_seconds_and_noise_of_a_per_cent_show_no_event() {
    for every in [1, 10, 60] {
        let plant = with_feeders(&FEEDERS, POWER_METER, every);
        let mut board = Board::of(&plant);
        board.run(4 * 3600, |meter, second| {
            let load = 1.0 + 0.5 * (second as f64 / 1700.0).sin();
            let branches = [[60.0, 55.0, 48.0], [35.0, 41.0, 38.0], [20.0, 12.0, 25.0]]
                .map(|amperes| Branch::drawing(amperes.map(|amperes| load * amperes), 0.9));
            solve([1.0; 3], &branches)[meter].read(1.0, second as u64 * 16 + meter as u64)
        });
        assert_eq!(board.lines(), Vec::<String>::new(), "meters of {every} s");
    }
}

/// The same contact takes 0.9 of 3.1 ohms: at 39 A it makes 1.4 kW of heat for six seconds (Joule's law), which warms a lug of 600 J/K
/// by 14 K at once and, every five minutes, by some 90 K in the mean. One bad connection: neither its sensor nor a second cause.
#[test]
fn a_contact_that_lets_go_heats_its_lug_and_is_one_finding() {
    let mut plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let points = "ambient_c termination_c.A termination_c.B termination_c.C";
    plant.meters.push(Meter { frozen_after: None, ..meter("MP-1 lugs", Target::Feeder(0), points, 10) });
    let mut board = Board::of(&plant);
    let lets_go = |second: i64| second >= 3600 && second % 300 < 6;
    let mut rise = [10.0, 9.0, 7.0];
    for second in 0..4 * 3600 {
        let ohms = if lets_go(second) { 0.9 } else { 0.0 };
        let amperes = [60.0, if ohms > 0.0 { 39.0 } else { 55.0 }, 48.0];
        for (phase, rise) in rise.iter_mut().enumerate() {
            let contact = 0.0009 + if phase == 1 { ohms } else { 0.0 };
            *rise += (amperes[phase] * amperes[phase] * contact - 0.3 * *rise) / 600.0;
        }
        let lugs = [25.0, 25.0 + rise[0], 25.0 + rise[1], 25.0 + rise[2]];
        board.run(
            1,
            |meter, second| if meter == 4 { lugs.to_vec() } else { hall(meter, second, ohms, [1.0; 3]) },
        );
    }
    assert!(rise[1] > 60.0, "{rise:?}");
    let lines = causes(&board);
    assert!(lines.iter().all(|line| line.contains("loose-connection intermittent at MP-1 B")), "{lines:?}");
}

/// MP-1 hangs on T2 by one breaker or on T3 by another. Where neither is known nor read, what falls with it may have come with its supply: told
/// as no more than perhaps, with what would tell it.
#[test]
fn a_break_at_a_feeder_whose_supply_is_not_known_is_told_as_no_more_than_perhaps() {
    let mut plant = with_feeders(&FEEDERS, POWER_METER, 1);
    plant.transformers.push(Transformer { name: "T3".to_owned(), ..plant.transformers[0].clone() });
    let flag = |number| Quantity::numbered(Measurand::BreakerClosed, Place::Whole, number);
    let state = |name: &str, number| State { name: name.to_owned(), meter: 4, flag: flag(number) };
    plant.states = vec![state("Q2", 1), state("Q3", 2)];
    let way = |from, state| Supply { from, when: Some(StateIs { state, on: true }) };
    plant.feeders[0].supplies = vec![way(SupplyFrom::Transformer(0), 0), way(SupplyFrom::Transformer(1), 1)];
    let breakers = Target::Transformer(1, SideOf::Secondary);
    let points = "breaker_closed.1 breaker_closed.2";
    plant.meters.push(Meter { frozen_after: None, ..meter("T3 breakers", breakers, points, 1) });
    let starts = [600, 2000, 3500, 5100];
    for (closed, known) in [([1.0, 0.0], true), ([f64::NAN; 2], false)] {
        let mut board = Board::of(&plant);
        board.run(6000, |meter, second| match meter {
            4 => closed.to_vec(),
            _ => hall(meter, second, if within(second, &starts, 4) { 0.6 } else { 0.0 }, [1.0; 3]),
        });
        let facts = &board.latest("loose-connection intermittent").expect("it is found").facts;
        assert_eq!(facts.confidence > 0.85, known, "{facts:?}");
        assert_eq!(facts.confidence <= 0.5, !known, "{facts:?}");
        assert_eq!(facts.lacks.contains(&Lack::States), !known, "{facts:?}");
    }
}
