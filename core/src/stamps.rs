//! Which stamps of what was told were made by our own clock while it was not trusted, and how they move when it is corrected.
//!
//! Stamps that a meter made itself stay as they are, and so do those from before our clock was doubted. What was told keeps
//! its ids: a corrected fact is the same fact. So does a finding whose number is the second of a guess: an id is a name under
//! which people, letters and later steps know it, and nobody reads a time from it; under another it would be another.

use crate::diagnosis::{Finding, FindingChange};
use crate::input::MeterTrouble;
use crate::output::{AlertRevision, Change, ChangeKind, Excursion, Recurred, Rule};
use crate::time::{EventTime, Span};

/// The stamps of one fact that are to move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Doubtful(u8);

impl Doubtful {
    /// None of them.
    pub const NONE: Self = Self(0);
    /// When it happened, or began.
    const AT: u8 = 1;
    /// Since when the condition holds.
    const SINCE: u8 = 2;
    /// The first of those that came again and again.
    const FIRST: u8 = 4;
    /// The latest of these.
    const LATEST: u8 = 8;
    /// Those of a named cause: since when it shows, and how it comes and goes.
    const CAUSE: u8 = 16;

    /// As a number, to be stored.
    pub const fn bits(self) -> u8 {
        self.0
    }

    /// From that number.
    pub const fn from_bits(bits: u8) -> Self {
        Self(bits & (Self::AT | Self::SINCE | Self::FIRST | Self::LATEST | Self::CAUSE))
    }

    fn and(self, bit: u8, moves: bool) -> Self {
        Self(if moves { self.0 | bit } else { self.0 })
    }

    fn and_recurred(self, recurred: Option<&Recurred>, from: EventTime) -> Self {
        let Some(recurred) = recurred else { return self };
        self.and(Self::FIRST, recurred.since >= from).and(Self::LATEST, recurred.latest >= from)
    }

    fn has(self, bit: u8) -> bool {
        self.0 & bit != 0
    }

    fn shift(self, bit: u8, stamp: &mut EventTime, by: Span) {
        if self.has(bit) {
            *stamp += by;
        }
    }

    fn shift_facts(self, facts: &mut Finding, by: Span) {
        let first = facts.since;
        self.shift(Self::CAUSE, &mut facts.since, by);
        if let Some(pattern) = &mut facts.pattern {
            // What came before the clock was doubted stays where it was.
            let stamps = std::iter::once(&mut pattern.since).chain(&mut pattern.starts);
            for stamp in stamps.filter(|stamp| **stamp >= first) {
                self.shift(Self::CAUSE, stamp, by);
            }
        }
    }

    fn shift_recurred(self, recurred: Option<&mut Recurred>, by: Span) {
        if let Some(recurred) = recurred {
            self.shift(Self::FIRST, &mut recurred.since, by);
            self.shift(Self::LATEST, &mut recurred.latest, by);
        }
    }
}

/// Whether alarms of this rule are dated by the stamps of readings; all others are dated by our clock.
pub fn is_of_readings(rule: Rule) -> bool {
    match rule {
        Rule::Level { .. }
        | Rule::Recurrence { .. }
        | Rule::Frozen
        | Rule::Absent
        | Rule::Nameplate
        | Rule::Cause
        | Rule::Trouble(MeterTrouble::Nonsense) => true,
        Rule::Silent { .. } | Rule::Broken | Rule::Supply | Rule::Flood | Rule::Work | Rule::Trouble(_) => {
            false
        }
    }
}

/// A told fact with stamps.
pub trait Stamped {
    /// Moves those of its stamps.
    fn redate(&mut self, stamps: Doubtful, by: Span);
}

impl Change {
    /// Its stamps that our clock made, which is not trusted since `from`. `itself`: the readings that it is about bear the
    /// stamps of their meter.
    pub fn doubtful(&self, from: EventTime, itself: bool) -> Doubtful {
        let theirs = itself && is_of_readings(self.rule);
        let by_reading = matches!(
            self.what,
            ChangeKind::Raised | ChangeKind::Cleared | ChangeKind::Suppressed | ChangeKind::Unsuppressed
        );
        let stamps = Doubtful::NONE.and(Doubtful::AT, !(theirs && by_reading));
        if theirs {
            return stamps;
        }
        stamps.and(Doubtful::SINCE, self.since >= from).and_recurred(self.recurred.as_ref(), from)
    }
}

impl Stamped for Change {
    fn redate(&mut self, stamps: Doubtful, by: Span) {
        stamps.shift(Doubtful::AT, &mut self.at, by);
        stamps.shift(Doubtful::SINCE, &mut self.since, by);
        stamps.shift_recurred(self.recurred.as_mut(), by);
    }
}

impl AlertRevision {
    /// The same of a revision; `stirred` is the change that brought it, where that is known.
    pub fn doubtful(&self, from: EventTime, itself: bool, stirred: Option<&Change>) -> Doubtful {
        let theirs = itself && is_of_readings(self.rule);
        let at = stirred.map_or(!theirs, |change| change.doubtful(from, itself).has(Doubtful::AT));
        let cause = self.cause.as_ref().is_some_and(|cause| !itself && cause.facts.since >= from);
        let stamps = Doubtful::NONE.and(Doubtful::AT, at).and(Doubtful::CAUSE, cause);
        if theirs {
            return stamps;
        }
        stamps.and(Doubtful::SINCE, self.since >= from).and_recurred(self.recurred.as_ref(), from)
    }
}

impl Stamped for AlertRevision {
    fn redate(&mut self, stamps: Doubtful, by: Span) {
        stamps.shift(Doubtful::AT, &mut self.at, by);
        stamps.shift(Doubtful::SINCE, &mut self.since, by);
        stamps.shift_recurred(self.recurred.as_mut(), by);
        if let Some(cause) = &mut self.cause {
            stamps.shift_facts(&mut cause.facts, by);
        }
    }
}

impl FindingChange {
    /// The same of a step of a finding. `itself`: every reading that it is made of bears the stamp of its meter.
    pub fn doubtful(&self, from: EventTime, itself: bool) -> Doubtful {
        let ours = |stamp: EventTime| !itself && stamp >= from;
        Doubtful::NONE.and(Doubtful::AT, ours(self.at)).and(Doubtful::CAUSE, ours(self.facts.since))
    }
}

impl Stamped for FindingChange {
    fn redate(&mut self, stamps: Doubtful, by: Span) {
        stamps.shift(Doubtful::AT, &mut self.at, by);
        stamps.shift_facts(&mut self.facts, by);
    }
}

impl Excursion {
    /// The same of an excursion.
    pub fn doubtful(&self, from: EventTime, itself: bool) -> Doubtful {
        Doubtful::NONE.and(Doubtful::AT, !itself && self.start >= from)
    }
}

impl Stamped for Excursion {
    fn redate(&mut self, stamps: Doubtful, by: Span) {
        stamps.shift(Doubtful::AT, &mut self.start, by);
    }
}
