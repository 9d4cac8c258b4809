//! Meters and sensors that lie.

use super::{Draft, HOUR};
use crate::trial::fault::{What, Wrong};
use crate::trial::network::Winding;

/// The main meter or that of a feeder.
fn some_meter(draft: &mut Draft) -> (String, Option<usize>) {
    if draft.coin() {
        (format!("{} secondary", draft.trial.plant.units[0].name), None)
    } else {
        let feeder = draft.any_feeder();
        (draft.trial.plant.feeders[feeder].name.clone(), Some(feeder))
    }
}

/// A current transformer reversed, two exchanged, or two voltage leads exchanged: since the meter was fitted.
pub(super) fn wiring(draft: &mut Draft) {
    let (meter, feeder) = some_meter(draft);
    let phase = draft.pick.index(3);
    let (how, one) = match draft.pick.index(3) {
        0 => (Wrong::Reversed(phase), Some(phase)),
        1 => (Wrong::AmperesExchanged(phase), None),
        _ => (Wrong::VoltsExchanged(phase), None),
    };
    let (from, until) = (draft.trial.from, draft.trial.to);
    draft.steady(What::Meter { meter, how }, from, until);
    draft.truth(("instrument", "wiring"), feeder, one, (from, until));
}

/// A fuse of a voltage lead is blown; the input floats at up to 45 %.
pub(super) fn fuse(draft: &mut Draft) {
    let (meter, feeder) = some_meter(draft);
    let phase = draft.pick.index(3);
    let left = draft.pick.between(0.02, 0.45);
    let from = draft.pick_at(7.0, 13.0);
    let until = from + (draft.pick.between(2.0, 10.0) * HOUR as f64) as i64;
    draft.steady(What::Meter { meter, how: Wrong::Fuse(phase, left) }, from, until);
    draft.truth(("instrument", "fuse"), feeder, Some(phase), (from, until));
}

/// A winding's sensor drifts, jumps, stands still, or shows what can't be.
pub(super) fn sensor(draft: &mut Draft) {
    let meter = format!("{} sensors", draft.trial.plant.units[0].name);
    let winding = draft.pick.index(3);
    let how = match draft.pick.index(4) {
        0 => Wrong::Drift(winding, draft.pick.between(2.5, 5.0)),
        1 => Wrong::Jump(winding, draft.pick.between(25.0, 45.0)),
        2 => Wrong::Stuck(winding),
        _ => Wrong::Impossible(winding, [-40.0, 850.0][draft.pick.index(2)]),
    };
    let (from, until) = (draft.pick_at(7.0, 11.0), draft.trial.to);
    draft.steady(What::Meter { meter, how }, from, until);
    draft.truth(("instrument", "sensor"), None, Some(winding), (from, until));
}

/// A meter gives nothing for hours.
pub(super) fn silent(draft: &mut Draft) {
    let (meter, feeder) = some_meter(draft);
    let from = draft.pick_at(7.0, 13.0);
    let until = from + (draft.pick.between(1.0, 6.0) * HOUR as f64) as i64;
    draft.steady(What::Meter { meter, how: Wrong::Silent }, from, until);
    draft.truth(("instrument", "silent"), feeder, None, (from, until));
}

/// A delta with a high leg that the configuration calls a wye of 208 V.
pub(super) fn high_leg(draft: &mut Draft) {
    draft.trial.plant.units[0].winding = Winding::HighLeg;
    draft.trial.plant.units[0].called_wye = true;
    let (from, until) = (draft.trial.from, draft.trial.to);
    draft.truth(("instrument", "high-leg"), None, None, (from, until));
}
