//! Days on which nothing is wrong, though it may look so.

use super::loads::extra;
use super::{DAY, Draft, HOUR, MONDAY};
use crate::load::{Connection, Law};
use crate::trial::fault::What;
use crate::trial::network::Winding;
use crate::trial::plant::{DELTA_V, Load, SWITCHED, Use, WYE_V};
use crate::work::Pattern;

/// A working day.
pub(super) fn plain(_draft: &mut Draft) {}

/// A hot spell of weather: up to 38 °C around the transformers in the afternoon.
pub(super) fn hot_weather(draft: &mut Draft) {
    let hottest = draft.trial.plant.units.iter().map(|unit| unit.room_c).fold(f64::MIN, f64::max);
    let warmer_k = 33.0 - hottest;
    let (from, until) = (draft.trial.from - DAY, draft.trial.to);
    draft.steady(What::Weather { warmer_k }, from, until);
}

/// A small room that the transformer itself warms at 85 to 95 % of its load.
pub(super) fn warm_room(draft: &mut Draft) {
    let unit = &mut draft.trial.plant.units[0];
    unit.room_gain_k = 11.0;
    unit.room_c = unit.room_c.min(23.0);
    let times = draft.pick.between(0.85, 0.95) * draft.rated_va() / draft.installed_va();
    busy(draft, times, draft.trial.from, draft.trial.to);
}

/// The first shift of the week begins with everything at once.
pub(super) fn monday(draft: &mut Draft) {
    draft.day = MONDAY;
    draft.trial.from = MONDAY + 4 * HOUR;
    draft.trial.to = draft.trial.from + 30 * HOUR;
    let times = draft.pick.between(0.85, 0.97) * draft.rated_va() / draft.installed_va();
    let (from, until) = (draft.at(6.0), draft.at(8.5));
    busy(draft, times, from, until);
}

fn busy(draft: &mut Draft, times: f64, from: i64, until: i64) {
    draft.even_out();
    for feeder in draft.trial.plant.feeders_of(0).collect::<Vec<_>>() {
        let amperes = draft.usual_a(feeder) * times;
        draft.build_for(feeder, amperes);
    }
    draft.steady(What::Loads { feeder: None, times }, from, until);
}

/// At night little more than electronics are on: large shares of small amperes.
pub(super) fn night(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Lights).unwrap_or(0);
    let va = draft.pick.between(0.008, 0.015) * draft.rated_va();
    let (from, until) = (draft.trial.from - DAY, draft.trial.to);
    for phase in 0..3 {
        let va = va * draft.pick.between(0.6, 1.4);
        let load = Load { shares: SWITCHED, ..extra(Connection::Single(phase), va, 0.98, Pattern::Always) };
        draft.steady(What::Extra { feeder, load }, from, until);
    }
}

/// Single-phase loads that lean on one phase as they do in every building.
pub(super) fn uneven(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Lights).unwrap_or(0);
    let (to, share) = (draft.pick.index(3), draft.pick.between(0.12, 0.22));
    let (from, until) = (draft.trial.from - DAY, draft.trial.to);
    draft.steady(What::Moved { feeder, to, share }, from, until);
}

/// Meters that give a value a minute.
pub(super) fn minute_meters(draft: &mut Draft) {
    draft.trial.cadence_ms = 60_000;
    draft.trial.to = draft.trial.from + 3 * DAY;
}

/// Instruments two and a half times as far off as good ones.
pub(super) fn poor_instruments(draft: &mut Draft) {
    draft.trial.worse = 2.5;
}

/// A delta with a high leg, and called one: lights and sockets on the two legs of 120 V, everything else on three.
pub(super) fn high_leg(draft: &mut Draft) {
    let unit = &mut draft.trial.plant.units[0];
    (unit.winding, unit.called_wye) = (Winding::HighLeg, false);
    // What is made for 240 V draws as much as its like for 208 V; of the rest such a unit carries less.
    let heaters = (WYE_V / DELTA_V).powi(2);
    for feeder in draft.trial.plant.feeders.iter_mut().filter(|feeder| feeder.unit == 0) {
        let mut halves = Vec::new();
        for load in &mut feeder.loads {
            match (load.connection, load.law) {
                (Connection::Single(1), _) => {
                    load.va /= 4.0;
                    load.connection = Connection::Single(0);
                    halves.push(Load { connection: Connection::Single(2), ..*load });
                }
                (Connection::Single(_), _) => load.va /= 2.0,
                (Connection::Delta, Law::Impedance) => load.va *= heaters,
                _ => {}
            }
        }
        feeder.loads.extend(halves);
    }
}

/// A delta with a grounded corner: three wires, nothing to a neutral. What hangs on one phase elsewhere hangs between two lines here.
pub(super) fn grounded_corner(draft: &mut Draft) {
    draft.trial.plant.units[0].winding = Winding::Corner;
    let heaters = (WYE_V / DELTA_V).powi(2);
    let feeders = draft.trial.plant.feeders.iter_mut().filter(|feeder| feeder.unit == 0);
    for load in feeders.flat_map(|feeder| &mut feeder.loads) {
        if let Connection::Single(phase) = load.connection {
            load.connection = Connection::Lines(phase);
        }
        if load.law == Law::Impedance {
            load.va *= heaters;
        }
    }
}

/// The weekly run of the standby generator with load: the transfer switch goes over, and back two to four hours later. Weaker than the
/// grid, it lets volts and frequency wander and distorts more.
pub(super) fn generator(draft: &mut Draft) {
    draft.trial.plant.units[0].has_standby = true;
    let kva = draft.pick.between(1.1, 1.6) * draft.trial.plant.units[0].kva;
    let from = draft.pick_at(9.0, 13.0);
    let until = from + (draft.pick.between(2.0, 4.0) * HOUR as f64) as i64;
    draft.steady(What::Generator { kva }, from, until);
    for begin in [from, until] {
        let open_ms = (1000.0 * draft.pick.between(0.3, 6.0)) as i64;
        draft.steady(What::Transfer, begin, begin + open_ms);
    }
}

/// Solar power comes back by a feeder in the middle of the day.
pub(super) fn back_feed(draft: &mut Draft) {
    let feeder = draft.trial.plant.serving(Use::Lights).unwrap_or(0);
    let va = -draft.pick.between(0.2, 0.35) * draft.rated_va();
    let amperes = draft.usual_a(feeder) - va / 360.0;
    draft.build_for(feeder, amperes);
    let (from, until) = (draft.at(9.5), draft.at(16.0));
    let load = Load { law: Law::Power, ..extra(Connection::Wye, va, 1.0, Pattern::Always) };
    draft.steady(What::Extra { feeder, load }, from, until);
}
