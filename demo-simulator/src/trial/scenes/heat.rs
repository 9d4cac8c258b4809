//! Cooling.

use super::Draft;
use crate::trial::fault::What;

/// Vents covered: 30 to 50 % of the cooling is left.
pub(super) fn blocked(draft: &mut Draft) {
    let left = draft.pick.between(0.3, 0.5);
    let (from, until) = (draft.pick_at(6.0, 9.0), draft.trial.to);
    draft.steady(What::Vents { left }, from, until);
    draft.truth(("cooling", "blocked"), None, None, (from, until));
}

/// A unit that runs its fans for most of a shift, within its rating without them; and they don't start.
pub(super) fn fan(draft: &mut Draft) {
    draft.even_out();
    let times = draft.pick.between(0.86, 0.95) * draft.rated_va() / draft.installed_va();
    for feeder in draft.trial.plant.feeders_of(0).collect::<Vec<_>>() {
        let amperes = draft.usual_a(feeder) * times;
        draft.build_for(feeder, amperes);
    }
    draft.trial.plant.units[0].fans = true;
    let (begin, end) = (draft.trial.from, draft.trial.to);
    draft.steady(What::Loads { feeder: None, times }, begin, end);
    let (from, until) = (draft.pick_at(8.0, 12.0), draft.trial.to);
    draft.steady(What::FansStop, from, until);
    draft.truth(("cooling", "fan"), None, None, (from, until));
}

/// The room's own ventilation has failed: 18 to 26 K warmer.
pub(super) fn hot_room(draft: &mut Draft) {
    let warmer_k = draft.pick.between(18.0, 26.0);
    let (from, until) = (draft.pick_at(6.0, 9.0), draft.trial.to);
    draft.steady(What::Room { warmer_k }, from, until);
    draft.truth(("cooling", "hot-room"), None, None, (from, until));
}
