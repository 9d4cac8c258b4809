//! Which alarms a cause explains: by what they measure and where. One table; by it alarms become one alert.

use super::cause::Cause;
use super::finding::Finding;
use crate::measurand::Measurand;
use crate::output::{Matter, Subject};
use crate::phases::Place;

/// How far what a cause does is seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reach {
    /// At the circuit to which it is traced.
    Here,
    /// There and at the transformer.
    Up,
    /// There and at everything that the transformer feeds.
    Down,
    /// All over the transformer and what it feeds.
    All,
}

/// What warms with the load and the losses of the transformer.
const HEAT: &[Measurand] = {
    use Measurand::{
        AgeingHours, AgeingRate, Core, Enclosure, HotSpot, LoadTimeLeft, TemperatureSwitch, TopOil,
        TopOilResidual, Winding, WindingResidual, WindingRise,
    };
    &[
        AgeingHours,
        AgeingRate,
        Core,
        Enclosure,
        HotSpot,
        LoadTimeLeft,
        TemperatureSwitch,
        TopOil,
        TopOilResidual,
        Winding,
        WindingResidual,
        WindingRise,
    ]
};

/// What shows of a load that is too large.
const LOAD: &[Measurand] = {
    use Measurand::{
        ApparentPower, Current, DemandApparent, DemandBlock, DemandCurrent, DemandPower, DemandSliding,
        Headroom, HeadroomWeek, LoadingKva, LoadingPhase, NetPower, PermissibleLoad, Power, SoundLevel,
        SpectrumLoading, Termination, TerminationRise,
    };
    &[
        ApparentPower,
        Current,
        DemandApparent,
        DemandBlock,
        DemandCurrent,
        DemandPower,
        DemandSliding,
        Headroom,
        HeadroomWeek,
        LoadingKva,
        LoadingPhase,
        NetPower,
        PermissibleLoad,
        Power,
        SoundLevel,
        SpectrumLoading,
        Termination,
        TerminationRise,
    ]
};

/// What shows of phases that are unequal.
const UNEQUAL_VOLTS: &[Measurand] = {
    use Measurand::{
        VoltageLl, VoltageLn, VoltageNegativeSequence, VoltagePositiveSequence, VoltageUnbalance,
        VoltageZeroSequence,
    };
    &[
        VoltageLl,
        VoltageLn,
        VoltageNegativeSequence,
        VoltagePositiveSequence,
        VoltageUnbalance,
        VoltageZeroSequence,
    ]
};

const UNEQUAL_AMPERES: &[Measurand] = {
    use Measurand::{
        CurrentNegativeSequence, CurrentPositiveSequence, CurrentUnbalance, CurrentZeroSequence,
        LoadingPhase, NeutralCurrent, NeutralLoading, NeutralOverPhase,
    };
    &[
        CurrentNegativeSequence,
        CurrentPositiveSequence,
        CurrentUnbalance,
        CurrentZeroSequence,
        LoadingPhase,
        NeutralCurrent,
        NeutralLoading,
        NeutralOverPhase,
    ]
};

/// What shows of a spectrum.
const SPECTRUM: &[Measurand] = {
    use Measurand::{
        CurrentHarmonic, CurrentHarmonicAmperes, CurrentTdd, CurrentThd, DistortionCurrent, EvenCurrent,
        HarmonicLossFactor, KFactor, OddCurrent, PermissibleLoad, SecondOrder, SoundLevel, SoundToneExcess,
        SpectrumKFactor, SpectrumLoading, SpectrumLossFactor, VibrationToneExcess, VoltageHarmonic,
        VoltageHarmonicVolts, VoltageThd,
    };
    &[
        CurrentHarmonic,
        CurrentHarmonicAmperes,
        CurrentTdd,
        CurrentThd,
        DistortionCurrent,
        EvenCurrent,
        HarmonicLossFactor,
        KFactor,
        OddCurrent,
        PermissibleLoad,
        SecondOrder,
        SoundLevel,
        SoundToneExcess,
        SpectrumKFactor,
        SpectrumLoading,
        SpectrumLossFactor,
        VibrationToneExcess,
        VoltageHarmonic,
        VoltageHarmonicVolts,
        VoltageThd,
    ]
};

const TRIPLEN: &[Measurand] = {
    use Measurand::{
        BondingCurrent, NeutralCurrent, NeutralLoading, NeutralOverPhase, NeutralToEarth, NeutralUnexplained,
        TriplenCurrent,
    };
    &[
        BondingCurrent,
        NeutralCurrent,
        NeutralLoading,
        NeutralOverPhase,
        NeutralToEarth,
        NeutralUnexplained,
        TriplenCurrent,
    ]
};

/// Power that goes with the phases.
const POWERS: &[Measurand] = {
    use Measurand::{ApparentPower, Current, Power, PowerFactor, ReactivePower};
    &[ApparentPower, Current, Power, PowerFactor, ReactivePower]
};

const LEVEL: &[Measurand] = &[
    Measurand::VoltageLl,
    Measurand::VoltageLn,
    Measurand::VoltagePositiveSequence,
    Measurand::TapVoltage,
    Measurand::Excitation,
];

