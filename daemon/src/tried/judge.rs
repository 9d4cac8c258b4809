//! The limits of one meter, judged on rows that say of each minute the least, the mean and the largest value.

use super::{Episode, Sure, column};
use crate::store::PaneRow;
use kvarden_core::alarm::level::{LevelRule, LevelState, Step};
use kvarden_core::alarm::recurrence::{RecurrenceRule, RecurrenceState, Step as Again};
use kvarden_core::plan::{AlarmIx, LimitPlan, MeterPlan, ScopePlan};
use kvarden_core::plant::Bound;
use kvarden_core::rolling::LEAST_SHARE;
use kvarden_core::time::{EventTime, Span};
use std::collections::VecDeque;

/// A window shorter than this lies within a row: it is judged like each value.
const ROW: Span = Span::minutes(1);

/// The trial of one meter.
pub(super) struct MeterTrial<'a> {
    meter: &'a MeterPlan,
    limits: Vec<LimitTrial<'a>>,
    /// Limits on how fast a value rises, which rows of a minute do not show as they are judged.
    pub(super) rates: usize,
}

struct LimitTrial<'a> {
    plan: &'a LimitPlan,
    levels: Vec<LevelTrial>,
    recurs: Option<(AlarmIx, RecurrenceRule, RecurrenceState, Episodes)>,
    known: bool,
}

/// When a row began, its mean, and for how much of it there was one.
type Rows = VecDeque<(EventTime, f64, Span)>;

struct LevelTrial {
    alarm: AlarmIx,
    rule: LevelRule,
    /// As the mildest values have it, and as the worst.
    sure: LevelState,
    perhaps: LevelState,
    /// The mean over so long is judged, of these rows.
    window: Option<(Span, Rows)>,
    episodes: Episodes,
}

#[derive(Default)]
struct Episodes {
    open: Option<Episode>,
    done: Vec<Episode>,
}

impl Episodes {
    fn begin(&mut self, from: EventTime, to: EventTime) {
        self.open = Some(Episode { from, to, sure: Sure::Perhaps });
    }

    fn end(&mut self, to: EventTime) {
        self.done.extend(self.open.take().map(|episode| Episode { to, ..episode }));
    }
}

impl<'a> MeterTrial<'a> {
    pub(super) fn new(scope: &'a ScopePlan, meter: &'a MeterPlan) -> Self {
        debug_assert!(scope.meters.iter().any(|known| std::ptr::eq(known, meter)));
        let (rates, limits): (Vec<&LimitPlan>, Vec<&LimitPlan>) =
            meter.limits.iter().partition(|limit| limit.rate);
        let limits = limits.into_iter().map(|plan| LimitTrial::new(meter, plan)).collect();
        Self { meter, limits, rates: rates.len() }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.limits.is_empty()
    }

    /// Where each series of the meter stands among these columns.
    pub(super) fn columns(&self, keys: &[String]) -> Vec<Option<usize>> {
        let place = |quantity: &kvarden_core::measurand::Quantity| {
            let key = quantity.to_string();
            keys.iter().position(|known| *known == key)
        };
        self.meter.series.iter().map(place).collect()
    }

    /// Takes one row.
    pub(super) fn take(&mut self, at: EventTime, columns: &[Option<usize>], row: &[PaneRow]) {
        for limit in &mut self.limits {
            let of = |series: usize| column(row, columns.get(series).copied().flatten());
            let Some(pane) = of(limit.plan.series) else { continue };
            limit.known = true;
            let holds = |least: bool| {
                let above = |(series, above): &(usize, f64)| {
                    let value = of(*series).and_then(|pane| if least { pane.min } else { pane.max });
                    value.is_some_and(|value| value > *above)
                };
                limit.plan.when.is_empty() || limit.plan.when.iter().any(above)
            };
            if holds(false) {
                let surely = holds(true);
                limit.take(at, pane, surely);
            }
        }
    }

    /// Keys of the quantities with a limit of which no row had a value.
    pub(super) fn unknown(&self) -> impl Iterator<Item = String> + '_ {
        let unknown = self.limits.iter().filter(|limit| !limit.known);
        unknown.map(|limit| self.meter.series[limit.plan.series].to_string())
    }

    /// By alarm of a limit of which something is stored: its setpoint, where it is one level, and when it would have stood.
    pub(super) fn finish(self, end: EventTime) -> Vec<(AlarmIx, Option<f64>, Vec<Episode>)> {
        let mut all = Vec::new();
        for limit in self.limits.into_iter().filter(|limit| limit.known) {
            for mut level in limit.levels {
                level.episodes.end(end);
                all.push((level.alarm, Some(level.rule.setpoint), level.episodes.done));
            }
            if let Some((alarm, _, _, mut episodes)) = limit.recurs {
                episodes.end(end);
                all.push((alarm, None, episodes.done));
            }
        }
        all
    }
}

