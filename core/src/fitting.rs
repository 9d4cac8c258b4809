//! Whether what a meter gives fits the nameplate, asked once, when it is new: a wrong word order or a wrong scale in a map
//! gives numbers that no limit should judge. Until its values have fitted, or a person has said that they are right, the
//! meter's limits wait. What has fitted once is never asked again: later, a value far off is a fault and not a mistake.

use crate::alarm::book::Raise;
use crate::desk::Desk;
use crate::plan::{AlarmIx, FittingPlan};
use crate::reading::Sample;
use crate::time::EventTime;
use serde::{Deserialize, Serialize};

/// After values that did not fit, so many readings in a row must fit (common practice, no source).
pub const FITS_IN_A_ROW: u8 = 3;

/// More active than apparent power by more than this can't be (common practice, no source; rounding and the times of
/// two registers make small differences).
pub const MOST_POWER_FACTOR: f64 = 1.1;

/// Where the question stands for one meter.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fitting {
    /// One for each value that is looked at: whether it has ever fitted.
    known: Box<[bool]>,
    /// Readings in a row that fit, while the alarm holds.
    good: u8,
    /// The alarm that holds.
    alarm: Option<AlarmIx>,
}

/// What must survive of it, keyed by names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SavedFitting {
    /// The meter.
    pub meter: String,
    /// Of its points, as [`crate::plant::Meter::fingerprint`]: other points are asked anew.
    pub fingerprint: u64,
    /// Which of the values that are looked at, in their order, have never fitted.
    pub unknown: Vec<u16>,
    /// Readings in a row that fit.
    pub good: u8,
}

/// A value that does not fit.
struct Misfit {
    alarm: AlarmIx,
    value: f64,
    bound: f64,
    /// How far off, in widths of what is allowed.
    off: f64,
}

impl Fitting {
    pub(crate) fn new(plan: &FittingPlan) -> Self {
        Self { known: vec![false; plan.checks.len()].into(), good: 0, alarm: None }
    }

    /// Looks at a reading as the meter gave it. Says whether the meter's limits may judge.
    pub(crate) fn look(
        &mut self,
        plan: &FittingPlan,
        at: EventTime,
        values: &[Sample],
        desk: &mut Desk<'_>,
    ) -> bool {
        if self.alarm.is_none() && self.known.iter().all(|known| *known) {
            return true;
        }
        match self.worst(plan, values) {
            Some(misfit) => {
                self.good = 0;
                if self.alarm.is_none() {
                    let (value, setpoint) = (Some(misfit.value), Some(misfit.bound));
                    let raise = Raise { since: at, value, peak: None, setpoint, recurred: None };
                    desk.raise(misfit.alarm, at, raise);
                    self.alarm = Some(misfit.alarm);
                }
                false
            }
            None => self.fits(plan, at, values, desk),
        }
    }

    fn fits(&mut self, plan: &FittingPlan, at: EventTime, values: &[Sample], desk: &mut Desk<'_>) -> bool {
        let given = |point: usize| values[point].get();
        let any = plan.checks.iter().any(|check| given(check.point).is_some());
        if let Some(alarm) = self.alarm {
            self.good = self.good.saturating_add(u8::from(any));
            if self.good < FITS_IN_A_ROW {
                return false;
            }
            let point = plan.checks.iter().find(|check| check.alarm == alarm).map(|check| check.point);
            desk.clear(alarm, at, point.and_then(given));
            (self.alarm, self.good) = (None, 0);
        }
        for (known, check) in self.known.iter_mut().zip(&plan.checks) {
            *known |= given(check.point).is_some();
        }
        true
    }

    /// Of the values that have never fitted, the one furthest off.
    fn worst(&self, plan: &FittingPlan, values: &[Sample]) -> Option<Misfit> {
        let outside =
            plan.checks.iter().zip(&self.known).filter(|(_, known)| !**known).filter_map(|(check, _)| {
                let value = values[check.point].get()?;
                let bound = if value < check.low { check.low } else { check.high };
                let off = (value - bound).abs() / (check.high - check.low);
                (!(check.low..=check.high).contains(&value)).then_some(Misfit {
                    alarm: check.alarm,
                    value,
                    bound,
                    off,
                })
            });
        outside.max_by(|one, other| one.off.total_cmp(&other.off)).or_else(|| self.disagreement(plan, values))
    }

    /// More active than apparent power, by more than rounding: one of the two is not what its name says.
    fn disagreement(&self, plan: &FittingPlan, values: &[Sample]) -> Option<Misfit> {
        plan.powers.iter().find_map(|powers| {
            let check = &plan.checks[powers.active];
            let (active, apparent) =
                (values[check.point].get()?, values[plan.checks[powers.apparent].point].get()?);
            let bound = MOST_POWER_FACTOR * apparent + powers.slack_w;
            let asked = !self.known[powers.active] || !self.known[powers.apparent];
            (asked && active.abs() > bound).then_some(Misfit {
                alarm: check.alarm,
                value: active,
                bound,
                off: 0.0,
            })
        })
    }

    /// A person says that the values are right. Gives the alarm that held.
    pub(crate) fn accept(&mut self) -> Option<AlarmIx> {
        self.known.fill(true);
        self.good = 0;
        self.alarm.take()
    }

    /// The alarm that holds.
    pub(crate) fn alarm(&self) -> Option<AlarmIx> {
        self.alarm
    }

    pub(crate) fn save(&self, meter: &str, plan: &FittingPlan) -> SavedFitting {
        let unknown = (0u16..).zip(&self.known).filter(|(_, known)| !**known).map(|(index, _)| index);
        SavedFitting {
            meter: meter.to_owned(),
            fingerprint: plan.fingerprint,
            unknown: unknown.collect(),
            good: self.good,
        }
    }

    /// Goes on from what was saved, if it is about the same points. `holds` says whether an alarm stands.
    pub(crate) fn adopt(
        &mut self,
        plan: &FittingPlan,
        saved: Option<&SavedFitting>,
        holds: impl Fn(AlarmIx) -> bool,
    ) {
        if let Some(saved) = saved.filter(|saved| saved.fingerprint == plan.fingerprint) {
            self.good = saved.good;
            for (index, known) in (0u16..).zip(self.known.iter_mut()) {
                *known = !saved.unknown.contains(&index);
            }
        }
        self.alarm = plan.checks.iter().map(|check| check.alarm).find(|alarm| holds(*alarm));
    }
}
