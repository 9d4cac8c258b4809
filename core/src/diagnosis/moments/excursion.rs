//! One departure of a circuit's volts or amperes from its usual ones, from its first reading to the first that is as before.

use super::heard::{Heard, VOLTS};
use crate::diagnosis::look::Three;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// All volts below this are dead, per unit (common practice, no source).
pub(super) const DEAD: f64 = 0.10;

/// A departure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[expect(clippy::struct_excessive_bools, reason = "facts that do not hang together, each of a reading")]
pub(super) struct Excursion {
    /// Its first reading.
    pub(super) start: EventTime,
    /// Its last reading so far.
    pub(super) last: EventTime,
    /// The first reading that was as before; absent while it goes on.
    pub(super) over: Option<EventTime>,
    /// It did not come back: what it went to is the new usual.
    pub(super) lasting: bool,
    /// What was usual.
    pub(super) usual: Heard,
    /// Its first reading.
    pub(super) first: Heard,
    /// The reading with the largest change of volts, or of amperes while the volts did not change.
    pub(super) worst: Heard,
    /// The largest change so far, as the choice of `worst` has it.
    extent: f64,
    /// The shortest time between two of its readings, or to the one before or after it.
    pub(super) step: Span,
    /// The reading that ended it.
    pub(super) after: Heard,
    /// The most amperes of each phase.
    pub(super) most: Three,
    /// All its volts were dead at some reading.
    pub(super) dead: bool,
    /// When all its amperes were nothing first.
    pub(super) nothing: Option<EventTime>,
    /// Its breaker was told closed at the latest reading.
    pub(super) closed: bool,
    /// Its breaker was told open while it lasted.
    pub(super) opened: bool,
    /// All its amperes go off by themselves now and then, or it was not heard for long enough to know.
    pub(super) goes_off: bool,
    /// Second order of the amperes in per cent of the fundamental, the most of any phase.
    pub(super) second_order: Option<f64>,
    /// Volts of readings in a row that were as before.
    pub(super) calm: u8,
}

impl Excursion {
    pub(super) fn begin(at: EventTime, usual: Heard, now: Heard) -> Self {
        Self {
            start: at,
            last: at,
            over: None,
            lasting: false,
            usual,
            first: now,
            worst: now,
            extent: 0.0,
            step: Span(i64::MAX),
            after: now,
            most: [None; 3],
            dead: false,
            nothing: None,
            closed: false,
            opened: false,
            goes_off: true,
            second_order: None,
            calm: 0,
        }
    }

    /// Takes a reading that departs; `nothing_a`: amperes below this are none.
    pub(super) fn take(&mut self, at: EventTime, now: &Heard, nothing_a: f64) {
        self.last = at;
        let volts = now.volts_against(&self.usual).into_iter().flatten().map(f64::abs).fold(0.0, f64::max);
        let amperes = now.amperes_over(&self.usual).into_iter().flatten().map(f64::abs).fold(0.0, f64::max);
        // Any change of the volts that counts weighs more than every change of amperes.
        let extent = if volts > 0.01 { 1e9 * volts } else { amperes };
        if extent >= self.extent {
            (self.extent, self.worst) = (extent, *now);
        }
        for (most, now) in self.most.iter_mut().zip(now.amperes()) {
            *most = match (*most, now) {
                (Some(most), Some(now)) => Some(most.max(now)),
                (one, other) => one.or(other),
            };
        }
        let mut volts = now.volts().peekable();
        self.dead |= volts.peek().is_some() && volts.all(|volts| volts < DEAD);
        let mut amperes = now.amperes().into_iter().flatten().peekable();
        if self.nothing.is_none() && amperes.peek().is_some() && amperes.all(|amperes| amperes < nothing_a) {
            self.nothing = Some(at);
        }
    }

    /// How long it lasted, as far as readings can tell: from its first reading to the first that was as before.
    pub(super) fn length(&self) -> Span {
        self.over.unwrap_or(self.last) - self.start
    }

    /// By phase, how far the volts went, as a share of the usual ones.
    pub(super) fn volts(&self) -> Three {
        self.worst.volts_against(&self.usual)
    }

    /// By phase, how far the amperes were at that moment, as a share of the usual ones; absent where those were idle.
    pub(super) fn amperes(&self, idle_a: f64) -> Three {
        [0, 1, 2].map(|phase| {
            let usual = self.usual.0[VOLTS + phase].filter(|usual| *usual >= idle_a)?;
            Some(self.worst.0[VOLTS + phase]? / usual - 1.0)
        })
    }

    /// By phase, how many amperes it rose at the most.
    pub(super) fn rise(&self) -> Three {
        [0, 1, 2].map(|phase| Some(self.most[phase]? - self.usual.0[VOLTS + phase]?))
    }

    /// Whether the two were at the same time, give or take `about`.
    pub(super) fn meets(&self, other: &Self, about: Span) -> bool {
        self.start <= other.last + about && other.start <= self.last + about
    }
}
