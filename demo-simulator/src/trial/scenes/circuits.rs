//! The supply, lost conductors, neutrals and contacts.

use super::{Draft, HOUR};
use crate::trial::fault::{Course, What};
use crate::trial::meters::Kind;
use crate::trial::network::OPEN_OHMS;
use crate::trial::plant::{Unit, Use};

const TOO_SLOW: &str = "a value each ten seconds passes by what lasts a few seconds";

/// One line of the supply 3.5 to 6 % low for hours.
pub(super) fn supply_unbalance(draft: &mut Draft) {
    let line = draft.pick.index(3);
    let mut times = [1.0; 3];
    times[line] = draft.pick.between(0.94, 0.965);
    let from = draft.pick_at(7.0, 11.0);
    let until = from + (draft.pick.between(5.0, 12.0) * HOUR as f64) as i64;
    draft.steady(What::Source { times }, from, until);
    draft.truth(("unbalance", "supply"), None, None, (from, until));
    draft.everywhere();
}

/// A phase is lost for 20 to 90 minutes: at a feeder or within the transformer's own secondary.
pub(super) fn lost_phase(draft: &mut Draft) {
    let phase = draft.pick.index(3);
    let from = draft.pick_at(8.0, 15.0);
    let until = from + (draft.pick.between(0.33, 1.5) * HOUR as f64) as i64;
    let feeder = draft.coin().then(|| draft.any_feeder());
    let what = match feeder {
        Some(feeder) => What::Contact { feeder, phase, ohms: OPEN_OHMS },
        None => What::Terminal { phase, ohms: OPEN_OHMS },
    };
    draft.steady(what, from, until);
    draft.truth(("unbalance", "lost-phase"), feeder, Some(phase), (from, until));
}

/// A primary line of the delta is open for 15 to 60 minutes.
pub(super) fn lost_primary_line(draft: &mut Draft) {
    let line = draft.pick.index(3);
    let from = draft.pick_at(8.0, 15.0);
    let until = from + (draft.pick.between(0.25, 1.0) * HOUR as f64) as i64;
    draft.steady(What::PrimaryLine { line }, from, until);
    draft.truth(("unbalance", "lost-primary-line"), None, None, (from, until));
}

/// The neutral of a feeder with uneven single-phase loads is lost or has become loose.
pub(super) fn neutral(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Lights).unwrap_or(0);
    let (to, share) = (draft.pick.index(3), draft.pick.between(0.3, 0.6));
    let (begin, end) = (draft.trial.from, draft.trial.to);
    draft.steady(What::Moved { feeder, to, share }, begin, end);
    let usual = draft.usual_a(feeder);
    draft.build_for(feeder, 1.8 * usual);
    let from = draft.pick_at(8.0, 12.0);
    let until = from + (draft.pick.between(3.0, 8.0) * HOUR as f64) as i64;
    // Lost, or loose: then it takes 6 to 12 V at the neutral's amperes.
    let ohms =
        if draft.coin() { OPEN_OHMS } else { draft.pick.between(6.0, 12.0) / (share * usual).max(1.0) };
    draft.steady(What::Neutral { feeder, ohms }, from, until);
    draft.truth(("unbalance", "neutral"), Some(feeder), None, (from, until));
}

/// A contact that grows worse over two days until it makes 25 to 60 W at the usual amperes.
pub(super) fn steady_contact(draft: &mut Draft) {
    let phase = draft.pick.index(3);
    let watts = draft.pick.between(25.0, 60.0);
    draft.trial.to = draft.trial.from + 54 * HOUR;
    let (from, until) = (draft.pick_at(8.0, 12.0), draft.trial.to);
    let feeder = (draft.pick.index(4) > 0).then(|| draft.any_feeder());
    let what = match feeder {
        Some(feeder) => What::Contact { feeder, phase, ohms: watts / draft.usual_a(feeder).powi(2) },
        // A termination without a cable end beside it gets hot with half of that.
        None => What::Terminal { phase, ohms: 0.5 * watts / (draft.installed_va() / 360.0).powi(2) },
    };
    draft.fault(what, from, until, Course::Growing);
    draft.truth(("loose-connection", "steady"), feeder, Some(phase), (from, until));
    if feeder.is_none() {
        let why = "a termination of the transformer lies behind its meter: only its own sensor shows it";
        draft.hidden_from(Kind::NoTerminations, why);
    }
}