const JOINT: &[Measurand] = &[
    Measurand::Termination,
    Measurand::TerminationRise,
    Measurand::TerminationExcess,
    Measurand::ContactHeat,
    Measurand::NeutralToEarth,
];

const CORE: &[Measurand] = &[
    Measurand::SoundLevel,
    Measurand::SoundToneExcess,
    Measurand::Vibration,
    Measurand::VibrationToneExcess,
    Measurand::CoreStrapCurrent,
    Measurand::SecondOrder,
    Measurand::EvenCurrent,
];

const ROOM: &[Measurand] = &[Measurand::Ambient];
const FANS: &[Measurand] = &[Measurand::FanShortfall, Measurand::FanRunning];
const OVER_EXCITED: &[Measurand] = &[Measurand::Excitation, Measurand::TapVoltage];

/// What a cause does (common practice, no source), and how far it is seen.
fn shows(cause: Cause) -> (&'static [&'static [Measurand]], Reach) {
    match cause {
        // Of the transformer, traced to a feeder, it is told there.
        Cause::OverloadUnit | Cause::OverloadPeaks | Cause::OverloadGrowth => (&[LOAD, HEAT], Reach::Up),
        Cause::OverloadPhase => (&[LOAD, HEAT, UNEQUAL_AMPERES], Reach::Up),
        Cause::Unequal => (&[LOAD, HEAT], Reach::Here),
        Cause::UnbalanceSupply => (&[UNEQUAL_VOLTS, UNEQUAL_AMPERES], Reach::All),
        Cause::LostPhase => (&[UNEQUAL_VOLTS, UNEQUAL_AMPERES, POWERS], Reach::Down),
        Cause::LostPrimaryLine => (&[UNEQUAL_VOLTS, UNEQUAL_AMPERES, POWERS, CORE], Reach::All),
        Cause::UnbalanceLoad => (&[UNEQUAL_VOLTS, UNEQUAL_AMPERES, POWERS], Reach::Up),
        Cause::Neutral => (&[UNEQUAL_VOLTS, TRIPLEN, JOINT], Reach::Down),
        Cause::Triplen => (&[SPECTRUM, TRIPLEN, HEAT], Reach::Up),
        Cause::FiveSeven | Cause::EvenOrders | Cause::Resonance => (&[SPECTRUM, HEAT], Reach::Up),
        Cause::DriveFuse => (&[SPECTRUM, TRIPLEN, UNEQUAL_AMPERES], Reach::Up),
        Cause::ConnectionSteady | Cause::ConnectionIntermittent => (&[JOINT, UNEQUAL_VOLTS], Reach::Here),
        Cause::CoolingBlocked => (&[HEAT], Reach::Here),
        Cause::CoolingFan => (&[HEAT, FANS], Reach::Here),
        Cause::HotRoom => (&[HEAT, ROOM], Reach::Here),
        Cause::Sag => (&[LEVEL], Reach::All),
        Cause::Swell => (&[LEVEL, CORE], Reach::All),
        Cause::OverExcited => (&[LEVEL, OVER_EXCITED, CORE], Reach::All),
        Cause::HalfWave => (&[CORE, SPECTRUM], Reach::Up),
        Cause::MeterWiring | Cause::HighLeg => {
            (&[UNEQUAL_VOLTS, UNEQUAL_AMPERES, POWERS, LEVEL], Reach::Here)
        }
        Cause::MeterFuse => (&[UNEQUAL_VOLTS, POWERS, LEVEL], Reach::Here),
        Cause::SensorFailed => (&[HEAT, ROOM, JOINT], Reach::Here),
        // What is not measured is told by the meter's own alarms.
        Cause::MeterSilent | Cause::Trip | Cause::Inrush | Cause::StartingLoad => (&[], Reach::Here),
    }
}

/// Whether a cause stays told after nothing of it shows, until a named person says what was found: it only rests while the
/// load is low.
pub(crate) fn stays(cause: Cause) -> bool {
    matches!(
        cause,
        Cause::ConnectionSteady
            | Cause::ConnectionIntermittent
            | Cause::Neutral
            | Cause::LostPhase
            | Cause::LostPrimaryLine
    )
}

/// Whether two causes at one place are two words for one fault, of which the later knows more.
pub(crate) fn is_one_fault(one: Cause, other: Cause) -> bool {
    let twins = |cause: Cause| {
        matches!(
            cause,
            Cause::OverloadUnit
                | Cause::OverloadPhase
                | Cause::OverloadPeaks
                | Cause::OverloadGrowth
                | Cause::ConnectionSteady
                | Cause::ConnectionIntermittent
        )
    };
    one == other || (one.family() == other.family() && twins(one) && twins(other))
}

