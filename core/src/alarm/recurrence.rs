//! Short excursions that come again and again: found, counted and dated, however short the visit of a fault is.

use crate::output::Recurred;
use crate::plant::Bound;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// The most excursions that a rule may ask for. Bounds the memory of each rule to about a kilobyte.
pub const MOST_TIMES: u32 = 64;

/// What recurrence needs to know of its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecurrenceRule {
    /// Which way.
    pub bound: Bound,
    /// The first level's setpoint.
    pub setpoint: f64,
    /// Excursions are parted by a return past the setpoint by more than this.
    pub deadband: f64,
    /// How many make the alarm.
    pub times: u32,
    /// Within this span.
    pub within: Span,
    /// Shorter ones don't count.
    pub shortest: Span,
}

/// An excursion under way.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Open {
    start: EventTime,
    length: Span,
    peak: f64,
}

/// An excursion that ended and counts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Counted {
    /// First value past the setpoint.
    pub start: EventTime,
    /// Time that the values past it stand for.
    pub length: Span,
    /// Worst value.
    pub peak: f64,
}

/// Where the recurrence of one limit stands.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct RecurrenceState {
    open: Option<Open>,
    recent: VecDeque<Counted>,
    /// Measured time since the last counted excursion ended.
    quiet: Span,
    active: Option<Recurred>,
}

/// What a value did.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Seen {
    /// An excursion ended and counts.
    pub ended: Option<Counted>,
    /// The alarm.
    pub step: Option<Step>,
    /// When the alarm rises: the worst value of the excursions that made it.
    pub worst: Option<f64>,
}

/// What happened to the recurrence alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    /// It rises.
    Raise(Recurred),
    /// It stands and came again.
    Again(Recurred),
    /// It clears: its span was measured without an excursion. With when it was last seen.
    Clear(Recurred),
}

impl RecurrenceState {
    /// Takes one value measured at `at` that stands for `credit`. While a level of the limit holds (`level_holds`),
    /// it is not quiet.
    pub fn observe(
        &mut self,
        rule: &RecurrenceRule,
        (at, credit): (EventTime, Span),
        value: f64,
        level_holds: bool,
    ) -> Seen {
        let is_past = rule.bound.is_past(value, rule.setpoint);
        if let Some(active) = self.active.as_mut().filter(|_| is_past) {
            active.latest = active.latest.max(at);
        }
        if is_past {
            let open = self.open.get_or_insert(Open { start: at, length: Span::ZERO, peak: value });
            open.length += credit;
            open.peak = rule.bound.worse(open.peak, value);
            return Seen::default();
        }
        if let Some(open) = self.open {
            if !rule.bound.is_back(value, rule.setpoint, rule.deadband) {
                return Seen::default();
            }
            self.open = None;
            if open.length >= rule.shortest {
                let ended = Counted { start: open.start, length: open.length, peak: open.peak };
                let (step, worst) = self.count(rule, ended);
                return Seen { ended: Some(ended), step, worst };
            }
        }
        if level_holds {
            return Seen::default();
        }
        self.quiet += credit;
        let Some(active) = self.active.take_if(|_| self.quiet >= rule.within) else { return Seen::default() };
        self.recent.clear();
        Seen { step: Some(Step::Clear(active)), ..Seen::default() }
    }

    fn count(&mut self, rule: &RecurrenceRule, ended: Counted) -> (Option<Step>, Option<f64>) {
        self.quiet = Span::ZERO;
        if let Some(active) = &mut self.active {
            active.times = active.times.saturating_add(1);
            active.latest = active.latest.max(ended.start);
            active.shortest = active.shortest.min(ended.length);
            active.longest = active.longest.max(ended.length);
            return (Some(Step::Again(*active)), None);
        }
        self.recent.push_back(ended);
        while self.recent.len() > rule.times.clamp(1, MOST_TIMES) as usize
            || self.recent.front().is_some_and(|first| ended.start - first.start > rule.within)
        {
            self.recent.pop_front();
        }
        if self.recent.len() < rule.times.clamp(1, MOST_TIMES) as usize {
            return (None, None);
        }
        let worst = self.recent.iter().map(|one| one.peak).reduce(|one, other| rule.bound.worse(one, other));
        let recurred = Recurred {
            times: self.recent.len() as u32,
            since: self.recent.front().map_or(ended.start, |first| first.start),
            latest: ended.start,
            shortest: self.recent.iter().map(|one| one.length).min().unwrap_or(ended.length),
            longest: self.recent.iter().map(|one| one.length).max().unwrap_or(ended.length),
        };
        self.active = Some(recurred);
        (Some(Step::Raise(recurred)), worst)
    }

    /// After a restart without this memory: stands or not as the alarm does.
    pub fn align(&mut self, active: Option<Recurred>) {
        if self.active.is_some() != active.is_some() {
            self.active = active;
        }
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        if let Some(open) = &mut self.open {
            open.start += by;
        }
        for counted in &mut self.recent {
            counted.start += by;
        }
        if let Some(active) = &mut self.active {
            active.since += by;
            active.latest += by;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RULE: RecurrenceRule = RecurrenceRule {
        bound: Bound::High,
        setpoint: 2.0,
        deadband: 0.3,
        times: 3,
        within: Span::minutes(10),
        shortest: Span::seconds(2),
    };

    /// One value a second; each word is `value` or `value*seconds`.
    fn run(words: &str) -> Vec<String> {
        let mut state = RecurrenceState::default();
        let mut second = 0i64;
        let mut got = Vec::new();
        for word in words.split_whitespace() {
            let (value, times) = word.split_once('*').unwrap_or((word, "1"));
            for _ in 0..times.parse().unwrap() {
                let stands_for = (EventTime(second * 1000), Span::seconds(1));
                let seen = state.observe(&RULE, stands_for, value.parse().unwrap(), false);
                match seen.step {
                    Some(Step::Raise(recurred)) => {
                        got.push(format!("{second} raised {} times", recurred.times));
                    }
                    Some(Step::Again(recurred)) => got.push(format!("{second} again {}", recurred.times)),
                    Some(Step::Clear(_)) => got.push(format!("{second} cleared")),
                    None => {}
                }
                second += 1;
            }
        }
        got
    }

    #[test]
    fn three_short_excursions_raise_it_and_a_measured_quiet_span_clears_it() {
        assert_eq!(
            run("1*10 2.5*2 1*10 2.5*3 1*10 2.5*2 1*10 2.5*2 1*700"),
            ["37 raised 3 times", "49 again 4", "649 cleared"]
        );
    }

    #[test]
    fn an_excursion_of_one_second_is_too_short_to_count() {
        assert!(run("1 2.5 1 2.5 1 2.5 1 2.5 1").is_empty());
    }

    #[test]
    fn a_dip_inside_the_deadband_does_not_part_two_excursions() {
        assert!(run("1 2.5*2 1.8 2.5*2 1.8 2.5*2 1").is_empty());
    }

    #[test]
    fn excursions_further_apart_than_the_span_do_not_add_up() {
        assert!(run("1 2.5*2 1*400 2.5*2 1*400 2.5*2 1").is_empty());
    }
}
