//! Too many alarms at once on one transformer: told as one alert that names the first of them.

use crate::digest::FLOOD;
use crate::output::{Flooding, Risen};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A flood is over when fewer than this rose within the span of [`FLOOD`]. Source: ISA-18.2 (from memory).
pub const FLOOD_ENDS: usize = 5;
/// Rises that are remembered: as many as make a flood, however many alarms rise.
const REMEMBERED: usize = FLOOD.0 + 1;

/// What rose lately on one transformer, of which people would be told.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Flood {
    recent: VecDeque<Risen>,
    now: Option<Flooding>,
}

impl Flood {
    /// An alarm rose. True: that makes a flood.
    pub(super) fn rise(&mut self, risen: Risen) -> bool {
        // Meters may be judged a little out of order; a span is counted from the latest.
        let at = self.recent.back().map_or(risen.at, |last| last.at.max(risen.at));
        if self.recent.len() >= REMEMBERED {
            self.recent.pop_front();
        }
        self.recent.push_back(Risen { at, ..risen });
        if let Some(now) = self.standing_mut() {
            now.count = now.count.saturating_add(1);
            return false;
        }
        let first =
            self.recent.front().filter(|first| self.recent.len() == REMEMBERED && at - first.at < FLOOD.1);
        let Some(first) = first.cloned() else { return false };
        self.now = Some(Flooding { first, count: REMEMBERED as u32, open: 0, over: false });
        true
    }

    fn standing_mut(&mut self) -> Option<&mut Flooding> {
        self.now.as_mut().filter(|now| !now.over)
    }

    /// Whether there is a flood.
    pub(crate) fn stands(&self) -> bool {
        self.now.as_ref().is_some_and(|now| !now.over)
    }

    /// What is known of the flood, or of the last one.
    pub(crate) fn now(&self) -> Option<&Flooding> {
        self.now.as_ref()
    }

    /// When it is over, if nothing rises before.
    pub(super) fn ends(&self) -> Option<EventTime> {
        let still = self.recent.len().checked_sub(FLOOD_ENDS)?;
        self.stands().then(|| self.recent[still].at + FLOOD.1)
    }

    pub(super) fn end(&mut self) {
        if let Some(now) = self.standing_mut() {
            now.over = true;
        }
    }

    pub(super) fn shift(&mut self, by: Span) {
        let first = self.now.iter_mut().map(|now| &mut now.first);
        self.recent.iter_mut().chain(first).for_each(|risen| risen.at += by);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::{Matter, Rule, Subject};

    fn risen(second: i64) -> Risen {
        let subject =
            Subject { transformer: Some("T2".to_owned()), feeder: None, meter: None, matter: Matter::Meter };
        Risen { alarm: format!("at {second}"), subject, rule: Rule::Frozen, at: EventTime(second * 1000) }
    }

    /// The figures are those of the public articles that [`FLOOD`] names, and the standard's for the end.
    #[test]
    fn the_eleventh_alarm_within_ten_minutes_makes_a_flood_that_names_the_first() {
        let mut flood = Flood::default();
        let began: Vec<i64> =
            (0..30).map(|count| count * 50).filter(|second| flood.rise(risen(*second))).collect();
        assert_eq!(began, [500], "eleven within 500 s");
        let now = flood.now().expect("it stands");
        assert_eq!((now.first.alarm.as_str(), now.count), ("at 0", 30));
        assert_eq!(
            flood.ends(),
            Some(EventTime(1_250_000) + FLOOD.1),
            "the fifth from the last is too old then"
        );
        flood.end();
        assert!(!flood.stands() && flood.ends().is_none());
    }

    #[test]
    fn an_alarm_a_minute_is_no_flood_and_a_thousand_at_once_take_no_more_room() {
        let mut flood = Flood::default();
        assert!(!(0..100).any(|minute| flood.rise(risen(minute * 60))));
        let mut flood = Flood::default();
        let times = (0..1000).filter(|_| flood.rise(risen(7))).count();
        assert_eq!((times, flood.recent.len()), (1, REMEMBERED));
        assert_eq!(flood.now().map(|now| now.count), Some(1000));
    }
}
