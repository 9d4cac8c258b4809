//! Loads with harmonics of all kinds.

use super::loads::extra;
use super::{Draft, HOUR};
use crate::load::Connection;
use crate::trial::fault::What;
use crate::trial::meters::Kind;
use crate::trial::plant::{BARE_DRIVE, Load, SWITCHED, Use};
use crate::work::Pattern;

const NO_ORDERS: &str = "a meter without orders and distortion does not show which orders there are";

/// Room for a further load whose harmonics add this to its amperes, so that the unit stays within its plate.
fn room_va(draft: &Draft, rms: f64) -> f64 {
    (0.92 * draft.rated_va() - draft.installed_va()) / rms
}

/// Electronics without correction on all three phases of a feeder.
pub(super) fn triplen(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Lights).unwrap_or(0);
    let va = (draft.pick.between(0.12, 0.16) * draft.rated_va()).min(room_va(draft, 1.25) / 3.0);
    let amperes = draft.usual_a(feeder) + va / 120.0;
    draft.build_for(feeder, 1.3 * amperes);
    let (from, until) = (draft.pick_at(7.0, 9.0), draft.at(21.5));
    for phase in 0..3 {
        let load = Load { shares: SWITCHED, ..extra(Connection::Single(phase), va, 0.98, Pattern::Shifts) };
        draft.steady(What::Extra { feeder, load }, from, until);
    }
    draft.truth(("harmonics", "triplen"), Some(feeder), None, (from, until));
}

/// A drive without a reactor, 30 to 40 % of the unit's rating.
pub(super) fn five_seven(draft: &mut Draft) {
    let va = (draft.pick.between(0.3, 0.4) * draft.rated_va()).min(room_va(draft, 1.2));
    three_phase(draft, va, BARE_DRIVE, "five-seven");
}

/// A three-phase converter that fires unevenly.
pub(super) fn even_orders(draft: &mut Draft) {
    let va = (draft.pick.between(0.2, 0.3) * draft.rated_va()).min(room_va(draft, 1.05));
    three_phase(draft, va, [0.22, 0.0, 0.12, 0.2, 0.1, 0.0, 0.06, 0.04], "even-orders");
}

fn three_phase(draft: &mut Draft, va: f64, shares: [f64; 8], variant: &'static str) {
    let feeder = draft.any_feeder();
    let amperes = draft.usual_a(feeder) + 1.2 * va / 360.0;
    draft.build_for(feeder, amperes);
    let (from, until) = (draft.pick_at(7.0, 10.0), draft.at(21.5));
    let load = Load { shares, ..extra(Connection::Delta, va, 0.97, Pattern::Shifts) };
    draft.steady(What::Extra { feeder, load }, from, until);
    draft.truth(("harmonics", variant), Some(feeder), None, (from, until));
    draft.hidden_from(Kind::NoHarmonics, NO_ORDERS);
}

/// A capacitor meets the transformer's reactance near the fifth or seventh order; a drive that runs day and night excites
/// it, and at night nothing damps it.
pub(super) fn resonance(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Drives).unwrap_or(0);
    let order = [5.0, 7.0][draft.pick.index(2)] * draft.pick.between(0.98, 1.02);
    let unit = &draft.trial.plant.units[0];
    let short_circuit_va = draft.rated_va() / (unit.reactance_percent / 100.0);
    let var = short_circuit_va / (order * order) / 3.0;
    let usual = draft.usual_a(feeder);
    draft.build_for(feeder, usual + 1.4 * var / 120.0);
    let drive = draft.trial.plant.feeders[feeder].loads[0];
    let small = Load { va: 0.06 * draft.rated_va(), pattern: Pattern::Always, ..drive };
    let (begin, end) = (draft.trial.from, draft.trial.to);
    draft.steady(What::Extra { feeder, load: small }, begin, end);
    let (from, until) = (draft.pick_at(12.0, 16.0), draft.trial.to);
    draft.steady(What::Capacitor { feeder, var }, from, until);
    draft.truth(("harmonics", "resonance"), Some(feeder), None, (from, until));
    // Capacitors for the fifth order are larger than the unit's rating: their amperes overload it.
    draft.also(&[("overload", "whole-unit")]);
    draft.hidden_from(Kind::NoHarmonics, NO_ORDERS);
}

/// A drive draws by two of its lines.
pub(super) fn drive_input_fuse(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Drives).unwrap_or(0);
    let line = draft.pick.index(3);
    let from = draft.pick_at(8.0, 12.0);
    let until = from + (draft.pick.between(3.0, 8.0) * HOUR as f64) as i64;
    draft.steady(What::DriveFuse { feeder, line }, from, until);
    draft.truth(("harmonics", "drive-input-fuse"), Some(feeder), Some(line), (from, until));
    draft.hidden_from(Kind::NoHarmonics, NO_ORDERS);
}

/// A load that draws in every other half-wave: second and fourth order of half-wave rectification (0.424 and 0.085 of the
/// fundamental, by its Fourier series) on one phase.
pub(super) fn half_wave(draft: &mut Draft) {
    let (feeder, phase) = (draft.any_feeder(), draft.pick.index(3));
    let va = draft.pick.between(0.09, 0.15) * draft.rated_va() / 3.0;
    let amperes = draft.usual_a(feeder) + va / 120.0;
    draft.build_for(feeder, amperes);
    let shares = [0.424, 0.0, 0.085, 0.0, 0.0, 0.0, 0.0, 0.0];
    let (from, until) = (draft.pick_at(7.0, 11.0), draft.at(21.5));
    let load = Load { shares, ..extra(Connection::Single(phase), va, 1.0, Pattern::Always) };
    draft.steady(What::Extra { feeder, load }, from, until);
    draft.truth(("core", "half-wave"), Some(feeder), Some(phase), (from, until));
    draft.hidden_from(Kind::NoHarmonics, NO_ORDERS);
}
