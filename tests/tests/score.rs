//! The scored suite in short: its figures are counted, and a wrong label shows in them. How good they are is told by the
//! long form (`score --help`), not by a test.

use kvarden_demo::trial::meters::Kind;
use kvarden_demo::trial::scenes::{Truth, names};
use kvarden_tests::score::{Choice, FIRST_REPORTING_SEED, Figures, Heard, Seeds, Told, run, table};

const HOUR: i64 = 3_600_000;

fn choice(only: &str) -> Choice {
    let only = only.to_owned();
    Choice { only, from: 1, seeds: 1, which: Seeds::Tuning, kinds: vec![Kind::Full], threads: 2 }
}

/// A truth that was told as it is, after two minutes.
fn told_right() -> Heard {
    let truth = Truth {
        cause: "loose-connection",
        variant: "steady",
        feeder: Some("MB-12".to_owned()),
        phase: Some("B"),
        from: 10 * HOUR,
        until: 20 * HOUR,
        hidden: None,
        everywhere: false,
        also: &[],
    };
    let told = Told {
        cause: "loose-connection".to_owned(),
        variant: "steady".to_owned(),
        transformer: "T1".to_owned(),
        feeder: truth.feeder.clone(),
        phase: Some("B".to_owned()),
        raised: truth.from + 120_000,
        ended: None,
        confidence: 0.9,
        proof: String::new(),
    };
    Heard {
        name: "loose-connection-steady",
        seed: 1,
        kind: Kind::Full,
        truths: vec![truth],
        struck: "T1".to_owned(),
        transformer_days: 1.0,
        told: vec![told],
    }
}

fn f1(heard: &Heard) -> f64 {
    Figures::of([heard]).macro_f1().expect("it has a truth")
}

#[test]
fn what_is_told_as_it_is_counts_as_right() {
    let figures = Figures::of([&told_right()]);
    assert!((figures.macro_f1().unwrap() - 1.0).abs() < 1e-12);
    assert_eq!((figures.feeders, figures.phases, figures.beside), ((1, 1), (1, 1), 0));
    assert_eq!(figures.delays_s, [120.0]);
    assert!(table("one", &figures).contains("1 of 1 (100.0 %)"));
}

#[test]
fn a_wrong_label_shows_in_every_figure_that_it_concerns() {
    let mut variant = told_right();
    "intermittent".clone_into(&mut variant.told[0].variant);
    assert!(f1(&variant) < 1e-12);
    let figures = Figures::of([&variant]);
    assert!((figures.family_f1().unwrap() - 1.0).abs() < 1e-12, "the family is right");
    let confused = ("loose-connection/steady".to_owned(), "loose-connection/intermittent".to_owned());
    assert_eq!(figures.confusion.get(&confused), Some(&1));
    assert_eq!(figures.beside, 1);

    let mut elsewhere = told_right();
    elsewhere.told[0].feeder = Some("MB-11".to_owned());
    elsewhere.told[0].phase = Some("C".to_owned());
    let figures = Figures::of([&elsewhere]);
    assert_eq!((figures.feeders, figures.phases), ((1, 0), (1, 0)));

    let mut other_unit = told_right();
    "T2".clone_into(&mut other_unit.told[0].transformer);
    assert!(f1(&other_unit) < 1e-12);

    let mut too_early = told_right();
    too_early.told[0].raised = too_early.truths[0].from - HOUR;
    assert!(f1(&too_early) < 1e-12, "a finding before its cause is another one");

    let mut healthy = told_right();
    healthy.truths.clear();
    let figures = Figures::of([&healthy]);
    assert_eq!(figures.healthy, (1, 1.0));
    assert_eq!(figures.macro_f1(), None);
}

#[test]
fn what_is_true_with_a_cause_is_not_wrong_and_does_not_stand_for_it() {
    let mut both = told_right();
    both.truths[0].also = &[("unbalance", "load")];
    both.told.push(Told {
        cause: "unbalance".to_owned(),
        variant: "load".to_owned(),
        ..both.told[0].clone()
    });
    assert_eq!(Figures::of([&both]).beside, 0);
    both.told.remove(0);
    assert!(f1(&both) < 1e-12);
}

/// What comes with the supply is true of every transformer of the plant.
#[test]
fn a_neighbour_that_tells_of_the_supply_is_right() {
    let mut both = told_right();
    both.truths[0].everywhere = true;
    both.told.push(Told { transformer: "T2".to_owned(), ..both.told[0].clone() });
    assert_eq!(Figures::of([&both]).beside, 0);
    both.truths[0].everywhere = false;
    assert_eq!(Figures::of([&both]).beside, 1);
}

/// Of two that were told with 0.9 and 0.95 one is right.
#[test]
fn confidence_is_held_against_what_is_right_by_tenths() {
    let mut heard = told_right();
    heard.told.push(Told { cause: "cooling".to_owned(), confidence: 0.95, ..heard.told[0].clone() });
    let bin = Figures::of([&heard]).confidence[9];
    assert_eq!((bin.told, bin.right), (2, 1));
    assert!((bin.sum - 1.85).abs() < 1e-12);
}

#[test]
fn what_meters_cannot_show_is_counted_apart_and_repeats_are_seen() {
    let mut hidden = told_right();
    hidden.truths[0].hidden = Some("no sensor");
    hidden.told.clear();
    let figures = Figures::of([&hidden]);
    assert_eq!((figures.hidden, figures.macro_f1()), ((1, 0), None));

    let mut again = told_right();
    again.told[0].ended = Some(12 * HOUR);
    again.told.push(Told { raised: 12 * HOUR + 600_000, ended: None, ..again.told[0].clone() });
    assert_eq!(Figures::of([&again]).repeats, 1);
    again.told[1].raised = 14 * HOUR;
    assert_eq!(Figures::of([&again]).repeats, 0);
}

#[test]
fn some_scenarios_run_through_the_monitor_and_are_counted() {
    let mut heard = run(&choice("overload-one")).unwrap();
    heard.extend(run(&choice("healthy-plain")).unwrap());
    let figures = Figures::of(&heard);
    assert_eq!(figures.scenarios, 2);
    let truths: u32 = figures.classes.values().map(|class| class.found + class.missed).sum();
    assert_eq!(truths, 1, "{figures:?}");
    assert!(figures.healthy.1 > 1.0, "{figures:?}");
    // Whatever is told, it is in the confusion: one line for the truth, and one or more for the healthy day.
    assert!(figures.confusion.values().sum::<u32>() >= 2, "{figures:?}");
    let one_at_a_time = run(&Choice { threads: 1, ..choice("healthy-plain") }).unwrap();
    assert_eq!(one_at_a_time[0].told, heard[1].told);
}

#[test]
fn seeds_for_reporting_lie_apart_and_every_cause_has_scenarios() {
    const { assert!(FIRST_REPORTING_SEED > 100_000) };
    let all: Vec<&str> = names().collect();
    for cause in kvarden_core::diagnosis::Cause::ALL {
        let name = format!("{}-{}", cause.family().key(), cause.key());
        assert!(all.contains(&name.as_str()), "{name} has no scenario");
    }
}
