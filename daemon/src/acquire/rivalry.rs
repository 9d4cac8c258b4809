//! Whether somebody else uses our name at the broker.
//!
//! A broker ends a connection when another comes under the same client name (MQTT 3.1.1 section 3.1.4), and says nothing
//! of why. So two boxes with one name throw each other out by turns, each soon after it came; what else ends connections
//! again and again from the other side is rare enough to be told as this.

use std::collections::VecDeque;
use std::time::Duration;
use tokio::time::Instant;

/// So many ends …
const ENDS: usize = 3;
/// … within this time are too many.
const WITHIN: Duration = Duration::from_mins(5);
/// Nobody has thrown us out for so long: longer than the other's waits, which grow as ours do.
const CALM: Duration = Duration::from_mins(10);

/// The ends of our connections that came from the other side.
#[derive(Debug, Default)]
pub(super) struct Rivalry {
    ends: VecDeque<Instant>,
    told: Option<bool>,
}

impl Rivalry {
    /// The broker ended a connection that stood. Gives what has to be told, if anything: whether we are alone.
    pub(super) fn thrown_out(&mut self, now: Instant) -> Option<bool> {
        if self.ends.len() >= ENDS {
            self.ends.pop_front();
        }
        self.ends.push_back(now);
        let first = *self.ends.front()?;
        if self.ends.len() >= ENDS && now - first <= WITHIN { self.tell(false) } else { None }
    }

    /// Time passes while the connection stands, or while it does not.
    pub(super) fn tick(&mut self, now: Instant, stands: bool) -> Option<bool> {
        let calm = self.ends.back().is_none_or(|last| now - *last >= CALM);
        if stands && calm { self.tell(true) } else { None }
    }

    /// Whether somebody else seems to use our name.
    pub(super) fn is_there(&self) -> bool {
        self.told == Some(false)
    }

    fn tell(&mut self, alone: bool) -> Option<bool> {
        (self.told.replace(alone) != Some(alone)).then_some(alone)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seen to fail without the count.
    #[test]
    fn to_be_thrown_out_three_times_in_five_minutes_is_told_once_and_ends_after_ten_calm_ones() {
        let start = Instant::now();
        let at = |second| start + Duration::from_secs(second);
        let mut rivalry = Rivalry::default();
        assert_eq!(rivalry.tick(at(1), true), Some(true));
        assert_eq!(rivalry.thrown_out(at(10)), None);
        assert_eq!(rivalry.thrown_out(at(200)), None);
        assert_eq!(rivalry.thrown_out(at(309)), Some(false));
        assert_eq!(rivalry.thrown_out(at(370)), None);
        assert!(rivalry.is_there());
        assert_eq!(rivalry.tick(at(969), true), None);
        assert_eq!(rivalry.tick(at(970), false), None);
        assert_eq!(rivalry.tick(at(971), true), Some(true));
    }

    #[test]
    fn a_broker_that_restarts_now_and_then_is_no_rival() {
        let start = Instant::now();
        let mut rivalry = Rivalry::default();
        for restart in 0..20 {
            assert_eq!(rivalry.thrown_out(start + Duration::from_secs(160 * restart)), None);
        }
    }
}