impl<'a> LimitTrial<'a> {
    fn new(meter: &MeterPlan, plan: &'a LimitPlan) -> Self {
        let levels = plan.levels.iter().map(|level| LevelTrial {
            alarm: level.alarm,
            rule: LevelRule {
                bound: plan.bound,
                setpoint: level.setpoint,
                deadband: plan.deadband,
                on_delay: level.on_delay,
                off_delay: plan.off_delay,
            },
            sure: LevelState::Normal,
            perhaps: LevelState::Normal,
            window: level
                .window
                .map(|window| meter.windows[window].1)
                .filter(|length| *length > ROW)
                .map(|length| (length, VecDeque::new())),
            episodes: Episodes::default(),
        });
        let recurs = plan.recurs.map(|rule| {
            let of = RecurrenceRule {
                bound: plan.bound,
                setpoint: plan.levels[0].setpoint,
                deadband: plan.deadband,
                times: rule.times,
                within: rule.within,
                shortest: rule.shortest,
            };
            (rule.alarm, of, RecurrenceState::default(), Episodes::default())
        });
        Self { plan, levels: levels.collect(), recurs, known: false }
    }

    /// `surely`: the conditions of the limit held all the time.
    fn take(&mut self, at: EventTime, pane: &PaneRow, surely: bool) {
        let (Some(min), Some(max)) = (pane.min, pane.max) else { return };
        let covered = Span(i64::from(pane.covered_ms));
        let (mild, worst) = match self.plan.bound {
            Bound::High => (min, max),
            Bound::Low => (max, min),
        };
        for level in &mut self.levels {
            match (&mut level.window, pane.mean) {
                (None, _) => level.take((at, covered), mild, worst, surely),
                (Some((length, rows)), Some(mean)) => {
                    rows.push_back((at, mean, covered));
                    while rows.front().is_some_and(|(first, ..)| *first + *length <= at) {
                        rows.pop_front();
                    }
                    let weight: f64 = rows.iter().map(|(.., covered)| covered.as_seconds()).sum();
                    let sum: f64 = rows.iter().map(|(_, mean, covered)| mean * covered.as_seconds()).sum();
                    if weight >= LEAST_SHARE * length.as_seconds() {
                        level.take((at, covered), sum / weight, sum / weight, surely);
                    }
                }
                (Some(_), None) => {}
            }
        }
        let level_holds = self.levels.iter().any(|level| level.perhaps.is_raised());
        if let Some((_, rule, state, episodes)) = &mut self.recurs {
            // It came, and went within the minute if the mildest value says so.
            for (value, credit) in [(worst, covered), (mild, Span::ZERO)] {
                match state.observe(rule, (at, credit), value, level_holds).step {
                    Some(Again::Raise(recurred)) => episodes.begin(recurred.since, at),
                    Some(Again::Clear(_)) => episodes.end(at),
                    Some(Again::Again(_)) | None => {}
                }
            }
        }
    }
}

impl LevelTrial {
    /// A row stands as its beginning and its end, so that its own length counts for a delay.
    fn take(&mut self, (at, covered): (EventTime, Span), mild: f64, worst: f64, surely: bool) {
        for (at, credit) in [(at, Span::ZERO), (at + covered, covered)] {
            match self.perhaps.observe(&self.rule, at, worst, credit) {
                Some(Step::Raise { since, .. }) => self.episodes.begin(since, at),
                Some(Step::Clear) => self.episodes.end(at),
                None => {}
            }
            let raised = surely && {
                self.sure.observe(&self.rule, at, mild, credit);
                self.sure.is_raised()
            };
            if let Some(open) = self.episodes.open.as_mut().filter(|_| raised) {
                open.sure = Sure::ByMinutes;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(on_delay: i64) -> LevelTrial {
        let rule = LevelRule {
            bound: Bound::High,
            setpoint: 80.0,
            deadband: 2.0,
            on_delay: Span::seconds(on_delay),
            off_delay: Span::ZERO,
        };
        let (sure, perhaps) = (LevelState::Normal, LevelState::Normal);
        LevelTrial { alarm: 0, rule, sure, perhaps, window: None, episodes: Episodes::default() }
    }

    /// "least-largest" of each minute; gives "first-last minute" of each episode, with a mark where it is not sure.
    fn check(on_delay: i64, minutes: &str) -> String {
        let mut level = level(on_delay);
        let mut minute = 0;
        for word in minutes.split_whitespace() {
            let (least, largest) = word.split_once('-').unwrap();
            let at = EventTime(minute * 60_000);
            level.take((at, Span::minutes(1)), least.parse().unwrap(), largest.parse().unwrap(), true);
            minute += 1;
        }
        level.episodes.end(EventTime(minute * 60_000));
        let told = level.episodes.done.iter().map(|one| {
            let mark = if one.sure == Sure::Perhaps { "?" } else { "" };
            format!("{}-{}{mark}", one.from.0 / 60_000, one.to.0 / 60_000)
        });
        told.collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn whole_minutes_past_the_limit_are_sure_and_what_lies_within_one_may_be() {
        assert_eq!(check(0, "50-60 50-60"), "");
        assert_eq!(check(10, "50-60 85-95 50-60"), "1-2", "a minute is longer than ten seconds");
        assert_eq!(check(10, "50-60 50-95 50-60"), "1-2?", "within the minute, nobody knows how long");
        assert_eq!(check(90, "50-60 85-95 50-60"), "", "a minute is no minute and a half");
        assert_eq!(check(90, "50-60 85-95 50-95 50-60"), "1-3?");
        assert_eq!(check(90, "50-60 85-95 85-95 50-60 50-95 50-60"), "1-3");
        assert_eq!(check(0, "50-60 79-95 79-79 50-60"), "1-3?", "within the deadband it stands");
    }
}
