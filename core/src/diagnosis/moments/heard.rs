//! What one reading of a meter says of volts and amperes, and how two of them differ.

use crate::diagnosis::look::Three;
use crate::diagnosis::plan::{CircuitPlan, MeterPlace};
use crate::electrical::lost_phase;
use crate::measurand::{Measurand, Quantity};
use crate::phases::{PerLines, PerPhase, Place};
use crate::reading::Sample;
use crate::time::EventTime;
use serde::{Deserialize, Serialize};

/// Channels of a reading: volts to neutral, volts between the lines, amperes.
pub(super) const CHANNELS: usize = 9;
/// So many of them are volts, the first ones.
pub(super) const VOLTS: usize = 6;

/// Amperes below this share of rated tell nothing (common practice, no source).
const IDLE: f64 = 0.02;
/// Likewise where no rating is known, in amperes.
const IDLE_A: f64 = 1.0;

/// Volts per unit of nominal, then amperes. What was not measured, and what the wiring form gives no fixed volts, is absent.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Heard(pub(super) [Option<f64>; CHANNELS]);

/// What an ear takes of one reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Notice {
    pub(super) at: EventTime,
    /// Whether its values fit the nameplate.
    pub(super) fits: bool,
    pub(super) heard: Heard,
    /// Whether its breaker is closed, where it reads one.
    pub(super) closed: Option<bool>,
    /// The largest second order of its amperes.
    pub(super) second_order: Option<f64>,
}

impl Notice {
    /// Nothing, where there are neither volts nor amperes.
    pub(super) fn of(
        place: &MeterPlace,
        circuit: &CircuitPlan,
        (at, fits): (EventTime, bool),
        row: &[Sample],
    ) -> Option<Self> {
        let heard = Heard::of(place, circuit, row);
        let closed = place.breaker.and_then(|slot| row.get(slot)?.get()).map(|value| value >= 0.5);
        let orders = place.second_order.iter().filter_map(|slot| row.get((*slot)?)?.get());
        let second_order = orders.reduce(f64::max);
        (heard != Heard::default()).then_some(Self { at, fits, heard, closed, second_order })
    }
}

impl Heard {
    pub(super) fn of(place: &MeterPlace, circuit: &CircuitPlan, row: &[Sample]) -> Self {
        let value = |slot: Option<usize>| row.get(slot?)?.get().filter(|value| *value >= 0.0);
        let mut channels = [None; CHANNELS];
        for index in 0..3 {
            let per_unit = |slot, what, place| {
                let nominal = circuit.form.nominal_volts(circuit.volts, Quantity::at(what, place))?;
                value(slot).map(|volts| volts / nominal)
            };
            channels[index] = per_unit(place.ln[index], Measurand::VoltageLn, Place::PHASES[index]);
            channels[3 + index] = per_unit(place.ll[index], Measurand::VoltageLl, Place::LINES[index]);
            channels[VOLTS + index] = value(place.amperes[index]);
        }
        Self(channels)
    }

    pub(super) fn to_neutral(self) -> Three {
        [self.0[0], self.0[1], self.0[2]]
    }

    pub(super) fn between(&self) -> Three {
        [self.0[3], self.0[4], self.0[5]]
    }

    pub(super) fn amperes(&self) -> Three {
        [self.0[6], self.0[7], self.0[8]]
    }

    /// All volts that there are, per unit.
    pub(super) fn volts(&self) -> impl Iterator<Item = f64> + '_ {
        self.0[..VOLTS].iter().flatten().copied()
    }

    /// By phase, how far the volts are from the usual ones, as a share of those; where only volts between the lines are
    /// measured, the lesser of the changes of the two pairs that the phase is in.
    pub(super) fn volts_against(&self, usual: &Self) -> Three {
        let change = |channel: usize| {
            let (now, usual) = (self.0[channel]?, usual.0[channel].filter(|usual| *usual > 0.0)?);
            Some(now / usual - 1.0)
        };
        [0, 1, 2].map(|phase| {
            change(phase).or_else(|| {
                let (one, other) = (change(3 + phase)?, change(3 + (phase + 2) % 3)?);
                Some(if one.abs() < other.abs() { one } else { other })
            })
        })
    }

    /// By phase, how many more amperes there are than usual.
    pub(super) fn amperes_over(&self, usual: &Self) -> Three {
        [0, 1, 2].map(|phase| Some(self.0[VOLTS + phase]? - usual.0[VOLTS + phase]?))
    }

    /// The picture that the trade knows the faces of a lost phase by. Volts stay per unit: the wiring form's nominal ones are
    /// one and its root.
    pub(super) fn picture(&self, circuit: &CircuitPlan) -> lost_phase::Moment {
        let phases = |three: Three| PerPhase { a: three[0], b: three[1], c: three[2] };
        let volts_at = |what, place| circuit.form.nominal_volts(circuit.volts, Quantity::at(what, place));
        let scaled = |three: Three, what: Measurand, places: [Place; 3]| {
            [0, 1, 2].map(|index| Some(three[index]? * volts_at(what, places[index])?))
        };
        let to_neutral = scaled(self.to_neutral(), Measurand::VoltageLn, Place::PHASES);
        let [ab, bc, ca] = scaled(self.between(), Measurand::VoltageLl, Place::LINES);
        lost_phase::Moment {
            form: circuit.form,
            volts: circuit.volts,
            rated_a: circuit.rated_a,
            three_phase_only: circuit.three_phase_only,
            to_neutral: phases(to_neutral),
            between: PerLines { ab, bc, ca },
            amperes: phases(self.amperes()),
            watts: PerPhase::default(),
            volt_degrees: PerPhase::default(),
            ampere_degrees: PerPhase::default(),
        }
    }
}

/// Amperes below this tell nothing of a circuit.
pub(super) fn idle(circuit: &CircuitPlan) -> f64 {
    circuit.rated_a.map_or(IDLE_A, |rated| IDLE * rated)
}
