//! What the judges say at one step: what they claim, what they could judge and did not find, and by which numbers.

use super::cause::{Cause, Family};
use super::finding::{Lack, Pattern, Share};
use super::sign::Figure;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::EventTime;

/// The most numbers with which a claim comes.
pub(crate) const MOST_MARKS: usize = 6;
/// The most things of which a claim says that they are not measured.
const MOST_LACKS: usize = 3;
/// The most that judges may claim at a step: every cause on eight feeders would still fit. What is beyond is left out; the next
/// step has it again.
const MOST_CLAIMS: usize = 256;
/// The most that they may say is not there at a step: every cause at thirty circuits, more than hang on one transformer.
const MOST_ABSENT: usize = 1024;

/// A number for or against a cause.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Mark {
    pub(crate) figure: Figure,
    /// Of which circuit of the plan.
    pub(crate) circuit: usize,
    pub(crate) value: f64,
    /// What it is compared with.
    pub(crate) against: Option<f64>,
}

/// A judge says that a cause holds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Claim {
    pub(crate) cause: Cause,
    /// The circuit to which it is traced.
    pub(crate) circuit: usize,
    pub(crate) place: Option<Place>,
    pub(crate) priority: Priority,
    /// How much the evidence weighs, 0 to 1: by it the [`confidence`](super::confidence) is told.
    pub(crate) weight: f64,
    /// Since when it shows, where the judge knows it; else since it is claimed.
    pub(crate) since: Option<EventTime>,
    /// The meter (local) that shows it, where it is seen reading by reading.
    pub(crate) meter: Option<usize>,
    /// The number that proves it first; of that one the largest is kept.
    pub(crate) marks: [Option<Mark>; MOST_MARKS],
    pub(crate) lacks: [Option<Lack>; MOST_LACKS],
    /// How it comes and goes; given only when it has changed, as it is kept.
    pub(crate) pattern: Option<Box<Pattern>>,
    /// Given only when it has changed, as they are kept.
    pub(crate) shares: Option<Box<[Share]>>,
}

impl Claim {
    /// A claim with the number that proves it.
    pub(crate) fn new(
        cause: Cause,
        circuit: usize,
        place: Option<Place>,
        priority: Priority,
        mark: Mark,
    ) -> Self {
        let mut marks = [None; MOST_MARKS];
        marks[0] = Some(mark);
        Self {
            cause,
            circuit,
            place,
            priority,
            weight: 0.8,
            since: None,
            meter: None,
            marks,
            lacks: [None; MOST_LACKS],
            pattern: None,
            shares: None,
        }
    }

    /// With evidence of this weight, 0 to 1.
    pub(crate) fn weighs(mut self, weight: f64) -> Self {
        self.weight = weight.clamp(0.0, 1.0);
        self
    }

    /// With a further number, if there is one and room for it.
    pub(crate) fn with(mut self, mark: Option<Mark>) -> Self {
        if let (Some(free), true) = (self.marks.iter_mut().find(|mark| mark.is_none()), mark.is_some()) {
            *free = mark;
        }
        self
    }

    /// With the shares of feeders, if there are any.
    pub(crate) fn shared(mut self, shares: Option<Box<[Share]>>) -> Self {
        self.shares = shares;
        self
    }

    /// With something that is not measured and would tell more, if it is so.
    pub(crate) fn lacking(mut self, lack: impl Into<Option<Lack>>) -> Self {
        let Some(lack) = lack.into() else { return self };
        if let Some(free) = self.lacks.iter_mut().find(|lack| lack.is_none()) {
            *free = Some(lack);
        }
        self
    }
}

/// What the judges of one scope say at one step.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Docket {
    pub(crate) claims: Vec<Claim>,
    /// Causes that could be judged at a circuit and place and were not found.
    pub(crate) absent: Vec<(Cause, usize, Option<Place>)>,
    /// By circuit and family: the latest number that tells how much of it there is. By it the family is ruled out where
    /// nothing of it is claimed.
    figures: Vec<Option<Mark>>,
}

impl Docket {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { claims: Vec::new(), absent: Vec::new(), figures: vec![None; circuits * Family::ALL.len()] }
    }

    /// A new step begins.
    pub(crate) fn begin(&mut self) {
        self.claims.clear();
        self.absent.clear();
        self.figures.fill(None);
    }

    /// A cause holds.
    pub(crate) fn claim(&mut self, claim: Claim) {
        if self.claims.len() < MOST_CLAIMS {
            self.claims.push(claim);
        }
    }

    /// A cause holds at a circuit at which it may be claimed already, by what the transformer shows of it or by the circuit
    /// itself: the more urgent one stands, with the shares that are known.
    pub(crate) fn join(&mut self, mut claim: Claim) {
        let same = |known: &&mut Claim| (known.cause, known.circuit) == (claim.cause, claim.circuit);
        let Some(known) = self.claims.iter_mut().find(same) else { return self.claim(claim) };
        if claim.priority > known.priority {
            claim.shares = claim.shares.or(known.shares.take());
            claim.place = known.place;
            *known = claim;
        }
    }

    /// A cause could be judged at a circuit and does not hold at this place of it; `None`: at no place of it. Where nothing
    /// is said, it could not be judged, and a finding stands on.
    pub(crate) fn none(&mut self, cause: Cause, circuit: usize, place: Option<Place>) {
        if self.absent.len() < MOST_ABSENT {
            self.absent.push((cause, circuit, place));
        }
    }

    /// How much of a family there is now at a circuit.
    pub(crate) fn figure(&mut self, family: Family, mark: Mark) {
        let index = mark.circuit * Family::ALL.len() + family as usize;
        if let Some(known) = self.figures.get_mut(index) {
            *known = Some(mark);
        }
    }

    /// The number of a family at a circuit.
    pub(crate) fn known(&self, family: Family, circuit: usize) -> Option<Mark> {
        self.figures.get(circuit * Family::ALL.len() + family as usize).copied().flatten()
    }

    /// Whether a judge before has claimed something of this family at a circuit.
    pub(crate) fn holds(&self, family: Family, circuit: usize) -> bool {
        self.claims.iter().any(|claim| claim.cause.family() == family && claim.circuit == circuit)
    }

    /// Whether this very cause was claimed at a circuit; at any: `None`.
    pub(crate) fn claims(&self, cause: Cause, circuit: Option<usize>) -> bool {
        let mut of = self.claims.iter().filter(|claim| claim.cause == cause);
        of.any(|claim| circuit.is_none_or(|circuit| claim.circuit == circuit))
    }
}
