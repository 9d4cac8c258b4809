//! One level of one limit: setpoint, deadband, on-delay and off-delay, in the meter's own time.
//!
//! Only a value can raise or clear. An absent value breaks neither delay, it only adds nothing to them.

use crate::plant::Bound;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// What a level needs to know of its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelRule {
    /// Which way.
    pub bound: Bound,
    /// In the measurand's unit.
    pub setpoint: f64,
    /// In the measurand's unit.
    pub deadband: f64,
    /// How long it must be past the setpoint, counted from the first value past it.
    pub on_delay: Span,
    /// How long it must be back, counted from the first value back by more than the deadband.
    pub off_delay: Span,
}

/// Where one level stands.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub enum LevelState {
    /// Not past the setpoint.
    #[default]
    Normal,
    /// Past the setpoint, not yet for the on-delay.
    Rising {
        /// First value past the setpoint.
        since: EventTime,
        /// Measured time past it so far.
        held: Span,
        /// Worst value so far.
        peak: f64,
    },
    /// Raised.
    Active,
    /// Raised, and back by more than the deadband, not yet for the off-delay.
    Falling {
        /// Measured time back so far.
        held: Span,
    },
}

/// What a value did to a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    /// It rises now.
    Raise {
        /// First value past the setpoint.
        since: EventTime,
        /// Worst value since then.
        peak: f64,
    },
    /// It clears now.
    Clear,
}

impl LevelState {
    /// Takes one value measured at `at` that stands for `credit`.
    pub fn observe(&mut self, rule: &LevelRule, at: EventTime, value: f64, credit: Span) -> Option<Step> {
        let past = rule.bound.is_past(value, rule.setpoint);
        let back = rule.bound.is_back(value, rule.setpoint, rule.deadband);
        match *self {
            Self::Normal if past => self.rise(rule, at, Span::ZERO, value),
            Self::Rising { since, held, peak } if past => {
                self.rise(rule, since, held + credit, rule.bound.worse(peak, value))
            }
            Self::Rising { .. } => {
                *self = Self::Normal;
                None
            }
            Self::Active if back => self.fall(rule, Span::ZERO),
            Self::Falling { held } if back => self.fall(rule, held + credit),
            Self::Falling { .. } => {
                *self = Self::Active;
                None
            }
            // Nothing moves: still normal, or raised and inside the deadband.
            Self::Normal | Self::Active => None,
        }
    }

    fn rise(&mut self, rule: &LevelRule, since: EventTime, held: Span, peak: f64) -> Option<Step> {
        if held >= rule.on_delay {
            *self = Self::Active;
            return Some(Step::Raise { since, peak });
        }
        *self = Self::Rising { since, held, peak };
        None
    }

    fn fall(&mut self, rule: &LevelRule, held: Span) -> Option<Step> {
        if held >= rule.off_delay {
            *self = Self::Normal;
            return Some(Step::Clear);
        }
        *self = Self::Falling { held };
        None
    }

    /// Whether the alarm is raised.
    pub fn is_raised(&self) -> bool {
        matches!(self, Self::Active | Self::Falling { .. })
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        if let Self::Rising { since, .. } = self {
            *since += by;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "second value" pairs at 10 s steps against setpoint 2.0, deadband 0.3, delays 30 s; a dash is absent.
    fn check(values: &str, expected: &str) {
        let rule = LevelRule {
            bound: Bound::High,
            setpoint: 2.0,
            deadband: 0.3,
            on_delay: Span::seconds(30),
            off_delay: Span::seconds(30),
        };
        let mut state = LevelState::default();
        let mut got = Vec::new();
        for (index, word) in values.split_whitespace().enumerate() {
            let second = index as i64 * 10;
            let Ok(value) = word.parse() else { continue };
            match state.observe(&rule, EventTime(second * 1000), value, Span::seconds(10)) {
                Some(Step::Raise { since, .. }) => {
                    got.push(format!("{second} raised since {}", since.0 / 1000));
                }
                Some(Step::Clear) => got.push(format!("{second} cleared")),
                None => {}
            }
        }
        assert_eq!(got.join(", "), expected);
    }

    #[test]
    fn raises_after_the_on_delay_counted_from_the_first_value_above() {
        check("1.9 2.1 2.2 2.3 2.4", "40 raised since 10");
    }

    #[test]
    fn a_value_exactly_at_the_setpoint_is_not_past_it() {
        check("2.0 2.0 2.0 2.0 2.0 2.0", "");
    }

    #[test]
    fn one_value_below_the_setpoint_starts_the_on_delay_anew() {
        check("2.1 2.1 2.1 1.9 2.1 2.1 2.1 2.1", "70 raised since 40");
    }

    #[test]
    fn does_not_clear_inside_the_deadband() {
        check("2.1 2.1 2.1 2.1 1.8 1.8 1.8 1.8 1.8 1.8", "30 raised since 0");
    }

    #[test]
    fn a_value_inside_the_deadband_starts_the_off_delay_anew() {
        check("2.1 2.1 2.1 2.1 1.6 1.6 1.6 1.8 1.6 1.6 1.6 1.6", "30 raised since 0, 110 cleared");
    }

    #[test]
    fn an_absent_value_freezes_both_delays() {
        check("2.1 2.1 - - - 2.1 2.1 1.6 - - 1.6 1.6 1.6", "60 raised since 0, 120 cleared");
    }

    #[test]
    fn without_a_delay_it_raises_and_clears_at_once() {
        let rule = LevelRule {
            bound: Bound::Low,
            setpoint: 110.0,
            deadband: 1.0,
            on_delay: Span::ZERO,
            off_delay: Span::ZERO,
        };
        let mut state = LevelState::default();
        let at = EventTime(0);
        assert_eq!(
            state.observe(&rule, at, 100.0, Span::seconds(1)),
            Some(Step::Raise { since: at, peak: 100.0 })
        );
        assert_eq!(state.observe(&rule, at, 110.5, Span::seconds(1)), None);
        assert_eq!(state.observe(&rule, at, 111.5, Span::seconds(1)), Some(Step::Clear));
    }
}
