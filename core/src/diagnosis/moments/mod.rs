//! What happens within seconds: seen reading by reading, since a break of two seconds drowns in ten seconds' mean.
//!
//! Each meter of volts or amperes has an ear ([`ear`]): what is usual, what departs from it ([`excursion`]), which faces of a lost
//! conductor stand ([`faces`]). What departed is judged with all that departed elsewhere at that time ([`tell`]) at the step of the grid,
//! which every live meter has passed: until then an ear holds its readings back, so that no order of arrival changes what it
//! hears. How it comes again is kept ([`train`]). The faces of the load side wait for nobody: nothing lies before it, and an ear of its
//! own listens for them at once.

mod ear;
mod excursion;
mod faces;
mod heard;
mod stand;
mod start;
mod tell;
mod train;

use super::book::FindingBook;
use super::cause::{Cause, Family};
use super::docket::{Claim, Docket};
use super::finding::Lack;
use super::look::{Look, of_sign};
use super::plan::{DiagnosisPlan, MeterPlace};
use super::sign::Sign;
use crate::output::Output;
use crate::phases::Place;
use crate::plant::Priority;
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use ear::{Ear, shape};
use heard::Notice;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use tell::{AT_ONCE, Moment, Part, Told};
use train::{OFTEN, Train, Trains};

/// What is over is judged when the others have passed it by this.
const AFTER: Span = Span::seconds(2);
/// Readings farther apart tell nothing of what happens within seconds, however often a meter is said to be read.
const FAST_ENOUGH: Span = Span::seconds(15);
/// Readings that an ear holds back: more than the grid lets a meter of one second be ahead of the slowest. Beyond it the oldest is
/// heard before its time.
const MOST_HELD: usize = 1024;
/// Room for what is usually held back: two steps of the grid of a meter of one second, and a slow neighbour.
const USUALLY_HELD: usize = 32;
/// A break longer than that is a lost phase, and told as such.
const LONGEST_BREAK: Span = Span::seconds(60);
/// How sure at the most, where it is not known what feeds it (common practice, no source).
const NOT_ATTRIBUTED: f64 = 0.5;
/// Volts that go within so long of a transfer to another supply are its own break: an emergency supply that must be started first takes some
/// ten seconds (NFPA 110, type 10, from memory), and then the supply had gone before.
const BY_TRANSFER: Span = Span::seconds(8);
/// A contact that let go within so long is a bad one still.
const LETS_GO: Span = Span::hours(24);
/// Nothing of what came again is said to be over by silence when it was so long ago: the book knows by then.
const STILL_ASKED: Span = Span::hours(48);

/// What is heard of one scope.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Moments {
    /// By meter (local); none where a meter gives neither volts nor amperes.
    ears: Vec<Option<Ear>>,
    /// What each of them will hear when the step of the grid has come.
    held: Vec<VecDeque<Notice>>,
    /// Of the meters of the load side: what hears at once, for its faces alone.
    at_once: Vec<Option<Ear>>,
    trains: Trains,
    /// Something has happened that is not judged yet.
    waits: bool,
    #[serde(skip)]
    docket: Docket,
}

impl Moments {
    pub(super) fn new(plan: &DiagnosisPlan) -> Self {
        let ears = plan.meters.iter().map(|place| place.as_ref().and_then(Ear::new)).collect();
        let of_load = |place: &MeterPlace| if place.circuit == plan.load { Ear::new(place) } else { None };
        let at_once = plan.meters.iter().map(|place| place.as_ref().and_then(of_load)).collect();
        let held = plan.meters.iter().map(|_| VecDeque::with_capacity(USUALLY_HELD)).collect();
        let docket = Docket::new(plan.circuits.len());
        Self { ears, held, at_once, docket, ..Self::default() }
    }

