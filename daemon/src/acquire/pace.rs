//! How many readings of one meter are judged at most: what comes quicker is a fault of the sender, and of it only the
//! newest is taken, so that a flood neither fills the store nor holds up what other meters say.

use kvarden_core::time::{EventTime, Span};

/// Readings that may come at one go: what a slow link held back.
const BURST: u32 = 1000;
/// Readings that a meter may give in one interval of its own.
const AN_INTERVAL: i64 = 10;
/// From reading to reading at the most: twenty a second are let in of any meter …
const WIDEST: Span = Span(50);
/// … and at the least: a hundred a second of the quickest.
const CLOSEST: Span = Span(10);

/// What one meter may still give.
#[derive(Debug, Clone)]
pub(super) struct Pace {
    left: u32,
    /// When the last one was added to what is left.
    added: EventTime,
    gap: Span,
}

impl Pace {
    /// A meter that gives a reading `every` so often.
    pub(super) fn new(every: Span) -> Self {
        let gap = Span(every.0 / AN_INTERVAL).clamp(CLOSEST, WIDEST);
        Self { left: BURST, added: EventTime(i64::MIN / 2), gap }
    }

    /// Whether one more may be taken now; counts it if so.
    pub(super) fn allows(&mut self, now: EventTime) -> bool {
        let more = (now - self.added).0 / self.gap.0;
        if more > 0 {
            self.left = self.left.saturating_add(u32::try_from(more).unwrap_or(BURST)).min(BURST);
            self.added = now;
        }
        let allowed = self.left > 0;
        self.left = self.left.saturating_sub(1);
        allowed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// How many of one reading each millisecond are taken within these seconds.
    fn taken(every: Span, seconds: i64) -> i64 {
        let mut pace = Pace::new(every);
        (0..seconds * 1000).map(|now| i64::from(pace.allows(EventTime(now)))).sum()
    }

    // Seen to fail when everything was let in.
    #[test]
    fn a_flood_is_thinned_after_its_burst() {
        let burst = i64::from(BURST);
        assert!((burst + 180..=burst + 200).contains(&taken(Span::seconds(1), 10)));
        assert!((burst + 900..=burst + 1000).contains(&taken(Span(100), 10)));
        assert!((burst + 180..=burst + 200).contains(&taken(Span::minutes(1), 10)));
    }

    #[test]
    fn a_meter_at_its_own_pace_is_never_thinned() {
        let mut pace = Pace::new(Span(100));
        assert!((0..100_000).all(|reading| pace.allows(EventTime(reading * 100))));
    }
}
