//! How a circuit is connected, and what may be judged of each way.
//!
//! Source of what may be judged: the forms of low-voltage distribution as textbooks describe them; nominal volts follow
//! from the geometry of each.

use crate::measurand::{Measurand, Quantity};
use crate::phases::{Phase, Place};
use crate::plan::Why;

/// How a side of a transformer, or a feeder, is connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WiringForm {
    /// Star with a neutral.
    Wye,
    /// Delta, no neutral.
    Delta,
    /// Delta with the middle of one winding as neutral: one leg stands at √3 times the others to neutral.
    HighLegDelta {
        /// The high leg.
        high: Phase,
    },
    /// Delta with one corner grounded.
    CornerGroundedDelta {
        /// The grounded corner.
        grounded: Phase,
    },
    /// Two units in a delta of which the third is missing.
    OpenDelta {
        /// The high leg, where the middle of one winding is the neutral.
        high: Option<Phase>,
    },
    /// Two phases and the neutral of a star, with two units.
    OpenWye,
    /// One winding with its middle as neutral: two legs A and B, opposite to each other.
    SplitPhase,
    /// Two lines and the neutral of a star.
    TwoLegs {
        /// Which two.
        legs: Place,
    },
    /// Two wires.
    SinglePhase,
}

/// Words on what may be judged of a form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Judged {
    /// What is judged.
    pub yes: &'static str,
    /// What is not, and why.
    pub no: &'static str,
}