    /// Whether what was saved is of the same meters.
    pub(super) fn fits(&self, plan: &DiagnosisPlan) -> bool {
        let same = |(ear, place): (&Option<Ear>, &Option<_>)| match (ear, place) {
            (Some(ear), Some(place)) => {
                let place: &MeterPlace = place;
                ear.circuit == place.circuit && ear.shape == shape(place)
            }
            (None, Some(place)) => shape(place) == 0,
            (None, None) => true,
            (Some(_), None) => false,
        };
        self.ears.len() == plan.meters.len() && self.ears.iter().zip(&plan.meters).all(same)
    }

    /// What was saved, with the buffers of now.
    pub(super) fn adopt(&mut self, plan: &DiagnosisPlan, saved: Self) {
        if saved.fits(plan) {
            let docket = std::mem::take(&mut self.docket);
            *self = Self { docket, ..saved };
        }
    }

    /// A person has mended what comes and goes: it counts anew.
    pub(super) fn forget(&mut self, key: (Cause, usize, Option<Place>)) {
        self.trains.forget(key);
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.ears.iter_mut().chain(&mut self.at_once).flatten().for_each(|ear| ear.shift(by));
        self.held.iter_mut().flatten().for_each(|notice| notice.at += by);
        self.trains.shift(by);
    }

    /// One reading of the meter `local`, as it stands in the row, and whether its values fit the nameplate.
    pub(super) fn hear(
        &mut self,
        plan: &DiagnosisPlan,
        book: &mut FindingBook,
        (local, at, fits): (usize, EventTime, bool),
        row: &[Sample],
        out: &mut Vec<Output>,
    ) {
        let Some(place) = plan.meters.get(local).and_then(Option::as_ref) else { return };
        let circuit = &plan.circuits[place.circuit];
        let Some(notice) = Notice::of(place, circuit, (at, fits), row) else { return };
        if let Some(held) = self.held.get_mut(local).filter(|_| self.ears[local].is_some()) {
            held.push_back(notice);
            if held.len() > MOST_HELD {
                self.listen(plan, local, None);
            }
        }
        let Some(Some(ear)) = self.at_once.get_mut(local) else { return };
        ear.hear(circuit, place.every, &notice);
        ear.done.clear();
        if ear.faces.iter().any(|face| !face.told) {
            self.docket.begin();
            stand::of_load(plan, local, ear, at, &self.trains, &mut self.docket);
            if !self.docket.claims.is_empty() {
                // It is counted when the step of the grid has come.
                ear.faces.iter_mut().filter(|face| face.stands(at)).for_each(|face| face.told = true);
                book.follow(plan, &self.docket, (at, Span::ZERO), out);
            }
        }
    }

    /// Lets an ear hear what is held back for it, from before `end`; without an end the oldest of it.
    fn listen(&mut self, plan: &DiagnosisPlan, local: usize, end: Option<EventTime>) {
        let (Some(place), Some(Some(ear))) = (&plan.meters[local], self.ears.get_mut(local)) else { return };
        let held = &mut self.held[local];
        while let Some(notice) = held.front().filter(|notice| end.is_none_or(|end| notice.at < end)) {
            ear.hear(&plan.circuits[place.circuit], place.every, notice);
            held.pop_front();
            if end.is_none() {
                break;
            }
        }
        self.waits |= !ear.done.is_empty();
    }

    /// Lets every ear hear what was read before the end of a step. First of all, so that every judge knows what goes on.
    pub(super) fn listen_all(&mut self, look: &Look<'_>) {
        for local in 0..self.ears.len() {
            self.listen(look.plan, local, Some(look.end));
        }
    }

    /// Whether a connection at a circuit lets go at this place, as far as the latest day tells.
    pub(super) fn lets_go(&self, circuit: usize, place: Place, now: EventTime) -> bool {
        let train = self.trains.find(Cause::ConnectionIntermittent, circuit, Some(place));
        train.is_some_and(|train| now - train.last < LETS_GO)
    }

    /// Whether something that departed at a circuit goes on, or is over and not judged yet.
    pub(super) fn stirs(&self, circuit: usize) -> bool {
        let mut of_circuit = self.ears.iter().flatten().filter(|ear| ear.circuit == circuit);
        of_circuit.any(|ear| ear.open.is_some() || !ear.done.is_empty())
    }

