//! How many messages one person gets: of what is not urgent a few an hour, the rest summed up; of what is urgent each at once,
//! and in a flood one that sums up twice a minute.

use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};

/// Messages an hour to one person. More than one in ten minutes is what a person can't follow: the acceptable average of
/// ISA-18.2 / IEC 62682 (from memory) is about one in ten minutes.
pub const MOST_AN_HOUR: usize = 6;
/// Beyond that, what is urgent comes summed up so often.
const URGENT_EVERY: Span = Span::seconds(30);

/// What could be told to one person now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Want<T> {
    /// Its priority.
    pub(super) priority: Priority,
    /// Since when it is known: the older goes first.
    pub(super) since: EventTime,
    /// What.
    pub(super) what: T,
}

/// What is told now: each letter is a list, of which all but the first are summed up. And when more may be told; `None`: nothing waits.
/// `sent`: when the latest [`MOST_AN_HOUR`] messages went.
pub(super) fn dose<T>(
    now: EventTime,
    sent: &[EventTime],
    mut wants: Vec<Want<T>>,
) -> (Vec<Vec<Want<T>>>, Option<EventTime>) {
    wants.sort_by_key(|want| (std::cmp::Reverse(want.priority), want.since));
    let recent: Vec<EventTime> =
        sent.iter().copied().filter(|at| *at <= now && now - *at < Span::hours(1)).collect();
    let mut room = MOST_AN_HOUR.saturating_sub(recent.len());
    let mut letters = Vec::new();
    let mut more_at = None;
    let split = wants.iter().take_while(|want| want.priority == Priority::Urgent).count();
    let rest = wants.split_off(split);
    let urgent = wants;
    if room > 0 {
        fill(urgent, &mut room, &mut letters);
    } else if !urgent.is_empty() {
        let next = recent.iter().max().map_or(now, |latest| *latest + URGENT_EVERY);
        if next <= now { letters.push(urgent) } else { more_at = Some(next) }
    }
    if room > 0 {
        fill(rest, &mut room, &mut letters);
    } else if !rest.is_empty() {
        let next = recent.iter().min().map_or(now, |oldest| *oldest) + Span::hours(1);
        more_at = Some(more_at.map_or(next, |at: EventTime| at.min(next)));
    }
    (letters, more_at)
}

/// One letter each while there is room; what is left is summed up in the last.
fn fill<T>(mut wants: Vec<Want<T>>, room: &mut usize, letters: &mut Vec<Vec<Want<T>>>) {
    let singles = if wants.len() <= *room { wants.len() } else { *room - 1 };
    let rest = wants.split_off(singles);
    *room -= singles + usize::from(!rest.is_empty());
    letters.extend(wants.into_iter().map(|want| vec![want]));
    if !rest.is_empty() {
        letters.push(rest);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn want(what: u32, priority: Priority) -> Want<u32> {
        Want { priority, since: EventTime(i64::from(what)), what }
    }

    fn told(letters: &[Vec<Want<u32>>]) -> Vec<Vec<u32>> {
        letters.iter().map(|letter| letter.iter().map(|want| want.what).collect()).collect()
    }

    const NOW: EventTime = EventTime(36_000_000);

    #[test]
    fn of_ten_that_are_not_urgent_the_last_five_are_summed_up() {
        let (letters, more) = dose(NOW, &[], (1..=10).map(|n| want(n, Priority::High)).collect());
        let expected: Vec<Vec<u32>> = vec![vec![1], vec![2], vec![3], vec![4], vec![5], (6..=10).collect()];
        assert_eq!((told(&letters), more), (expected, None));
    }

    #[test]
    fn after_six_within_the_hour_what_is_not_urgent_waits_and_what_is_does_not() {
        let sent: Vec<EventTime> = (1..=6).map(|minutes| NOW - Span::minutes(minutes * 5)).collect();
        let wants = vec![want(1, Priority::High), want(2, Priority::Urgent), want(3, Priority::Urgent)];
        let (letters, more) = dose(NOW, &sent, wants);
        assert_eq!(told(&letters), [[2, 3]]);
        assert_eq!(more, Some(NOW + Span::minutes(30)), "the oldest went half an hour ago");
    }

    #[test]
    fn in_a_flood_what_is_urgent_is_summed_up_twice_a_minute() {
        let (letters, _) = dose(NOW, &[], (1..=500).map(|n| want(n, Priority::Urgent)).collect());
        assert_eq!((letters.len(), letters[0][0].what, letters[5].len()), (6, 1, 495));
        let sent = [NOW; MOST_AN_HOUR];
        let later = |seconds| dose(NOW + Span::seconds(seconds), &sent, vec![want(1, Priority::Urgent)]);
        assert_eq!(later(29), (Vec::new(), Some(NOW + Span::seconds(30))));
        assert_eq!(told(&later(30).0), [[1]]);
    }
}
