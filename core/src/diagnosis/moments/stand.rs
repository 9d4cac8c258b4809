//! Which of the faces that meters show are claimed: what stands before a feeder explains what stands at it.

use super::ear::Ear;
use super::faces::Stand;
use super::train::Trains;
use crate::diagnosis::cause::Cause;
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::look::{Look, of_quantity, of_sign};
use crate::diagnosis::plan::DiagnosisPlan;
use crate::diagnosis::sign::Sign;
use crate::measurand::Measurand;
use crate::plant::{Priority, SideOf};
use crate::time::{EventTime, Span};

/// A contact that let go within this time and stays away now is the same one.
const SAME_CONTACT: Span = Span::hours(24);
/// Faces that began within this time of each other are of one thing.
const TOGETHER: Span = Span::seconds(3);

/// What stands at the load side by one of its meters alone.
pub(super) fn of_load(
    plan: &DiagnosisPlan,
    local: usize,
    ear: &Ear,
    at: EventTime,
    trains: &Trains,
    docket: &mut Docket,
) {
    for face in ear.faces.iter().filter(|face| face.stands(at)) {
        // The meter's own fuse is told from the bus by the other meters.
        if face.cause != Cause::MeterFuse {
            claim(plan, (local, plan.load), face, trains, docket);
        }
    }
}

/// What stands anywhere, at a moment that all meters have passed.
pub(super) fn of_all(look: &Look<'_>, ears: &[Option<Ear>], trains: &Trains, docket: &mut Docket) {
    let (plan, at) = (look.plan, look.end);
    let all = || {
        let ears = ears.iter().enumerate().filter_map(|(local, ear)| Some((local, ear.as_ref()?)));
        ears.flat_map(|(local, ear)| ear.faces.iter().map(move |face| (local, ear.circuit, face)))
    };
    let begun = |face: &Stand| face.since <= at && face.gone.is_none_or(|gone| gone > at);
    let shown_before = |face: &Stand| {
        all().any(|(_, circuit, other)| {
            circuit == plan.load
                && begun(other)
                && match face.cause {
                    Cause::Neutral | Cause::HighLeg => other.cause == face.cause,
                    _ => matches!(other.cause, Cause::LostPhase | Cause::LostPrimaryLine),
                }
        })
    };
    let lines_lost = |except: usize| {
        let mut lost = all();
        lost.any(|(_, circuit, other)| {
            circuit != except && begun(other) && other.cause == Cause::LostPrimaryLine
        })
    };
    for (local, circuit, face) in all() {
        let on_feeder = plan.circuits[circuit].feeder.is_some();
        if !face.stands(at) {
            continue;
        }
        let elsewhere = || {
            let mut others = all();
            others.any(|(_, other_circuit, other)| {
                other_circuit != circuit
                    && matches!(other.cause, Cause::LostPhase | Cause::LostPrimaryLine | Cause::MeterFuse)
                    && (other.since - face.since).0.abs() <= TOGETHER.0
            })
        };
        match face.cause {
            // One meter's fuse moves no other meter.
            Cause::MeterFuse if elsewhere() => {}
            Cause::LostPrimaryLine if on_feeder && (shown_before(face) || has_load_meter(plan, ears)) => {}
            // It hangs on another transformer.
            _ if on_feeder && look.circuits[circuit].elsewhere && face.cause == Cause::LostPrimaryLine => {}
            Cause::LostPrimaryLine => claim(plan, (local, plan.load), face, trains, docket),
            Cause::LostPhase if plan.circuits[circuit].side == Some(SideOf::Primary) => {
                let as_line = Stand { cause: Cause::LostPrimaryLine, ..face.clone() };
                if !lines_lost(circuit) {
                    claim(plan, (local, plan.load), &as_line, trains, docket);
                }
            }
            _ if on_feeder && (shown_before(face) || lines_lost(circuit)) => {}
            _ => claim(plan, (local, circuit), face, trains, docket),
        }
    }
}

/// Whether the load side has a meter of volts that is heard.
fn has_load_meter(plan: &DiagnosisPlan, ears: &[Option<Ear>]) -> bool {
    ears.iter().flatten().any(|ear| ear.circuit == plan.load && ear.has_volts() && ear.last.is_some())
}

fn claim(
    plan: &DiagnosisPlan,
    (local, circuit): (usize, usize),
    face: &Stand,
    trains: &Trains,
    docket: &mut Docket,
) {
    let place = face.place;
    let key = Some(place);
    // What was lost and came back by itself was no fuse. At its next step a face is counted as such a break already.
    let lately = |cause| {
        trains
            .find(cause, circuit, key)
            .map(|train| face.since - train.last)
            .filter(|passed| *passed <= SAME_CONTACT)
    };
    let lets_go = face.cause == Cause::LostPhase
        && (lately(Cause::ConnectionIntermittent).is_some_and(|passed| passed >= Span::ZERO)
            || lately(Cause::LostPhase).is_some_and(|passed| passed > Span::ZERO));
    let cause = if lets_go { Cause::ConnectionIntermittent } else { face.cause };
    if docket.claims.iter().any(|claim| (claim.cause, claim.circuit, claim.place) == (cause, circuit, key)) {
        return;
    }
    let sign = match face.cause {
        Cause::Neutral => Sign::NeutralSpread,
        Cause::HighLeg => Sign::HighLegRatio,
        _ => Sign::VoltsLost,
    };
    let mut mark = of_sign(sign, place, circuit, face.value);
    mark.against = face.against;
    let (priority, sure) = match face.cause {
        Cause::MeterFuse => (Priority::Low, 0.9),
        Cause::HighLeg => (Priority::Low, 0.95),
        Cause::Neutral => (Priority::Urgent, 0.85),
        _ => (Priority::Urgent, 0.93),
    };
    let amperes = face.amperes.map(|(amperes, others)| {
        let mark = of_quantity(Measurand::Current, place, circuit, amperes);
        if face.cause == Cause::MeterFuse { mark } else { mark.against(others) }
    });
    let endangered = (face.turning && face.cause == Cause::LostPrimaryLine).then_some(face.amperes).flatten();
    let endangered = endangered
        .filter(|(_, others)| *others > 0.0)
        .map(|(amperes, others)| of_sign(Sign::TimesTheOthers, place, circuit, amperes / others));
    let mut found =
        Claim::new(cause, circuit, key, priority, mark).weighs(sure).with(amperes).with(endangered);
    found.since = Some(face.since);
    found.meter = Some(local);
    if plan.circuits[circuit].feeder.is_none() && plan.circuits.len() == 1 {
        found = found.lacking(crate::diagnosis::finding::Lack::FeederMeters);
    }
    docket.claim(found);
}