/// A phase of a feeder lets go for 2 to 9 seconds, again and again.
pub(super) fn intermittent_contact(draft: &mut Draft) {
    let (feeder, phase) = (draft.any_feeder(), draft.pick.index(3));
    // From a contact that takes an eighth of the volts to one that lets go altogether.
    let ohms = if draft.coin() { 2000.0 } else { draft.pick.between(15.0, 60.0) / draft.usual_a(feeder) };
    let (from, until) = (draft.pick_at(7.0, 10.0), draft.at(20.0));
    let every = draft.pick.between(120.0, 1500.0);
    let course = draft.spells(from, until, (2.0, 9.0), (0.7 * every, 1.3 * every));
    draft.fault(What::Contact { feeder, phase, ohms }, from, until, course);
    draft.truth(("loose-connection", "intermittent"), Some(feeder), Some(phase), (from, until));
    draft.hidden_from(Kind::Slow, TOO_SLOW);
}

/// A few sags of the supply, one to five seconds. Behind a delta a sag of one line is shared by two phases and so milder:
/// one line falls to 35 to 60 %, several to 55 to 82 %.
pub(super) fn sag(draft: &mut Draft) {
    disturbance(draft, [(0.35, 0.6), (0.55, 0.8), (0.6, 0.82)], "sag");
}

/// A few swells of the supply, one to five seconds.
pub(super) fn swell(draft: &mut Draft) {
    disturbance(draft, [(1.28, 1.36), (1.2, 1.28), (1.14, 1.22)], "swell");
}

/// `levels`: where one, two or three lines are struck.
fn disturbance(draft: &mut Draft, levels: [(f64, f64); 3], variant: &'static str) {
    let lines = draft.pick.index(3);
    let first = draft.pick.index(3);
    let level = draft.pick.between(levels[lines].0, levels[lines].1);
    let times = std::array::from_fn(|k| if (k + 3 - first) % 3 <= lines { level } else { 1.0 });
    let (from, until) = (draft.pick_at(7.0, 10.0), draft.at(20.0));
    let course = draft.spells(from, until, (1.5, 5.0), (4000.0, 9000.0));
    draft.fault(What::Source { times }, from, until, course);
    draft.truth(("supply", variant), None, None, (from, until));
    draft.everywhere();
    draft.hidden_from(Kind::Slow, TOO_SLOW);
}

/// The supply stands 8 to 11 % above the tap for a day.
pub(super) fn over_excited(draft: &mut Draft) {
    let times = [draft.pick.between(1.09, 1.11); 3];
    let (from, until) = (draft.pick_at(6.0, 9.0), draft.trial.to);
    draft.steady(What::Source { times }, from, until);
    draft.truth(("core", "over-excited"), None, None, (from, until));
    draft.everywhere();
}

/// Two units of one rating on one bus, the first with 55 to 65 % of the other's impedance, so that it carries more than its
/// plate while both together are within theirs.
pub(super) fn unequal_sharing(draft: &mut Draft) {
    let less = draft.pick.between(0.55, 0.65);
    let plant = &mut draft.trial.plant;
    plant.units.truncate(1);
    plant.feeders.retain(|feeder| feeder.unit == 0);
    let other = Unit { name: "T2".to_owned(), ..plant.units[0].clone() };
    plant.units.push(other);
    plant.units[0].resistance_percent *= less;
    plant.units[0].reactance_percent *= less;
    plant.parallel = true;
    let times = draft.pick.between(1.75, 1.9) * draft.rated_va() / draft.installed_va();
    for feeder in draft.trial.plant.feeders_of(0).collect::<Vec<_>>() {
        let amperes = draft.usual_a(feeder) * times;
        draft.build_for(feeder, amperes);
    }
    let (from, until) = (draft.trial.from, draft.trial.to);
    draft.steady(What::Loads { feeder: None, times }, from, until);
    draft.truth(("sharing", "unequal"), None, None, (from, until));
    draft.also(&[("overload", "whole-unit"), ("overload", "one-phase")]);
}
