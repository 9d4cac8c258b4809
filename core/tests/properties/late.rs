//! A shuffling publisher: its messages come in any order, twice, and late by any time. What is judged is what would have
//! been judged without the late ones; of what was measured nothing is lost and nothing counts twice; and a restart
//! anywhere changes nothing.

use crate::afternoon::{Step, apply, brisk_plan, bytes, restarted};
use crate::cannery::{MP3, at, healthy};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{Matter, Output, Refusal, Subject};
use kvarden_core::reading::Sample;
use kvarden_core::sequencer::{Sequencer, Taken};
use kvarden_core::time::{EventTime, Span};
use proptest::prelude::*;
use std::collections::BTreeMap;

const SECONDS: i64 = 240;

/// What one message of MP-3 goes through: how late it is, how long after it comes once more, and how many amperes.
type Fate = (i64, Option<i64>, f64);

fn fates() -> impl Strategy<Value = Vec<Fate>> {
    let delay = prop_oneof![6 => 0i64..2900, 2 => 2900i64..20_000, 1 => 20_000i64..150_000];
    let again = prop::option::weighted(0.3, 0i64..60_000);
    let amperes = prop_oneof![3 => 20.0f64..60.0, 1 => 81.0f64..95.0];
    prop::collection::vec((delay, again, amperes), SECONDS as usize)
}

/// In the order of receipt. The first message is not late, so that there is nothing before it.
fn steps(fates: &[Fate]) -> Vec<Step> {
    let mut steps = Vec::new();
    for (second, (delay, again, amperes)) in (0..).zip(fates) {
        let mut values = healthy(MP3, second);
        (values[0], values[2]) = (*amperes, 32.0 + 0.001 * second as f64);
        let values: Vec<Sample> = values.into_iter().map(Sample::new).collect();
        let first = at(second) + Span(if second < 5 { 0 } else { *delay });
        let times = [Some(first), again.map(|again| first + Span(again))];
        for now in times.into_iter().flatten() {
            steps.push(Step::Reading { now, meter: MP3, stamp: at(second), values: values.clone() });
        }
    }
    // In the end it speaks in order, so that all minutes are closed.
    for second in SECONDS + 400..SECONDS + 470 {
        let values = healthy(MP3, second).into_iter().map(Sample::new).collect();
        steps.push(Step::Reading { now: at(second), meter: MP3, stamp: at(second), values });
    }
    steps.sort_by_key(Step::now);
    steps
}

fn all(steps: &[Step]) -> Vec<Output> {
    let (mut monitor, mut out) = (Monitor::new(brisk_plan()), Vec::new());
    for step in steps {
        apply(&mut monitor, step, &mut out);
    }
    out
}

/// Samples, least and largest of phase A by minute, of what was judged and what came late.
fn by_minute(outputs: &[Output]) -> BTreeMap<EventTime, (u32, f64, f64)> {
    let mut minutes = BTreeMap::new();
    for output in outputs {
        let Output::Minute(closed) = output else { continue };
        let pane = closed.panes[0];
        if closed.meter.0 as usize == MP3 && pane.count > 0 {
            let known = minutes.entry(closed.minute).or_insert((0, f64::INFINITY, f64::NEG_INFINITY));
            let (least, most) = (pane.min().expect("a sample"), pane.max().expect("a sample"));
            *known = (known.0 + pane.count, known.1.min(least), known.2.max(most));
        }
    }
    minutes
}

/// The steps without those that the door refuses.
fn judged_only(steps: &[Step]) -> Vec<Step> {
    let wait = brisk_plan().scopes[0].meters[MP3].wait;
    let mut door = Sequencer::new();
    let mut room = vec![Sample::ABSENT; healthy(MP3, 0).len()];
    let mut passes = |step: &&Step| {
        let Step::Reading { now, stamp, values, .. } = step else { return false };
        while door.release(*now, wait, &mut room).is_some() {}
        let taken = door.take(*now, *stamp, values, wait);
        while door.release(*now, wait, &mut room).is_some() {}
        !matches!(taken, Taken::Refused(_))
    };
    steps.iter().filter(|step| passes(step)).cloned().collect()
}

fn judgements(outputs: Vec<Output>) -> Vec<Output> {
    // Silence is about messages: one that comes twice within the wait is heard twice. So is a flood, which counts such alarms too.
    let is_left_out = |subject: &Subject| matches!(subject.matter, Matter::Meter | Matter::Flood);
    let is_judged = |output: &Output| match output {
        Output::Alarm(change) => !is_left_out(&change.subject),
        Output::Alert(revision) => !is_left_out(&revision.subject),
        Output::Excursion(_) => true,
        _ => false,
    };
    outputs.into_iter().filter(is_judged).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Seen to fail when a stamp that was there before was taken again, when a late reading was judged, when each one was taken
    /// for one of a gap, and when a filled gap stayed one.
    #[test]
    fn nothing_is_lost_or_counted_twice_and_nothing_late_is_judged(fates in fates()) {
        let steps = steps(&fates);
        let outputs = all(&steps);
        let mut naive: BTreeMap<EventTime, (u32, f64, f64)> = BTreeMap::new();
        for (second, (.., amperes)) in (0..).zip(&fates) {
            let known = naive.entry(at(second - second % 60)).or_insert((0, f64::INFINITY, f64::NEG_INFINITY));
            *known = (known.0 + 1, known.1.min(*amperes), known.2.max(*amperes));
        }
        let mut told = by_minute(&outputs);
        told.retain(|minute, _| *minute < at(SECONDS));
        prop_assert_eq!(told, naive);
        let only = judged_only(&steps);
        let late = outputs.iter().any(|output| matches!(output, Output::Refused(one) if one.why == Refusal::OnlyHistory));
        prop_assert!(!late || only.len() < steps.len());
        prop_assert!(judgements(outputs) == judgements(all(&only)), "what is late was judged");
    }

    /// Seen to fail without the gaps in `SavedMeter`.
    #[test]
    fn a_restart_anywhere_changes_nothing_of_what_comes_late(fates in fates(), place in any::<prop::sample::Index>()) {
        let steps = steps(&fates);
        let cut = place.index(steps.len());
        let (mut monitor, mut out) = (Monitor::new(brisk_plan()), Vec::new());
        steps[..cut].iter().for_each(|step| apply(&mut monitor, step, &mut out));
        let mut monitor = restarted(brisk_plan(), &bytes(&monitor), &mut out);
        steps[cut..].iter().for_each(|step| apply(&mut monitor, step, &mut out));
        prop_assert!(out == all(&steps), "the outputs differ");
    }
}
