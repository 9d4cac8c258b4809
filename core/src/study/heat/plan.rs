//! The model of heat, compiled.

use super::unit::{FanPlan, Medium};
use crate::reading::Sample;
use crate::thermal::ageing::{DryClass, Paper, acceleration};

/// The model of heat, compiled. Inputs by their columns, results by their series.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatPlan {
    /// Columns of the sensors in the air; empty: what is expected is not known.
    pub ambients: Box<[usize]>,
    /// Rated current of the measured side in amperes.
    pub rated_a: f64,
    /// Eddy loss of the windings at rated current per unit of I²R.
    pub eddy_pu: f64,
    /// Where the heat goes.
    pub medium: Medium,
    /// Fans, if it has any.
    pub fans: Option<FanPlan>,
    /// The windings, at most one a phase.
    pub places: Box<[PlacePlan]>,
    /// The oil, of a unit that has some.
    pub oil: Option<OilPlan>,
    /// Series of what fans that should run and do not leave in heat.
    pub shortfall: Option<usize>,
    /// Series of the hot spot.
    pub hot_spot: usize,
    /// Where the hot spot must not come, in °C, and the series of the time the load may last.
    pub load_time_left: Option<(f64, usize)>,
    /// Ageing, where the insulation is known.
    pub ageing: Option<AgeingPlan>,
}

/// One winding, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacePlan {
    /// Columns of the line currents that heat it, each with the weight of its square; the weights sum to 1.
    pub currents: Box<[(usize, f64)]>,
    /// Column of the harmonic loss factor of its current.
    pub loss_factor: Option<usize>,
    /// Column of its measured temperature.
    pub measured: Option<usize>,
    /// Series of its expected temperature, where the air or its oil is measured.
    pub expected: Option<usize>,
    /// Series of measured less expected.
    pub residual: Option<usize>,
}

/// The top of the oil, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct OilPlan {
    /// Column of its measured temperature.
    pub measured: Option<usize>,
    /// Series of its expected temperature, where the air is measured.
    pub expected: Option<usize>,
    /// Series of measured less expected.
    pub residual: Option<usize>,
}

/// Ageing of the insulation, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct AgeingPlan {
    /// What ages.
    pub class: AgeingClass,
    /// Series of the rate.
    pub rate: usize,
    /// Series of the equivalent hours.
    pub hours: usize,
}

/// Insulation that ages.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AgeingClass {
    /// Of a dry type.
    Dry(DryClass),
    /// Paper in a liquid.
    Paper(Paper),
}

impl AgeingClass {
    /// How fast it ages at a hot spot against its rated one.
    pub(super) fn rate(self, hot_spot_c: f64) -> Option<f64> {
        match self {
            Self::Dry(class) => class.rate(hot_spot_c),
            Self::Paper(paper) => acceleration(hot_spot_c, paper),
        }
    }
}

/// What a figure of the model needs, by columns.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Needed<'a> {
    plan: &'a HeatPlan,
    /// The windings whose currents count.
    places: &'a [PlacePlan],
    /// Its own sensor, of a residual.
    measured: Option<usize>,
    /// Measured oil stands for the air.
    by_oil: bool,
}

impl Needed<'_> {
    /// The first column that keeps the figure from being told.
    pub(crate) fn lacking(&self, absent: &impl Fn(&usize) -> bool) -> Option<usize> {
        let currents = self.places.iter().flat_map(|place| place.currents.iter().map(|(column, _)| *column));
        let fans = self.plan.fans.iter().flat_map(|fans| fans.running.iter().copied());
        let one_by_one = self.measured.into_iter().chain(currents).chain(fans).find(absent);
        // Of the sensors in the air one is enough, and windings go by the oil where that is measured.
        let oil = self.plan.oil.as_ref().and_then(|oil| oil.measured);
        let oil = oil.filter(|column| self.by_oil && !absent(column));
        let air = self.plan.ambients.first().copied().filter(|_| self.plan.ambients.iter().all(absent));
        one_by_one.or(air.filter(|_| oil.is_none()))
    }
}

impl HeatPlan {
    /// The series of what is expected and of what is measured beyond it, with what each needs.
    pub(crate) fn wanted(&self) -> impl Iterator<Item = (usize, Needed<'_>)> {
        let windings = self.places.iter().flat_map(move |place| {
            let needed =
                |measured| Needed { plan: self, places: std::slice::from_ref(place), measured, by_oil: true };
            let expected = place.expected.map(|series| (series, needed(None)));
            expected.into_iter().chain(place.residual.map(|series| (series, needed(place.measured))))
        });
        let oil = self.oil.iter().flat_map(move |oil| {
            let needed = |measured| Needed { plan: self, places: &self.places, measured, by_oil: false };
            let expected = oil.expected.map(|series| (series, needed(None)));
            expected.into_iter().chain(oil.residual.map(|series| (series, needed(oil.measured))))
        });
        windings.chain(oil)
    }

    /// How many parts the fans cool, which are those that a calibration is about: the windings, or the oil.
    pub(super) fn cooled_parts(&self) -> usize {
        match self.medium {
            Medium::Air { .. } => self.places.len(),
            Medium::Liquid(_) => 1,
        }
    }

    /// Whether every part of a calibration is measured, in air that is known.
    pub fn can_learn(&self) -> bool {
        let measured = match &self.oil {
            Some(oil) => oil.measured.is_some(),
            None => self.places.iter().all(|place| place.measured.is_some()),
        };
        measured && !self.ambients.is_empty()
    }

    /// Rated rise of these parts in K.
    pub(super) fn rated_k(&self) -> f64 {
        match self.medium {
            Medium::Air { rise_k, .. } => rise_k,
            Medium::Liquid(unit) => unit.top_oil_rise_k,
        }
    }

    /// Nothing is known before it is computed.
    pub(super) fn clear(&self, row: &mut [Sample]) {
        let places = self.places.iter().flat_map(|place| [place.expected, place.residual]);
        let oil = self.oil.iter().flat_map(|oil| [oil.expected, oil.residual]);
        let ageing = self.ageing.iter().flat_map(|ageing| [Some(ageing.rate), Some(ageing.hours)]);
        let others = [self.shortfall, Some(self.hot_spot), self.load_time_left.map(|(_, series)| series)];
        for series in places.chain(oil).chain(ageing).chain(others).flatten() {
            row[series] = Sample::ABSENT;
        }
    }
}