impl WiringForm {
    /// The written form.
    pub fn key(self) -> &'static str {
        match self {
            Self::Wye => "wye",
            Self::Delta => "delta",
            Self::HighLegDelta { .. } => "high-leg-delta",
            Self::CornerGroundedDelta { .. } => "corner-grounded-delta",
            Self::OpenDelta { .. } => "open-delta",
            Self::OpenWye => "open-wye",
            Self::SplitPhase => "split-phase",
            Self::TwoLegs { .. } => "two-legs",
            Self::SinglePhase => "single-phase",
        }
    }

    /// 3, or 1 for what hangs on one winding or on two legs.
    pub fn phases(self) -> u8 {
        match self {
            Self::SplitPhase | Self::TwoLegs { .. } | Self::SinglePhase => 1,
            _ => 3,
        }
    }

    /// The lines whose amperes it has.
    pub fn lines(self) -> &'static [Place] {
        match self {
            Self::TwoLegs { legs: Place::BC } => &[Place::B, Place::C],
            Self::TwoLegs { legs: Place::CA } => &[Place::A, Place::C],
            Self::SplitPhase | Self::TwoLegs { .. } => &[Place::A, Place::B],
            Self::SinglePhase => &[Place::A],
            _ => &Place::PHASES,
        }
    }

    /// Whether it is a bank of two units where a closed one has three.
    pub fn is_open(self) -> bool {
        matches!(self, Self::OpenDelta { .. } | Self::OpenWye)
    }

    /// What is judged of it and what is not.
    pub fn judged(self) -> Judged {
        let (yes, no) = match self {
            Self::Wye => ("everything that its meters give", ""),
            Self::Delta => (
                "line-to-line volts and their unbalance, line amperes",
                "line-to-neutral volts: a delta has no neutral, and what a meter shows there floats",
            ),
            Self::HighLegDelta { .. } | Self::OpenDelta { high: Some(_) } => (
                "line-to-line volts and their unbalance, line amperes",
                "line-to-neutral volts: one leg stands at 1.73 times the others by design",
            ),
            Self::CornerGroundedDelta { .. } => (
                "line-to-line volts and their unbalance, volts of the other two lines to ground, line amperes",
                "volts of the grounded corner: 0 V is by design",
            ),
            Self::OpenDelta { high: None } => (
                "line-to-line volts and their unbalance, line amperes",
                "line-to-neutral volts: there is no neutral",
            ),
            Self::OpenWye => ("volts, their unbalance, line amperes", ""),
            Self::SplitPhase => (
                "volts of both legs and between them, leg amperes; their difference is what the neutral carries",
                "unbalance: two legs of one winding have none",
            ),
            Self::TwoLegs { .. } => (
                "volts of both legs and between them, leg amperes",
                "neutral amperes: near those of a leg is normal; unbalance: it has two of three phases",
            ),
            Self::SinglePhase => ("volts, amperes", "unbalance and neutral: it has two wires"),
        };
        Judged { yes, no }
    }

    /// Nominal volts at a place, where the form has `volts`; nothing where the form gives the place no fixed volts.
    pub fn nominal_volts(self, volts: f64, quantity: Quantity) -> Option<f64> {
        if self.why_not(quantity).is_some() {
            return None;
        }
        let line_volts = (quantity.what == Measurand::VoltageLl).then_some(volts);
        let to_neutral = match self {
            Self::Wye | Self::OpenWye | Self::TwoLegs { .. } => volts / 3f64.sqrt(),
            Self::SplitPhase => volts / 2.0,
            // To ground through the grounded corner; of two wires either way of naming them means the same.
            Self::CornerGroundedDelta { .. } | Self::SinglePhase => volts,
            Self::Delta | Self::HighLegDelta { .. } | Self::OpenDelta { .. } => return line_volts,
        };
        if quantity.what == Measurand::VoltageLn { Some(to_neutral) } else { line_volts }
    }

    /// Why a quantity is not judged on this form; nothing where it is.
    pub fn why_not(self, quantity: Quantity) -> Option<Why> {
        match quantity.what {
            Measurand::VoltageLn => self.why_not_to_neutral(quantity.place),
            Measurand::VoltageLl => match self {
                Self::SplitPhase | Self::SinglePhase if quantity.place != Place::AB => Some(Why::NoSuchWire),
                Self::TwoLegs { legs } if quantity.place != legs => Some(Why::NoSuchWire),
                _ => None,
            },
            Measurand::VoltageUnbalance
            | Measurand::CurrentUnbalance
            | Measurand::VoltageNegativeSequence
            | Measurand::VoltageZeroSequence
            | Measurand::CurrentNegativeSequence
            | Measurand::CurrentZeroSequence
                if self.phases() == 1 =>
            {
                Some(Why::FewerPhases)
            }
            Measurand::VoltageZeroSequence if self != Self::Wye => Some(Why::ZeroSequenceByDesign),
            Measurand::CurrentZeroSequence => match self {
                Self::Delta | Self::CornerGroundedDelta { .. } | Self::OpenDelta { high: None } => {
                    Some(Why::OnlyToEarth)
                }
                _ => None,
            },
            Measurand::NeutralCurrent | Measurand::NeutralLoading | Measurand::NeutralOverPhase => match self
            {
                Self::TwoLegs { .. } => Some(Why::TwoLegs),
                Self::Delta
                | Self::CornerGroundedDelta { .. }
                | Self::OpenDelta { high: None }
                | Self::SinglePhase => Some(Why::NoNeutral),
                _ => None,
            },
            _ => None,
        }
    }

    fn why_not_to_neutral(self, place: Place) -> Option<Why> {
        match self {
            Self::Delta | Self::OpenDelta { high: None } => Some(Why::Floats),
            Self::HighLegDelta { .. } | Self::OpenDelta { high: Some(_) } => Some(Why::HighLeg),
            Self::CornerGroundedDelta { grounded } if place == Place::from(grounded) => {
                Some(Why::CornerGrounded)
            }
            Self::Wye | Self::OpenWye | Self::CornerGroundedDelta { .. } => None,
            Self::SplitPhase => (!matches!(place, Place::A | Place::B)).then_some(Why::NoSuchWire),
            Self::SinglePhase => (place != Place::A).then_some(Why::NoSuchWire),
            Self::TwoLegs { legs } => {
                let [one, other] = match legs {
                    Place::BC => [Place::B, Place::C],
                    Place::CA => [Place::C, Place::A],
                    _ => [Place::A, Place::B],
                };
                (place != one && place != other).then_some(Why::NoSuchWire)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ln(place: Place) -> Quantity {
        Quantity::at(Measurand::VoltageLn, place)
    }

    fn ll(place: Place) -> Quantity {
        Quantity::at(Measurand::VoltageLl, place)
    }

    #[track_caller]
    fn nominal(form: WiringForm, volts: f64, quantity: Quantity, expected: Option<f64>) {
        let got = form.nominal_volts(volts, quantity);
        assert_eq!(got.map(|volts| (volts * 10.0).round() / 10.0), expected, "{form:?} {quantity}");
    }

    /// Nominal system voltages as usual names have them (208Y/120, 120/240 high leg, 120/240 split-phase, two legs of
    /// 208Y/120): common knowledge of the trade; the high leg's 208 V is √3/2 of 240 V, by geometry.
    #[test]
    fn each_form_has_the_volts_that_its_name_says() {
        for place in Place::PHASES {
            nominal(WiringForm::Wye, 208.0, ln(place), Some(120.1));
            nominal(WiringForm::Delta, 480.0, ln(place), None);
            nominal(WiringForm::HighLegDelta { high: Phase::B }, 240.0, ln(place), None);
        }
        for place in Place::LINES {
            for form in [WiringForm::Wye, WiringForm::Delta, WiringForm::HighLegDelta { high: Phase::B }] {
                nominal(form, 240.0, ll(place), Some(240.0));
            }
        }
        let corner = WiringForm::CornerGroundedDelta { grounded: Phase::B };
        nominal(corner, 480.0, ln(Place::A), Some(480.0));
        nominal(corner, 480.0, ln(Place::B), None);
        nominal(WiringForm::SplitPhase, 240.0, ln(Place::A), Some(120.0));
        nominal(WiringForm::SplitPhase, 240.0, ll(Place::AB), Some(240.0));
        nominal(WiringForm::SplitPhase, 240.0, ln(Place::C), None);
        let legs = WiringForm::TwoLegs { legs: Place::CA };
        nominal(legs, 208.0, ln(Place::C), Some(120.1));
        nominal(legs, 208.0, ln(Place::B), None);
        nominal(legs, 208.0, ll(Place::CA), Some(208.0));
        nominal(legs, 208.0, ll(Place::AB), None);
        nominal(WiringForm::SinglePhase, 120.0, ln(Place::A), Some(120.0));
    }

    /// The handbook's list of forms: what each says may be judged.
    #[test]
    fn what_is_not_judged_is_what_the_form_does_by_design() {
        let unbalance = Quantity::whole(Measurand::VoltageUnbalance);
        let neutral = Quantity::whole(Measurand::NeutralCurrent);
        let high_leg = WiringForm::HighLegDelta { high: Phase::B };
        assert!(high_leg.why_not(ln(Place::A)).is_some() && high_leg.why_not(unbalance).is_none());
        assert!(WiringForm::TwoLegs { legs: Place::AB }.why_not(neutral).is_some());
        assert!(
            WiringForm::SplitPhase.why_not(neutral).is_none(),
            "the difference of the legs, at most one leg's"
        );
        assert!(WiringForm::SplitPhase.why_not(unbalance).is_some());
        assert!(WiringForm::Wye.why_not(neutral).is_none());
        assert!(WiringForm::OpenDelta { high: None }.why_not(unbalance).is_none());
        let [u2, u0, i0] = [
            Measurand::VoltageNegativeSequence,
            Measurand::VoltageZeroSequence,
            Measurand::CurrentZeroSequence,
        ]
        .map(Quantity::whole);
        assert!(high_leg.why_not(u2).is_none() && high_leg.why_not(u0).is_some());
        assert!(WiringForm::Wye.why_not(u0).is_none() && WiringForm::Wye.why_not(i0).is_none());
        assert!(WiringForm::Delta.why_not(i0).is_some() && WiringForm::SplitPhase.why_not(u2).is_some());
    }
}
