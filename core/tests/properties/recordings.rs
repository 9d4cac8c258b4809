//! Recordings: each raise of a limit alarm lies in exactly one, they don't overlap, and none is without bound.

use crate::afternoon::{Step, afternoon, brisk_plan, run};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{Change, ChangeKind, Output, RecordingSpan, Rule};
use kvarden_core::plant::{Around, Priority};
use kvarden_core::recorder::{LONGEST, LONGEST_SETTLING};
use kvarden_core::time::{EventTime, Span};
use proptest::prelude::*;

fn is_recorded(change: &Change) -> bool {
    let of_a_limit = matches!(change.rule, Rule::Level { .. } | Rule::Recurrence { .. });
    change.what == ChangeKind::Raised && of_a_limit && change.priority > Priority::Journal
}

proptest! {
    // Seen to fail when a raise at the very end of a span was counted to it, when one did not begin where the one before
    // ends, and when a long one did not end where the next begins.
    #[test]
    fn every_raise_lies_in_exactly_one(day in afternoon(true), hours in prop::collection::vec(0i64..3000, 1..8)) {
        let mut monitor = Monitor::new(brisk_plan());
        let mut out = Vec::new();
        // The same afternoon some times over, now and then close after the one before.
        let steps = day.plain_steps();
        let mut shift = Span::ZERO;
        for pause in &hours {
            let steps: Vec<_> = steps.iter().map(|step| step.later(shift)).collect();
            out.extend(run(&mut monitor, &steps));
            shift += Span::seconds(150 + *pause);
        }
        let end = steps.last().map_or(EventTime(0), Step::now) + shift + LONGEST + LONGEST_SETTLING;
        monitor.advance(end, &mut out);
        let spans: Vec<&RecordingSpan> = out.iter().filter_map(|output| match output {
            Output::Recording(span) => Some(span),
            _ => None,
        }).collect();
        let raises: Vec<&Change> = out.iter().filter_map(|output| match output {
            Output::Alarm(change) if is_recorded(change) => Some(change),
            _ => None,
        }).collect();
        for raise in &raises {
            let inside = spans.iter().filter(|span| span.from <= raise.at && raise.at < span.to).count();
            prop_assert_eq!(inside, 1, "{} at {:?} of {:#?}", raise.alarm, raise.at, spans);
        }
        for (index, span) in spans.iter().enumerate() {
            prop_assert!(span.from < span.to && span.to - span.from <= LONGEST, "{:?}", span);
            let overlaps = |other: &&RecordingSpan| span.from < other.to && other.from < span.to;
            prop_assert!(!spans[..index].iter().any(overlaps), "{:#?}", spans);
            let named = raises.iter().find(|raise| raise.alarm == span.alarm);
            let raised = named.map(|raise| (raise.at, raise.priority));
            prop_assert!(
                raised.is_some_and(|(at, priority)| span.from <= at && at < span.to && priority == span.priority),
                "{:?}", span
            );
            // Nothing is left out around a raise that no neighbour has.
            let whole = raised.is_some_and(|(at, _)| {
                let before = at - Around::USUAL.before;
                span.from <= before || spans.iter().any(|other| other.to == span.from)
            });
            prop_assert!(whole, "{:#?}", spans);
        }
    }
}

// A property of nothing holds always.
#[test]
fn afternoons_have_recordings_of_several_raises() {
    use proptest::strategy::ValueTree;
    use proptest::test_runner::TestRunner;
    let mut runner = TestRunner::deterministic();
    let mut of_several = 0;
    for _ in 0..50 {
        let day = afternoon(true).new_tree(&mut runner).unwrap().current();
        let mut monitor = Monitor::new(brisk_plan());
        let mut out = run(&mut monitor, &day.plain_steps());
        monitor.advance(day.plain_steps().last().unwrap().now() + LONGEST, &mut out);
        let raises =
            out.iter().filter(|one| matches!(one, Output::Alarm(change) if is_recorded(change))).count();
        let spans = out.iter().filter(|one| matches!(one, Output::Recording(_))).count();
        of_several += usize::from(spans > 0 && raises > spans);
    }
    assert!(of_several >= 25, "{of_several}");
}
