//! The windows of a meter sorted by their lengths, which is how they move.

use super::MeterPlan;
use crate::measurand::Kind;
use crate::rolling::Rolling;
use crate::time::Span;
use std::ops::Range;

/// The windows of one length of a meter.
#[derive(Debug, Clone, PartialEq)]
pub struct RollingPlan {
    /// How long they are.
    pub length: Span,
    /// Their series: levels and flags, then angles.
    pub series: Box<[usize]>,
    /// So many of them are angles.
    pub angles: usize,
    /// One per series: which of the meter's windows it is.
    pub windows: Box<[usize]>,
    /// One per series: which of the meter's limits are on it.
    pub limits: Box<[Range<usize>]>,
}

impl RollingPlan {
    /// Windows that have seen nothing.
    pub(crate) fn empty(&self) -> Rolling {
        Rolling::new(self.length, self.series.len() - self.angles, self.angles)
    }

    /// Sorts the windows of a meter by their lengths, in the order in which the lengths first come.
    pub(super) fn of(meter: &MeterPlan) -> Box<[Self]> {
        let mut lengths: Vec<Span> = Vec::new();
        for (_, length) in &meter.windows {
            if !lengths.contains(length) {
                lengths.push(*length);
            }
        }
        let is_angle = |series: usize| meter.series[series].what.kind() == Kind::Angle;
        let of_length = |length| {
            let windows = meter.windows.iter().enumerate().filter(|(_, (_, known))| *known == length);
            let (angles, others): (Vec<_>, Vec<_>) = windows.partition(|(_, (series, _))| is_angle(*series));
            let all = || others.iter().chain(&angles);
            Self {
                length,
                series: all().map(|(_, (series, _))| *series).collect(),
                angles: angles.len(),
                windows: all().map(|(window, _)| *window).collect(),
                limits: all().map(|(_, (series, _))| meter.limits_of(*series)).collect(),
            }
        };
        lengths.into_iter().map(of_length).collect()
    }
}
