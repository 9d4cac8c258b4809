//! What a healthy transformer would show now, from its load and the air around it, and how its insulation ages.

use super::Turn;
use crate::formula::mean_present;
use crate::reading::Sample;
use crate::thermal::ageing::DryClass;
use crate::thermal::dry_type::{NATURAL_AIR, USUAL_TIME_CONSTANT_MIN, heat_pu};
use crate::thermal::rise_after;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A gap in the load longer than so many time constants is not bridged: the model begins again, with the steady state of
/// the load after it (common practice, no source).
const LONGEST_GAP: f64 = 3.0;
/// A rate of ageing stands for at most so long: over longer gaps nobody knows how warm it was.
const LONGEST_AGEING: Span = Span::minutes(1);

/// The model of heat, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatPlan {
    /// Columns of the sensors in the air.
    pub ambients: Box<[usize]>,
    /// Rated current of the measured side in amperes.
    pub rated_a: f64,
    /// Rise of the windings at rated current in K.
    pub rated_rise_k: f64,
    /// The hot spot is warmer than the winding by so much at rated current, in K.
    pub gradient_k: f64,
    /// The windings.
    pub places: Box<[PlacePlan]>,
    /// Series of the hot spot.
    pub hot_spot: usize,
    /// Ageing, where the class of the insulation is known.
    pub ageing: Option<AgeingPlan>,
}

/// One winding, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacePlan {
    /// Columns of the currents that heat it: one of its own, or several whose mean square it is.
    pub currents: Box<[usize]>,
    /// Column of its measured temperature.
    pub measured: Option<usize>,
    /// Series of its expected temperature.
    pub expected: usize,
}

/// Ageing of the insulation, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct AgeingPlan {
    /// Its class.
    pub class: DryClass,
    /// Series of the rate.
    pub rate: usize,
    /// Series of the equivalent hours.
    pub hours: usize,
}

/// What must never be lost of a transformer's heat.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct HeatLearned {
    /// Equivalent hours by which its insulation has aged since it is watched.
    #[serde(default)]
    pub aged_h: f64,
}

/// The model of heat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Heat {
    places: Box<[Option<Warmth>]>,
    /// The end of the step before.
    before: Option<EventTime>,
    #[serde(skip)]
    learned: HeatLearned,
}

/// How warm a part is, if it is healthy.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Warmth {
    /// When.
    at: EventTime,
    /// Rise per unit of the rated one.
    rise: f64,
    /// Heat made in it then, per unit of that at rated current.
    heat: f64,
}

impl Heat {
    pub(super) fn new(plan: &HeatPlan) -> Self {
        Self { places: vec![None; plan.places.len()].into(), before: None, learned: HeatLearned::default() }
    }

    pub(super) fn fits(&self, plan: &HeatPlan) -> bool {
        self.places.len() == plan.places.len()
    }

    pub(super) fn learned(&self) -> HeatLearned {
        self.learned
    }

    pub(super) fn adopt_learned(&mut self, learned: HeatLearned) {
        self.learned = learned;
    }

    pub(super) fn shift(&mut self, by: Span) {
        for at in self.places.iter_mut().flatten().map(|warmth| &mut warmth.at).chain(&mut self.before) {
            *at += by;
        }
    }

    pub(super) fn step(&mut self, plan: &HeatPlan, turn: &mut Turn<'_>) {
        let air = mean_present(turn.inputs, &plan.ambients);
        let mut hot_spot: Option<f64> = None;
        for (warmth, place) in self.places.iter_mut().zip(&plan.places) {
            let heat = place.heat(plan, turn.inputs);
            *warmth = heat.and_then(|heat| Warmth::after(*warmth, turn.end, heat)).or(*warmth);
            let rise = warmth.filter(|_| heat.is_some()).map(|warmth| warmth.rise);
            let expected = air.zip(rise).map(|(air, rise)| air + plan.rated_rise_k * rise);
            turn.row[place.expected] = expected.into();
            let measured = place.measured.and_then(|column| turn.inputs[column].get());
            // What is measured holds also for a unit that is not healthy.
            let winding = measured.or(expected).zip(rise);
            let spot = winding.map(|(winding, rise)| winding + plan.gradient_k * rise);
            hot_spot = spot.into_iter().chain(hot_spot).reduce(f64::max);
        }
        turn.row[plan.hot_spot] = hot_spot.into();
        self.age(plan, hot_spot, turn);
    }

    fn age(&mut self, plan: &HeatPlan, hot_spot: Option<f64>, turn: &mut Turn<'_>) {
        let since = self.before.replace(turn.end);
        let Some(ageing) = &plan.ageing else { return };
        let rate = hot_spot.and_then(|celsius| ageing.class.rate(celsius));
        if let (Some(rate), Some(since)) = (rate, since) {
            let hours = (turn.end - since).clamp(Span::ZERO, LONGEST_AGEING).as_seconds() / 3600.0;
            let aged = self.learned.aged_h + rate * hours;
            self.learned.aged_h = if aged.is_finite() { aged } else { self.learned.aged_h };
        }
        turn.row[ageing.rate] = rate.into();
        turn.row[ageing.hours] = rate.map(|_| self.learned.aged_h).into();
    }
}

impl PlacePlan {
    /// Heat made in it now, per unit.
    fn heat(&self, plan: &HeatPlan, inputs: &[Sample]) -> Option<f64> {
        let mut squares = 0.0;
        for column in &self.currents {
            squares += (inputs[*column].get()? / plan.rated_a).powi(2);
        }
        heat_pu((squares / self.currents.len() as f64).sqrt(), 1.0, 0.0)
    }
}

impl Warmth {
    /// At `end`, with this heat now. Over a gap the load before it counts for its first half and the load after it for
    /// its second.
    fn after(before: Option<Self>, end: EventTime, heat: f64) -> Option<Self> {
        let (tau, exponent) = (USUAL_TIME_CONSTANT_MIN, NATURAL_AIR);
        let minutes = |before: &Self| (end - before.at).as_seconds() / 60.0;
        let bridged = before.filter(|before| (0.0..=LONGEST_GAP * tau).contains(&minutes(before)));
        let rise = match bridged {
            None => heat.powf(exponent),
            Some(before) => {
                let half = minutes(&before) / 2.0;
                let middle = rise_after(before.rise, before.heat.powf(exponent), half, tau, exponent)?;
                rise_after(middle, heat.powf(exponent), half, tau, exponent)?
            }
        };
        Some(Self { at: end, rise, heat })
    }
}
