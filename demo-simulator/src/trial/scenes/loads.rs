//! Loads: too much, on one phase, in peaks, growing.

use super::{DAY, Draft};
use crate::load::{Connection, Law};
use crate::trial::fault::{Course, What};
use crate::trial::plant::{CLEAN, Load};
use crate::work::Pattern;

/// A further load of the hall.
pub(super) fn extra(connection: Connection, va: f64, power_factor: f64, pattern: Pattern) -> Load {
    Load { connection, va, power_factor, law: Law::Power, shares: CLEAN, pattern }
}

/// 115 to 135 % of the rating from the morning on; by more work everywhere, or by a new machine on one feeder.
pub(super) fn whole_unit(draft: &mut Draft) {
    let wanted = draft.pick.between(1.15, 1.35) * draft.rated_va();
    let (from, until) = (draft.pick_at(7.0, 10.0), draft.at(21.5));
    let feeder = if draft.coin() {
        let times = wanted / draft.installed_va();
        for feeder in draft.trial.plant.feeders_of(0).collect::<Vec<_>>() {
            let amperes = draft.usual_a(feeder) * times;
            draft.build_for(feeder, amperes);
        }
        draft.steady(What::Loads { feeder: None, times }, from, until);
        None
    } else {
        let feeder = draft.any_feeder();
        let va = wanted - draft.installed_va();
        let amperes = draft.usual_a(feeder) + va / 360.0;
        draft.build_for(feeder, amperes);
        let load = extra(Connection::Motor, va, 0.87, Pattern::Shifts);
        draft.steady(What::Extra { feeder, load }, from, until);
        Some(feeder)
    };
    draft.truth(("overload", "whole-unit"), feeder, None, (from, until));
}

/// One phase at 118 to 135 % of its rated amperes while the unit as a whole is not above its kVA.
pub(super) fn one_phase(draft: &mut Draft) {
    let (feeder, phase) = (draft.any_feeder(), draft.pick.index(3));
    let va = (draft.pick.between(1.18, 1.35) * draft.rated_va() - draft.installed_va()) / 3.0;
    let amperes = draft.usual_a(feeder) + va / 120.0;
    draft.build_for(feeder, amperes);
    let (from, until) = (draft.pick_at(7.0, 10.0), draft.at(21.5));
    let load = extra(Connection::Single(phase), va, 0.97, Pattern::Shifts);
    draft.steady(What::Extra { feeder, load }, from, until);
    draft.truth(("overload", "one-phase"), Some(feeder), Some(phase), (from, until));
    draft.also(&[("unbalance", "load")]);
}

/// 140 to 170 % for some minutes, again and again.
pub(super) fn repeated_peaks(draft: &mut Draft) {
    let feeder = draft.any_feeder();
    let va = draft.pick.between(1.4, 1.7) * draft.rated_va() - draft.installed_va();
    let amperes = draft.usual_a(feeder) + va / 360.0;
    draft.build_for(feeder, amperes);
    let (from, until) = (draft.pick_at(7.0, 9.0), draft.at(21.0));
    let course = draft.spells(from, until, (150.0, 420.0), (900.0, 1800.0));
    let load = extra(Connection::Delta, va, 0.98, Pattern::Shifts);
    draft.fault(What::Extra { feeder, load }, from, until, course);
    draft.truth(("overload", "repeated-peaks"), Some(feeder), None, (from, until));
}

/// From a usual load to 112 to 125 % of the rating within three weeks.
pub(super) fn slow_growth(draft: &mut Draft) {
    let times = draft.pick.between(1.12, 1.25) * draft.rated_va() / draft.installed_va();
    draft.trial.cadence_ms = 60_000;
    draft.trial.to = draft.trial.from + 21 * DAY;
    for feeder in draft.trial.plant.feeders_of(0).collect::<Vec<_>>() {
        let amperes = draft.usual_a(feeder) * times;
        draft.build_for(feeder, amperes);
    }
    let (from, until) = (draft.trial.from, draft.trial.to);
    draft.fault(What::Loads { feeder: None, times }, from, until, Course::Growing);
    draft.truth(("overload", "slow-growth"), None, None, (from, until));
    draft.also(&[("overload", "whole-unit")]);
}

/// A new single-phase load brings one phase to 85 to 97 % while the two others stay where they were.
pub(super) fn unbalance(draft: &mut Draft) {
    let (feeder, phase) = (draft.any_feeder(), draft.pick.index(3));
    let va = (draft.pick.between(0.85, 0.97) * draft.rated_va() - draft.installed_va()) / 3.0;
    let amperes = draft.usual_a(feeder) + va / 120.0;
    draft.build_for(feeder, amperes);
    let (from, until) = (draft.pick_at(7.0, 11.0), draft.at(21.5));
    let load = extra(Connection::Single(phase), va, 0.97, Pattern::Shifts);
    draft.steady(What::Extra { feeder, load }, from, until);
    draft.truth(("unbalance", "load"), Some(feeder), Some(phase), (from, until));
}
