//! Windows and minute panes against a recomputation from the raw samples that shares no code with them.

use crate::afternoon::brisk_plan;
use crate::cannery::{MP1, START};
use kvarden_core::input::Input;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{Closed, Output};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::rolling::{PANES, Rolling};
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Cadence;
use proptest::prelude::*;

/// One raw sample: its time in milliseconds and its value.
type Raw = (i64, f64);

/// How long each sample stands for: since the one before, but one interval for the first and after a gap.
fn naive_credits(raw: &[i64], every: i64) -> Vec<i64> {
    let mut credits = vec![every];
    for pair in raw.windows(2) {
        let since = pair[1] - pair[0];
        credits.push(if since as f64 <= 1.5 * every as f64 { since } else { every });
    }
    credits
}

fn naive_mean(samples: &[(Raw, i64)], from: i64, to: i64) -> (f64, i64) {
    let inside = samples.iter().filter(|((at, _), _)| (from..to).contains(at));
    let (mut sum, mut covered) = (0.0, 0);
    for ((_, value), credit) in inside {
        sum += value * *credit as f64;
        covered += credit;
    }
    (sum / covered as f64, covered)
}

fn near(one: f64, other: f64) -> bool {
    (one - other).abs() <= 1e-9 * one.abs().max(1.0)
}

/// Gaps mostly of an interval, some of a few, some of many.
fn stamps(every: i64) -> impl Strategy<Value = Vec<i64>> {
    let gap = prop_oneof![
        12 => Just(every),
        3 => every / 2..2 * every,
        1 => 2 * every..90 * every,
    ];
    (0..120_000i64, prop::collection::vec(gap, 20..400)).prop_map(|(first, gaps)| {
        let mut at = START.0 + first;
        let mut stamps = vec![at];
        for gap in gaps {
            at += gap.max(1);
            stamps.push(at);
        }
        stamps
    })
}

proptest! {
    #[test]
    fn a_window_is_the_weighted_mean_of_what_lies_in_it(
        raw in stamps(1000),
        length in prop_oneof![Just(10i64), Just(60), Just(90), Just(600), Just(7)],
        values in prop::collection::vec(prop_oneof![9 => (-500.0f64..500.0).prop_map(Some), 1 => Just(None)], 401),
    ) {
        let credits = naive_credits(&raw, 1000);
        let given = raw.iter().zip(&values).zip(&credits);
        let samples: Vec<(usize, (Raw, i64))> = given.enumerate()
            .filter_map(|(index, ((at, value), credit))| Some((index, ((*at, (*value)?), *credit))))
            .collect();
        let mut windows = Rolling::new(Span::seconds(length), 2, 0);
        let mut cadence = Cadence::NEW;
        let step = windows.step().0;
        let panes = length.min(PANES as i64);
        prop_assert_eq!(step * panes, length * 1000, "the panes fill the window");
        for (index, (at, value)) in raw.iter().zip(&values).enumerate() {
            let credit = cadence.credit(EventTime(*at), Span::seconds(1));
            windows.advance(EventTime(*at));
            if windows.is_any_due() && windows.take_due(1) {
                let end = windows.end().unwrap();
                prop_assert_eq!(end.0 % step, 0);
                prop_assert!(end.0 <= *at && at - end.0 < step, "the latest end");
                let before: Vec<(Raw, i64)> =
                    samples.iter().take_while(|(known, _)| *known < index).map(|(_, sample)| *sample).collect();
                let (mean, covered) = naive_mean(&before, end.0 - length * 1000, end.0);
                let enough = covered as f64 >= 0.8 * (length * 1000) as f64;
                prop_assert_eq!(windows.mean(1).is_some(), enough, "covered {} ms of {} s", covered, length);
                if let Some(got) = windows.mean(1) {
                    // Two hundred roundings of sums of values up to 500, at most.
                    prop_assert!((got - mean).abs() <= 500.0 * 200.0 * f64::EPSILON, "{} is not {}", got, mean);
                }
            }
            windows.note_due();
            windows.push(&[1, 0], &[Sample::from(*value), Sample::new(1.0)], credit);
        }
    }

    #[test]
    fn a_minute_is_the_weighted_mean_of_its_samples(
        raw in stamps(1000),
        values in prop::collection::vec(prop_oneof![6 => (0.0f64..70.0).prop_map(Some), 1 => Just(None)], 401),
    ) {
        let credits = naive_credits(&raw, 1000);
        let mut monitor = Monitor::new(brisk_plan());
        let mut out = Vec::new();
        for (index, (at, value)) in raw.iter().zip(&values).enumerate() {
            // Phase B tells readings apart, so that none is taken for frozen.
            let samples = [Sample::from(*value), Sample::new(20.0 + (index % 9) as f64), Sample::ABSENT];
            let reading = Reading { meter: MeterId(MP1 as u32), at: EventTime(*at), values: &samples };
            monitor.observe(EventTime(*at), Input::Reading(reading), &mut out);
        }
        let end = *raw.last().unwrap();
        monitor.advance(EventTime(end + 200_000), &mut out);
        let minutes: Vec<&Closed> = out
            .iter()
            .filter_map(|output| match output {
                Output::Minute(closed) if closed.meter.0 == MP1 as u32 => Some(closed),
                _ => None,
            })
            .collect();
        let mut starts: Vec<i64> = raw.iter().map(|at| at - at % 60_000).collect();
        starts.dedup();
        let told: Vec<i64> = minutes.iter().map(|closed| closed.minute.0).collect();
        prop_assert_eq!(told, starts, "each minute with a sample once, in order");
        for closed in minutes {
            let from = closed.minute.0;
            let mine: Vec<(Raw, i64)> = raw.iter().zip(&values).zip(&credits)
                .filter_map(|((at, value), credit)| Some(((*at, (*value)?), *credit)))
                .filter(|((at, _), _)| (from..from + 60_000).contains(at))
                .collect();
            let pane = &closed.panes[0];
            prop_assert_eq!(pane.count as usize, mine.len());
            let (mean, covered) = naive_mean(&mine, from, from + 60_000);
            prop_assert_eq!(i64::from(pane.covered_ms), covered);
            let largest = mine.iter().map(|((_, value), _)| *value).max_by(f64::total_cmp);
            let least = mine.iter().map(|((_, value), _)| *value).min_by(f64::total_cmp);
            prop_assert_eq!((pane.max(), pane.min()), (largest, least));
            let squares: f64 = mine.iter().map(|((_, value), credit)| value * value * *credit as f64).sum();
            match (pane.mean(), pane.rms()) {
                (Some(got), Some(rms)) => {
                    prop_assert!(near(got, mean), "{} is not {}", got, mean);
                    prop_assert!(near(rms, (squares / covered as f64).sqrt()));
                }
                absent => prop_assert_eq!((absent, mine.len()), ((None, None), 0)),
            }
            prop_assert_eq!(closed.panes[2].mean(), None, "what the meter does not give is absent, not zero");
        }
    }
}
