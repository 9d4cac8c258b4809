//! The faces of a lost phase, an open neutral, a blown meter fuse and leads that are not where they belong, in the values of
//! one moment. What is found is a signature with the numbers that show it and no verdict: a picture may have several
//! causes, and a single moment may lie. Each wiring form is asked only for what it can show.
//!
//! Source of the pictures: three-phase circuit theory, worked in our guide's sections on unbalance and on meters' wiring; the
//! bounds are common practice, no source.

mod seen;
#[cfg(test)]
mod tests;

use crate::phases::{PerLines, PerPhase, Phase};
use crate::wiring::WiringForm;
use seen::Seen;

/// The values of one moment at one place of a circuit. What is not finite, and negative magnitudes, are taken as absent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// How the circuit is connected, as its owner says.
    pub form: WiringForm,
    /// Nominal volts of the form.
    pub volts: f64,
    /// Rated line amperes.
    pub rated_a: Option<f64>,
    /// Whether only three-phase loads hang on it.
    pub three_phase_only: bool,
    /// Volts to neutral.
    pub to_neutral: PerPhase<Option<f64>>,
    /// Volts between the lines.
    pub between: PerLines<Option<f64>>,
    /// Line amperes.
    pub amperes: PerPhase<Option<f64>>,
    /// Watts of each phase.
    pub watts: PerPhase<Option<f64>>,
    /// Angles of the volts to neutral in degrees.
    pub volt_degrees: PerPhase<Option<f64>>,
    /// Angles of the line amperes in degrees.
    pub ampere_degrees: PerPhase<Option<f64>>,
}

/// What one moment shows. Volts are per unit of what the wiring form has at that place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Face {
    /// All volts are dead: an outage, and no unbalance.
    Dead {
        /// The highest that is left.
        highest: f64,
    },
    /// A line is lost before a delta–wye unit, and nothing turns: ½, 1, ½ to neutral, 0.87, 0.87, 0 between the lines.
    LostBeforeDeltaWye {
        /// The phase that keeps its volts.
        kept: Phase,
        /// Volts to neutral.
        to_neutral: Option<[f64; 3]>,
        /// Volts between the lines AB, BC, CA.
        between: Option<[f64; 3]>,
    },
    /// The same while motors run and hold the volts up: unbalanced volts, and one phase with twice the amperes of the others.
    LostBeforeDeltaWyeMotorsRun {
        /// The phase that keeps its volts and has twice the amperes.
        kept: Phase,
        /// Volts of the three, to neutral where the form has one and else between the lines.
        volts: [f64; 3],
        /// Line amperes.
        amperes: [f64; 3],
    },
    /// The volts of a phase are gone, and its amperes with them.
    PhaseLost {
        /// Which.
        phase: Phase,
        /// What its volts to neutral float at, else the higher of its two to the other lines.
        volts: f64,
        /// Its amperes.
        amperes: f64,
        /// Mean amperes of the phases that are left.
        others: f64,
    },
    /// The volts of a phase are gone and its amperes go on: the meter's own fuse or lead.
    MeterFuse {
        /// Which.
        phase: Phase,
        /// What its volts to neutral float at, else the higher of its two to the other lines.
        volts: f64,
        /// Its amperes.
        amperes: f64,
        /// Watts that the meter still shows there.
        watts: Option<f64>,
    },
    /// The volts of a phase are gone, and too little flows (or is measured) to tell a lost phase from the meter's fuse.
    VoltsGone {
        /// Which.
        phase: Phase,
        /// What its volts to neutral float at, else the higher of its two to the other lines.
        volts: f64,
        /// Its amperes.
        amperes: Option<f64>,
    },
    /// A phase without amperes whose volts running motors hold up, the others alike and larger.
    HeldByMotors {
        /// Which.
        phase: Phase,
        /// Its volts to neutral.
        volts: f64,
        /// Line amperes.
        amperes: [f64; 3],
    },
    /// Good volts, and one phase of a circuit of three-phase loads without amperes while the others have like ones: a line is
    /// open on the load's side.
    OpenTowardsLoad {
        /// Which.
        phase: Phase,
        /// Line amperes: 0, 1.7 and 1.7 times what they were.
        amperes: [f64; 3],
    },
    /// Volts to neutral that part while those between the lines stay equal: a loose or open neutral.
    OpenNeutral {
        /// The phase with the highest volts to neutral.
        highest: Phase,
        /// Its volts.
        volts: f64,
        /// Highest less lowest volts to neutral, in per cent of their mean.
        spread_percent: f64,
        /// The same between the lines; of two legs, how far both together are from their nominal volts.
        lines_percent: f64,
    },
    /// One phase stands at 1.73 times the others to neutral with equal volts between the lines: a high-leg delta whose owner
    /// says wye.
    HighLeg {
        /// The high leg.
        phase: Phase,
        /// Its volts over the mean of the others'.
        ratio: f64,
    },
    /// The volts rotate A-C-B: two leads are exchanged, of the meter or of the supply.
    VoltsBackwards {
        /// Volts of the positive sequence.
        positive: f64,
        /// Volts of the negative sequence.
        negative: f64,
    },
    /// The amperes rotate against the volts: two current transformers are exchanged.
    AmperesAgainstVolts {
        /// Amperes of the positive sequence.
        positive: f64,
        /// Amperes of the negative sequence.
        negative: f64,
    },
}

const PHASES: [Phase; 3] = [Phase::A, Phase::B, Phase::C];

/// Everything that one moment shows, at most one face of each kind and phase. A healthy moment shows nothing.
pub fn faces(moment: &Moment) -> impl Iterator<Item = Face> + use<> {
    let seen = Seen::of(moment);
    let dead = seen.dead();
    let before = seen.lost_before_delta_wye();
    let mut gone = PHASES.map(|phase| seen.gone(phase));
    if before.is_some() || dead.is_some() {
        gone = [None; 3];
    }
    let high_leg = seen.high_leg();
    [
        dead,
        before,
        seen.lost_with_motors(),
        gone[0],
        gone[1],
        gone[2],
        seen.held_by_motors(),
        seen.open_towards_load(),
        if high_leg.is_some() { None } else { seen.open_neutral() },
        high_leg,
        seen.volts_backwards(),
        seen.amperes_against_volts(),
    ]
    .into_iter()
    .flatten()
}