    /// Counts the faces of which the claims from `first` on are, each once.
    fn count_faces(&mut self, docket: &mut Docket, first: usize, at: EventTime) {
        for claim in &mut docket.claims[first..] {
            let key = (claim.cause, claim.circuit, claim.place);
            let (since, meter) = (claim.since.unwrap_or(at), claim.meter);
            let face = meter.and_then(|local| self.ears.get_mut(local)).and_then(Option::as_mut);
            let face = face.and_then(|ear| {
                let mut standing = ear.faces.iter_mut().filter(|face| face.stands(at));
                standing.find(|face| (face.since, Some(face.place)) == (since, key.2) && !face.told)
            });
            if let Some(face) = face {
                face.told = true;
                let length = at - since;
                let pattern = self.trains.add(key, since, length).pattern.clone();
                if pattern.times > 1 {
                    claim.pattern = Some(Box::new(pattern));
                }
            }
        }
    }

    /// Takes the oldest that is over, with all that departed at the same time, and says what it was.
    fn next(&mut self, look: &Look<'_>) -> Option<Vec<Told>> {
        let (plan, passed) = (look.plan, look.end);
        let done = || self.ears.iter().flatten().flat_map(|ear| &ear.done);
        let Some(first) = done().min_by_key(|excursion| excursion.start).cloned() else {
            self.waits = false;
            return None;
        };
        if first.over.unwrap_or(first.last) + AFTER > passed {
            return None;
        }
        let open = || self.ears.iter().flatten().filter_map(|ear| ear.open.as_ref()).map(|open| &open.0);
        if open().any(|open| open.meets(&first, AT_ONCE) && passed - open.start < LONGEST_BREAK + AFTER) {
            // What goes on elsewhere may still tell what it is.
            return None;
        }
        let mut taken = Vec::new();
        for (local, ear) in self.ears.iter_mut().enumerate() {
            let Some(ear) = ear else { continue };
            let open =
                ear.open.as_ref().map(|open| &open.0).filter(|open| open.meets(&first, AT_ONCE)).cloned();
            taken.extend(open.map(|mut open| {
                open.lasting = true;
                (local, open)
            }));
            let meets = |excursion: &mut _| first.meets(excursion, AT_ONCE);
            taken.extend(ear.done.extract_if(.., meets).map(|excursion| (local, excursion)));
        }
        let parts = taken.into_iter().filter_map(|(local, excursion)| {
            let ear = self.ears[local].as_ref()?;
            (excursion.step <= FAST_ENOUGH).then_some(Part { ear, excursion })
        });
        let moment = Moment { plan, ears: &self.ears, circuits: look.circuits, parts: parts.collect() };
        Some(moment.tell())
    }

