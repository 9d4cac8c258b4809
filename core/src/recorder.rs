//! Decides which readings are kept as a recording: those around each moment at which a limit alarm rose.
//!
//! Core holds no readings. It says from when to when, once the last of them must have come; the store cuts them from
//! the readings that it keeps anyway. Spans of a scope never overlap, so nothing is kept twice: one that a new raise
//! falls into grows, and one that begins too near to another begins where that ends.

use crate::output::{Output, RecordingSpan, Rule};
use crate::plan::{GRID_STEP, MeterPlan, RecordingPlan};
use crate::plant::{Around, Priority};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The longest recording. An alarm that comes again and again gives several that adjoin: a quarter of an hour is as
/// much as a person looks at in one piece (common practice, no source).
pub const LONGEST: Span = Span::minutes(15);

/// The most time kept before or after one raise: two of them fit into the longest recording with room to grow.
pub const LONGEST_SIDE: Span = Span::minutes(5);

/// The most that readings are waited for after the end of a recording: one and a half intervals of the slowest meter
/// that is judged together with others (five minutes), and its step.
pub const LONGEST_SETTLING: Span = Span::minutes(8);

/// How far before the moment at which a recording is told its readings begin, at most: so long the store must keep
/// them. Its length, the time for late readings, and the time after a raise by a clock that lags.
pub const REACH: Span = Span(LONGEST.0 + LONGEST_SETTLING.0 + LONGEST_SIDE.0);

/// The most spans that are under way or remembered. One is under way as a rule, two while one just ended, and the last
/// few are remembered; more are under way only when meters' clocks lie far apart, and then the oldest ends early.
const MOST_SPANS: usize = 8;

impl RecordingPlan {
    /// For a scope with these meters, of which those at `across` (local) are judged together.
    pub(crate) fn new(around: Around, meters: &[MeterPlan], across: impl Iterator<Item = usize>) -> Self {
        let wait = meters.iter().map(|meter| meter.wait).max().unwrap_or(Span::ZERO);
        // A step across meters is judged when the slowest has passed it, and readings may wait for their order.
        let slowest = across.map(|local| meters[local].every).max();
        let step = slowest.map_or(Span::ZERO, |every| Span(every.times(3).0 / 2) + GRID_STEP);
        Self { around, settles: (wait + step).min(LONGEST_SETTLING) }
    }
}

/// Whether readings are kept around the raise of an alarm: by a limit, and for more than the digest. A meter that is
/// silent or stands still has no readings worth keeping.
pub(crate) fn is_recorded(rule: Rule, priority: Priority) -> bool {
    matches!(rule, Rule::Level { .. } | Rule::Recurrence { .. }) && priority > Priority::Journal
}

/// The recordings of one scope that are under way.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Recorder {
    /// In order of time. Those that were told are remembered while there is room: a late raise may fall into them.
    spans: Vec<Kept>,
    /// The time that the scope was last told, by the steady clock.
    #[serde(skip)]
    now: Option<EventTime>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Kept {
    span: RecordingSpan,
    /// When its readings have come, by the steady clock.
    due: EventTime,
    told: bool,
}

impl Recorder {
    /// What time it is, before anything is judged.
    pub(crate) fn at(&mut self, now: EventTime) {
        self.now = Some(now);
    }

    /// An alarm rose at `raised` in the time of its meter.
    pub(crate) fn raised(
        &mut self,
        plan: RecordingPlan,
        raised: EventTime,
        (scope, alarm, priority): (&str, String, Priority),
        out: &mut Vec<Output>,
    ) {
        let now = self.now.unwrap_or(raised);
        let Around { before, after } = plan.around;
        let mut span = RecordingSpan {
            scope: scope.to_owned(),
            alarm,
            from: raised - before,
            to: raised + after,
            priority,
        };
        // The clock of a meter may lag: what comes after the raise comes after now.
        let due = (raised + after).max(now + after) + plan.settles;
        let next = self.spans.partition_point(|kept| kept.span.from <= raised);
        if let Some(following) = self.spans.get(next) {
            span.to = span.to.min(following.span.from);
        }
        let (earlier, _) = self.spans.split_at_mut(next);
        if let Some((kept, before)) = earlier.split_last_mut() {
            if raised >= kept.span.to {
                span.from = span.from.max(kept.span.to);
            } else if kept.told {
                return;
            } else {
                span.from = before.last().map_or(span.from, |before| span.from.max(before.span.to));
                if span.to - kept.span.from <= LONGEST {
                    kept.grow(span, due);
                    return;
                }
                // It is as long as it may be: it ends here, after all that rose in it, and the next begins here.
                span.from = raised;
                kept.span.to = raised;
            }
        }
        self.spans.insert(next, Kept { span, due, told: false });
        if self.spans.len() > MOST_SPANS {
            let told = self.spans.iter().position(|kept| kept.told);
            self.spans.remove(told.unwrap_or(0)).tell(out);
        }
    }

