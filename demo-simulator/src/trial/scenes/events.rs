//! What happens and is no fault of the transformer: told for the record only.

use super::loads::extra;
use super::{Draft, HOUR};
use crate::load::{Connection, Law};
use crate::trial::fault::What;
use crate::trial::meters::Kind;
use crate::trial::plant::{Load, Use};
use crate::work::Pattern;

const TOO_SLOW: &str = "a value each ten seconds passes by what lasts a second or a few";

/// A feeder's breaker opens, and is closed again after some time.
pub(super) fn trip(draft: &mut Draft) {
    let feeder = draft.any_feeder();
    let from = draft.pick_at(8.0, 15.0);
    let until = from + (draft.pick.between(0.3, 2.0) * HOUR as f64) as i64;
    draft.steady(What::Trip { feeder }, from, until);
    draft.truth(("event", "trip"), Some(feeder), None, (from, until));
}

/// A machine's own transformer is energised a few times a day.
pub(super) fn inrush(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Motors).unwrap_or(0);
    let amperes = draft.pick.between(1.2, 2.2) * draft.trial.plant.feeders[feeder].rated_a;
    let (from, until) = (draft.pick_at(6.0, 8.0), draft.at(20.0));
    let course = draft.spells(from, until, (4.0, 4.0), (3.0 * 3600.0, 5.0 * 3600.0));
    draft.fault(What::Inrush { feeder, amperes }, from, until, course);
    draft.truth(("event", "inrush"), Some(feeder), None, (from, until));
    draft.hidden_from(Kind::Slow, TOO_SLOW);
}

/// A motor starts some times an hour: six times its amperes at a poor power factor for two to five seconds.
pub(super) fn starting_load(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Motors).unwrap_or(0);
    let va = draft.pick.between(1.0, 1.8) * draft.trial.plant.feeders[feeder].rated_a * 360.0;
    let (from, until) = (draft.pick_at(6.0, 8.0), draft.at(20.0));
    let course = draft.spells(from, until, (2.0, 5.0), (900.0, 3600.0));
    let start = Load { law: Law::Impedance, ..extra(Connection::Delta, va, 0.3, Pattern::Always) };
    draft.fault(What::Extra { feeder, load: start }, from, until, course);
    draft.truth(("event", "starting-load"), Some(feeder), None, (from, until));
    draft.hidden_from(Kind::Slow, TOO_SLOW);
}