    /// Counts something that happened, and claims it.
    fn note(&mut self, told: &Told, look: &Look<'_>, docket: &mut Docket) {
        let key = (told.cause, told.circuit, told.place);
        if told.cause == Cause::ConnectionIntermittent {
            // What was told as a lost phase is not told again as a break, unless it comes and goes.
            let known = self.trains.find(told.cause, told.circuit, told.place);
            let lost = self.trains.find(Cause::LostPhase, told.circuit, told.place);
            let as_lost =
                lost.is_some_and(|lost| lost.last + AT_ONCE >= told.start && lost.pattern.times == 1);
            // Nor what was counted by its face, once it had stood for long enough.
            let counted = |train: &Train| (train.last - told.start).0.abs() <= AT_ONCE.0;
            if told.length > LONGEST_BREAK || (as_lost && known.is_none()) || known.is_some_and(counted) {
                return;
            }
        }
        // A transfer that breaks before it makes is no interruption by the supply.
        let by_transfer = |at: EventTime| (at - told.start).0.abs() <= BY_TRANSFER.0;
        if told.cause.family() == Family::Supply && look.transferred.is_some_and(by_transfer) {
            return;
        }
        let train = self.trains.add(key, told.start, told.length);
        train.note_beside(&told.beside);
        let moves_with = train.moves_with().filter(|_| told.cause.family() != Family::Event);
        let often = train.lately() >= OFTEN;
        let priority = match told.cause {
            Cause::ConnectionIntermittent if often => Priority::High,
            Cause::ConnectionIntermittent if told.whole || train.pattern.times > 1 => Priority::Low,
            Cause::Sag | Cause::Swell if often => Priority::Low,
            _ => Priority::Journal,
        };
        let priority = train.at_least(priority);
        let surer = if often { 0.05 } else { 0.0 };
        if let Some(before) = told.marks.iter().flatten().find(|mark| is_before(mark)) {
            docket.figure(Family::Supply, *before);
        }
        // What feeds it is not known: what came with its supply can't be told from what came within it.
        let not_known = look.circuits[told.circuit].not_known && told.cause.family() != Family::Event;
        let most = if not_known { NOT_ATTRIBUTED } else { 0.99 };
        let claim = Claim {
            cause: told.cause,
            circuit: told.circuit,
            place: told.place,
            priority,
            weight: (told.weight + surer).min(most),
            since: Some(told.start),
            meter: None,
            marks: told.marks,
            lacks: [None; 3],
            pattern: Some(Box::new(train.pattern.clone())),
            shares: None,
        };
        let with =
            moves_with.map(|(circuit, share)| of_sign(Sign::MovedWith, Place::Whole, circuit, 100.0 * share));
        docket.claim(claim.with(with).lacking(not_known.then_some(Lack::States).or(told.lack)));
    }

    /// A step of the grid: faces that stand are claimed, so that other judges see them; what could be looked for and is not there
    /// ends in the book.
    pub(super) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let claims = docket.claims.len();
        stand::of_all(look, &self.ears, &self.trains, docket);
        self.count_faces(docket, claims, look.end);
        while self.waits {
            let Some(told) = self.next(look) else { break };
            for told in told {
                self.note(&told, look, docket);
            }
        }
        for train in self.trains.iter().filter(|train| look.end - train.last < STILL_ASKED) {
            let key = (train.cause, train.circuit, train.place);
            let stands =
                docket.claims[claims..].iter().any(|claim| (claim.cause, claim.circuit, claim.place) == key);
            let now = &look.circuits[train.circuit];
            let has_volts = now.ln.iter().chain(&now.ll).any(Option::is_some);
            let has_amperes = now.amperes.iter().any(Option::is_some);
            let loaded = || {
                let least = 0.1 * look.plan.circuits[train.circuit].rated_a.unwrap_or(0.0);
                let phases = now.amperes.iter().enumerate();
                let mut of_place = phases
                    .filter(|(index, _)| train.place.is_none_or(|place| place == Place::PHASES[*index]));
                of_place.any(|(_, amperes)| amperes.is_some_and(|amperes| amperes >= least))
            };
            let looked = match train.cause.family() {
                // A contact lets go under load only.
                Family::Connection => loaded(),
                Family::Event => has_amperes,
                Family::Unbalance => has_volts && has_amperes,
                _ => has_volts,
            };
            // The judges of what stands say so of these.
            let by_others = matches!(train.cause, Cause::Neutral | Cause::Sag);
            if looked && !stands && !by_others {
                docket.none(train.cause, train.circuit, train.place);
            }
        }
        let load = look.load();
        let nominal = look.plan.circuits[look.plan.load].volts;
        let lowest = load.ll.iter().flatten().copied().reduce(f64::min);
        if let (Some(lowest), None) = (lowest, docket.known(Family::Supply, look.plan.load)) {
            let percent = 100.0 * lowest / nominal;
            docket
                .figure(Family::Supply, of_sign(Sign::VoltsOfNominal, Place::Whole, look.plan.load, percent));
        }
    }
}

fn is_before(mark: &super::docket::Mark) -> bool {
    matches!(mark.figure, super::sign::Figure::Sign(Sign::VoltsLostBefore, _))
}