    /// Tells those whose readings have come by `now`.
    pub(crate) fn tell(&mut self, now: EventTime, out: &mut Vec<Output>) {
        self.spans.iter_mut().filter(|kept| kept.due <= now).for_each(|kept| kept.tell(out));
    }

    /// Tells all at once and forgets them, as before a correction of the clock: what comes is stamped by another time.
    pub(crate) fn break_off(&mut self, out: &mut Vec<Output>) {
        self.spans.drain(..).for_each(|mut kept| kept.tell(out));
    }

    /// When the next is to be told.
    pub(crate) fn next_deadline(&self) -> Option<EventTime> {
        self.spans.iter().filter(|kept| !kept.told).map(|kept| kept.due).min()
    }
}

impl Kept {
    /// Another raise falls into it. A late one may reach further back.
    fn grow(&mut self, by: RecordingSpan, due: EventTime) {
        self.span.to = self.span.to.max(by.to);
        if self.span.to - by.from <= LONGEST {
            self.span.from = self.span.from.min(by.from);
        }
        self.due = self.due.max(due);
        if by.priority > self.span.priority {
            (self.span.alarm, self.span.priority) = (by.alarm, by.priority);
        }
    }

    fn tell(&mut self, out: &mut Vec<Output>) {
        if !std::mem::replace(&mut self.told, true) {
            out.push(Output::Recording(self.span.clone()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: RecordingPlan = RecordingPlan { around: Around::USUAL, settles: Span::seconds(5) };

    /// Raises at these seconds, each heard so many seconds later; what is told and when, in seconds.
    fn check(raises: &str, expected: &str) {
        let (mut recorder, mut out, mut told) = (Recorder::default(), Vec::new(), Vec::new());
        for (number, raise) in raises.split(", ").enumerate() {
            let (second, late) = raise.split_once('+').unwrap_or((raise, "0"));
            let raised = EventTime(0) + Span::seconds(second.parse().unwrap());
            let now = raised + Span::seconds(late.parse().unwrap());
            drain(&mut recorder, now, &mut out, &mut told);
            recorder.at(now);
            let priority = if number == 1 { Priority::Urgent } else { Priority::Low };
            recorder.raised(PLAN, raised, ("T2", format!("#{number}"), priority), &mut out);
        }
        drain(&mut recorder, EventTime(i64::MAX), &mut out, &mut told);
        assert_eq!(told.join(", "), expected, "{raises}");
    }

    fn drain(recorder: &mut Recorder, until: EventTime, out: &mut Vec<Output>, told: &mut Vec<String>) {
        while let Some(due) = recorder.next_deadline().filter(|due| *due <= until) {
            recorder.tell(due, out);
            for output in out.drain(..) {
                let Output::Recording(span) = output else { panic!("a recording") };
                let [from, to, at] = [span.from, span.to, due].map(|time| time.0 / 1000);
                told.push(format!("{} {from}..{to} at {at}", span.alarm));
            }
        }
    }

    #[test]
    fn two_minutes_on_both_sides_told_when_late_readings_have_come() {
        check("600", "#0 480..720 at 725");
    }

    #[test]
    fn raises_within_one_belong_to_it_and_the_most_urgent_gives_its_name() {
        check("600, 700, 710", "#1 480..830 at 835");
    }

    #[test]
    fn a_late_raise_reaches_further_back() {
        check("600, 550+60", "#1 430..720 at 735");
    }

    #[test]
    fn one_that_begins_before_the_last_has_ended_adjoins_it() {
        check("600, 730", "#0 480..720 at 725, #1 720..850 at 855");
    }

    #[test]
    fn after_a_quarter_of_an_hour_the_next_one_begins() {
        check(
            "600, 700, 800, 900, 1000, 1100, 1200, 1300, 1400",
            "#1 480..1300 at 1325, #7 1300..1520 at 1525",
        );
    }

    #[test]
    fn a_clock_that_lags_is_waited_for() {
        check("600+3600", "#0 480..720 at 4325");
    }

    #[test]
    fn a_late_raise_within_a_recording_that_was_told_is_in_it() {
        check("600, 650+200", "#0 480..720 at 725");
    }

    #[test]
    fn clocks_that_lie_far_apart_have_recordings_of_their_own_and_not_without_bound() {
        check("9000, 600+8401", "#0 8880..9120 at 9125, #1 480..720 at 9126");
        let (mut recorder, mut out) = (Recorder::default(), Vec::new());
        for hour in 0..20 {
            recorder.at(EventTime(0));
            let raised = EventTime(0) + Span::hours(hour);
            recorder.raised(PLAN, raised, ("T2", String::new(), Priority::Low), &mut out);
        }
        assert_eq!((recorder.spans.len(), out.len()), (MOST_SPANS, 20 - MOST_SPANS));
    }

    #[test]
    fn the_longest_sides_fit_into_the_longest_recording() {
        assert!(LONGEST_SIDE + LONGEST_SIDE <= LONGEST);
        assert!(Around::USUAL.before <= LONGEST_SIDE && Around::USUAL.after <= LONGEST_SIDE);
    }
}
