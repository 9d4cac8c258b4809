//! What comes and goes over days, and what is told when volts come back. Counts by hand; times are common practice, no source.

use crate::board::{Board, POWER_METER, with_feeders};
use crate::cannery::meter;
use crate::circuit::{Branch, solve};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::plant::{Plant, SideOf, State, StateIs, Supply, SupplyFrom, Target};
use kvarden_core::supply::{Source, SourceKind};

fn hall(meter: usize, second: i64, ohms: f64, source: [f64; 3]) -> Vec<f64> {
    let branches = [
        Branch::drawing([60.0, 55.0, 48.0], 0.95).with_contact(1, ohms),
        Branch::drawing([35.0, 41.0, 38.0], 0.85),
    ];
    solve(source, &branches)[meter].read(0.3, second as u64 * 16 + meter as u64)
}

/// Twice on the first day, three times on the second, an hour apart: growth from day to day, and about every hour.
#[test]
fn a_contact_that_lets_go_more_often_each_day_says_so_and_how_regularly() {
    let starts = [2, 3, 26, 27, 28].map(|hour| hour * 3600);
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], POWER_METER, 5));
    board.run(28 * 3600 + 600, |meter, second| {
        let gone = starts.iter().any(|start| (*start..*start + 9).contains(&second));
        hall(meter, second, if gone { 0.6 } else { 0.0 }, [1.0; 3])
    });
    let found = board.latest("loose-connection intermittent").expect("it is found");
    assert_eq!(found.facts.feeder.as_deref(), Some("MP-1"));
    let pattern = found.facts.pattern.as_ref().expect("it comes again");
    assert_eq!((pattern.times, pattern.days), (5, Some((3, 2))), "{pattern:?}");
    assert_eq!(pattern.every.map(|every| every.0 / 1000), Some(3600), "{pattern:?}");
}

/// All volts are gone for five minutes and come back with a surge in all phases, dying away within two seconds: no fault, no sag, no
/// lost phase, and no load that started.
#[test]
fn volts_that_come_back_after_a_break_are_no_fault() {
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], POWER_METER, 1));
    board.run(1800, |meter, second| match second {
        600..900 => vec![0.0; 13],
        900..902 => {
            let surge = hall(meter, second, 0.0, [0.9, 0.95, 0.93]);
            let times =
                |channel: usize| if (6..9).contains(&channel) { 4.0 - channel as f64 / 4.0 } else { 1.0 };
            surge.iter().enumerate().map(|(channel, value)| value * times(channel)).collect()
        }
        _ => hall(meter, second, 0.0, [1.0; 3]),
    });
    let faults: Vec<String> = board.lines().into_iter().filter(|line| !line.contains(" event ")).collect();
    assert!(faults.is_empty(), "{faults:?}");
}

/// T2 by a transfer switch on the grid or on a generator, with a module that reads it.
fn with_a_switch() -> Plant {
    let mut plant = with_feeders(&["MP-1", "MP-2"], POWER_METER, 1);
    let source = |name: &str, kind| Source { name: name.to_owned(), kind };
    plant.sources = vec![source("Grid", SourceKind::Utility), source("Generator", SourceKind::Generator)];
    let flag = Quantity::whole(Measurand::TransferToEmergency);
    plant.states = vec![State { name: "ATS".to_owned(), meter: plant.meters.len(), flag }];
    let way = |from, on| Supply { from: SupplyFrom::Source(from), when: Some(StateIs { state: 0, on }) };
    plant.transformers[0].supplies = vec![way(0, false), way(1, true)];
    let module = meter("T2 switch", Target::Transformer(0, SideOf::Secondary), "transfer_to_emergency", 1);
    plant.meters.push(kvarden_core::plant::Meter { frozen_after: None, ..module });
    plant
}

/// Volts are gone for five seconds. Where the transfer switch goes over within them it was the switch; where it stays, or follows after the
/// ten seconds in which a generator starts (NFPA 110, type 10, from memory), the supply.
// Seen to fail without the look at transfers, and with one of any age.
#[test]
fn the_break_of_a_transfer_is_no_interruption_of_the_supply() {
    let told = |over: Option<i64>, gone: i64| {
        let mut board = Board::of(&with_a_switch());
        board.run(1800, |meter, second| match meter {
            3 => vec![f64::from(u8::from(over.is_some_and(|over| second >= over)))],
            _ if (900..900 + gone).contains(&second) => vec![0.0; 13],
            _ => hall(meter, second, 0.0, [1.0; 3]),
        });
        board.lines().iter().any(|line| line.contains("found supply sag"))
    };
    assert!(!told(Some(901), 5), "the switch went over");
    assert!(told(None, 5), "nothing went over");
    assert!(told(Some(911), 12), "the generator had to start first");
}