/// How well a finding explains alarms about a subject, the closer the more; `None`: not at all.
pub(crate) fn closeness(finding: &Finding, subject: &Subject) -> Option<u8> {
    if subject.transformer.as_deref() != Some(finding.transformer.as_str()) {
        return None;
    }
    let (measurands, reach) = shows(finding.cause);
    let same = subject.feeder == finding.feeder;
    let reached = match reach {
        Reach::Here => same,
        Reach::Up => same || subject.feeder.is_none(),
        Reach::Down => same || finding.feeder.is_none(),
        Reach::All => true,
    };
    let quantity = match &subject.matter {
        Matter::Quantity(quantity) | Matter::Rate(quantity) => *quantity,
        _ => return None,
    };
    let explained = measurands.iter().any(|group| group.contains(&quantity.what));
    let exact = finding.place == Some(quantity.place);
    let is_joint = JOINT.contains(&quantity.what) && quantity.place != Place::Whole;
    let touched = finding.place.is_none_or(|at| if is_joint { exact } else { touches(at, quantity.place) });
    (reached && explained && touched).then(|| 2 * u8::from(same) + u8::from(exact))
}

/// Whether what happens at one place shows at another.
fn touches(cause: Place, shown: Place) -> bool {
    let lines = |place| match place {
        Place::A => [Place::AB, Place::CA],
        Place::B => [Place::AB, Place::BC],
        Place::C => [Place::BC, Place::CA],
        _ => [place, place],
    };
    match (cause, shown) {
        (Place::Whole | Place::N, _) | (_, Place::Whole) => true,
        (one, other) => one == other || lines(one).contains(&other) || lines(other).contains(&one),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurand::Quantity;
    use crate::plant::Priority;
    use crate::time::EventTime;

    fn finding(cause: Cause, feeder: Option<&str>, place: Option<Place>) -> Finding {
        Finding {
            cause,
            transformer: "T2".to_owned(),
            feeder: feeder.map(str::to_owned),
            place,
            since: EventTime(0),
            priority: Priority::High,
            confidence: 0.9,
            evidence: Vec::new(),
            ruled_out: Vec::new(),
            pattern: None,
            shares: Vec::new(),
            lacks: Vec::new(),
            meter_first: None,
        }
    }

    fn subject(feeder: Option<&str>, key: &str) -> Subject {
        Subject {
            transformer: Some("T2".to_owned()),
            feeder: feeder.map(str::to_owned),
            meter: Some("a meter".to_owned()),
            matter: Matter::Quantity(Quantity::from_key(key).expect("a key of the table")),
        }
    }

    #[test]
    fn a_bad_joint_explains_its_own_heat_and_volts_and_nobody_elses() {
        let lug = finding(Cause::ConnectionSteady, Some("MP-3"), Some(Place::B));
        let closeness = |feeder, key| closeness(&lug, &subject(feeder, key));
        assert_eq!(closeness(Some("MP-3"), "termination_c.B.1"), Some(3));
        assert_eq!(closeness(Some("MP-3"), "voltage_unbalance_percent"), Some(2));
        assert_eq!(closeness(Some("MP-3"), "voltage_ll_v.BC"), Some(2));
        for (feeder, key) in [
            (Some("MP-3"), "termination_c.A.1"),
            (Some("MP-3"), "voltage_ll_v.CA"),
            (Some("MP-3"), "current_a.B"),
            (Some("MP-1"), "voltage_unbalance_percent"),
            (None, "voltage_unbalance_percent"),
        ] {
            assert_eq!(closeness(feeder, key), None, "{key}");
        }
    }

    #[test]
    fn what_comes_from_the_supply_is_seen_everywhere_and_what_a_load_does_also_at_the_transformer() {
        let supply = finding(Cause::UnbalanceSupply, None, None);
        assert!(closeness(&supply, &subject(Some("MP-3"), "voltage_unbalance_percent")).is_some());
        let triplen = finding(Cause::Triplen, Some("MP-3"), None);
        assert!(closeness(&triplen, &subject(None, "neutral_current_a")).is_some());
        assert_eq!(closeness(&triplen, &subject(Some("MP-1"), "neutral_current_a")), None);
        let other = Subject { transformer: Some("T1".to_owned()), ..subject(None, "neutral_current_a") };
        assert_eq!(closeness(&triplen, &other), None, "scopes share nothing");
    }

    /// One phase above its rating is unequal amperes too.
    #[test]
    fn an_overload_traced_to_a_feeder_explains_the_alarms_of_the_transformer() {
        let phase = finding(Cause::OverloadPhase, Some("MP-3"), Some(Place::B));
        for key in ["current_unbalance_percent", "current_a.B", "loading_phase_percent"] {
            assert!(closeness(&phase, &subject(None, key)).is_some(), "{key}");
            assert_eq!(closeness(&phase, &subject(Some("MP-1"), key)), None, "{key}");
        }
        let whole = finding(Cause::OverloadUnit, Some("MP-3"), None);
        assert!(closeness(&whole, &subject(None, "loading_kva_percent")).is_some());
        assert_eq!(closeness(&whole, &subject(None, "current_unbalance_percent")), None);
    }

    #[test]
    fn every_cause_that_is_a_fault_explains_something() {
        for cause in Cause::ALL {
            let (measurands, _) = shows(*cause);
            let event = cause.family() == super::super::cause::Family::Event;
            assert_eq!(measurands.is_empty(), event || *cause == Cause::MeterSilent, "{cause:?}");
        }
    }
}
