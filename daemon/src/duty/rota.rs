//! Who is on duty at a moment, and who follows: weekly turns and exceptions in the site's local time, right across daylight
//! saving. A hand-over at an hour that the clocks jump over comes at the first moment after the jump; one at an hour that comes
//! twice, at the first of the two.

use crate::digest::calendar::{date_of, moment};
use jiff::ToSpan;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use kvarden_config::RotaSpec;
use kvarden_core::time::EventTime;

/// Who is on duty when. People are indexes in the order of the configuration.
#[derive(Debug, Clone)]
pub struct Rota {
    zone: TimeZone,
    turns: Option<RotaSpec>,
    /// From, until before, who; in order, without overlaps.
    exceptions: Vec<(EventTime, EventTime, usize)>,
    people: usize,
}

/// What holds at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shift {
    /// Who is on duty.
    pub person: usize,
    /// Whose turn it would be, if an exception says otherwise.
    pub instead_of: Option<usize>,
    /// When this ends; `None`: never.
    pub until: Option<EventTime>,
}

impl Rota {
    /// The rota of so many people; without turns the first of them is on duty always.
    pub fn new(turns: Option<RotaSpec>, people: usize, zone: TimeZone) -> Self {
        let at = |time: DateTime| moment(time.date(), (time.hour() as u8, time.minute() as u8), &zone);
        let exceptions = turns.iter().flat_map(|turns| &turns.exceptions);
        let exceptions = exceptions
            .filter_map(|one| Some((at(one.from)?, at(one.until)?, one.person)))
            .filter(|(from, until, _)| from < until)
            .collect();
        Self { zone, turns, exceptions, people }
    }

    /// The zone in which it is written.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// What holds at a moment; `None`: there is nobody.
    pub fn shift(&self, at: EventTime) -> Option<Shift> {
        if self.people == 0 {
            return None;
        }
        let Some(turns) = &self.turns else {
            return Some(Shift { person: 0, instead_of: None, until: None });
        };
        let week = self.week(turns, at);
        let regular = in_turn(turns, week)?;
        let hand_over = self.hand_over(turns, week + 1);
        if let Some((_, until, person)) =
            self.exceptions.iter().find(|(from, until, _)| *from <= at && at < *until)
        {
            let instead_of = (*person != regular).then_some(regular);
            let until = hand_over.map_or(*until, |hand_over| hand_over.min(*until));
            return Some(Shift { person: *person, instead_of, until: Some(until) });
        }
        let next = self.exceptions.iter().map(|(from, ..)| *from).filter(|from| *from > at).min();
        Some(Shift {
            person: regular,
            instead_of: None,
            until: [hand_over, next].into_iter().flatten().min(),
        })
    }

    /// Who is told one after another while nobody acknowledges: the one on duty, then those whose turns follow, each once;
    /// last the one whom an exception relieves.
    pub fn line(&self, at: EventTime) -> Vec<usize> {
        let Some(shift) = self.shift(at) else { return Vec::new() };
        let mut line = vec![shift.person];
        let mut add = |person: usize| {
            if !line.contains(&person) {
                line.push(person);
            }
        };
        match &self.turns {
            Some(turns) => {
                let week = self.week(turns, at);
                let relieved = shift.instead_of;
                let following =
                    (1..=turns.weeks.len() as i64).filter_map(|ahead| in_turn(turns, week + ahead));
                following.filter(|person| Some(*person) != relieved).for_each(&mut add);
                relieved.into_iter().for_each(&mut add);
            }
            None => (0..self.people).for_each(add),
        }
        line
    }

    /// How many weeks after the first hand-over a moment lies; those before it are negative.
    fn week(&self, turns: &RotaSpec, at: EventTime) -> i64 {
        let days = date_of(at, &self.zone).duration_since(turns.from).as_hours() / 24;
        let near = days.div_euclid(7);
        let begun = |week: &i64| self.hand_over(turns, *week).is_some_and(|begins| begins <= at);
        [near + 1, near].into_iter().find(begun).unwrap_or(near - 1)
    }

    /// When a week begins; `None` only beyond the calendar.
    fn hand_over(&self, turns: &RotaSpec, week: i64) -> Option<EventTime> {
        let date: Date = turns.from.checked_add(week.checked_mul(7)?.days()).ok()?;
        moment(date, turns.hand_over.1, &self.zone)
    }
}

/// Whose turn a week is. Before the first the first of the list is on duty.
fn in_turn(turns: &RotaSpec, week: i64) -> Option<usize> {
    let count = i64::try_from(turns.weeks.len()).ok().filter(|count| *count > 0)?;
    turns.weeks.get(usize::try_from(week.max(0) % count).ok()?).copied()
}
