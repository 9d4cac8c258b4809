//! What is kept of one alarm. Its state is derived from these facts, so no two of them can disagree.

use super::chatter::Chatter;
use super::state::AlarmState;
use crate::output::Recurred;
use crate::time::EventTime;
use serde::{Deserialize, Serialize};

/// One alarm.
#[expect(clippy::struct_excessive_bools, reason = "facts that hold or not, each apart from the others")]
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// The how-manieth time it rose.
    pub raised: u32,
    pub(super) step: u32,
    /// The condition holds.
    pub active: bool,
    pub(super) acknowledged: bool,
    pub(super) latched: bool,
    /// Muted by a person until then.
    pub shelved: Option<EventTime>,
    pub(super) suppressed: bool,
    /// It follows from a supply that is lost.
    #[serde(default)]
    pub(super) unfed: bool,
    #[serde(default)]
    pub(crate) chatter: Chatter,
    pub(super) out_of_service: bool,
    /// Since when the condition holds or held.
    pub since: EventTime,
    /// The value now, or the one that cleared it.
    pub value: Option<f64>,
    /// The worst value since it rose.
    pub peak: Option<f64>,
    /// The limit in force.
    pub setpoint: Option<f64>,
    /// How often, for a recurrence.
    pub recurred: Option<Recurred>,
}

impl Entry {
    pub(super) const NEW: Self = Self {
        raised: 0,
        step: 0,
        active: false,
        acknowledged: true,
        latched: false,
        shelved: None,
        suppressed: false,
        unfed: false,
        chatter: Chatter::NONE,
        out_of_service: false,
        since: EventTime(0),
        value: None,
        peak: None,
        setpoint: None,
        recurred: None,
    };

    /// A cause that holds since then.
    pub(crate) fn of_cause(since: EventTime) -> Self {
        Self { raised: 1, active: true, acknowledged: false, since, ..Self::NEW }
    }

    /// It holds, again or still: nobody has seen that yet.
    pub(crate) fn hold(&mut self) {
        (self.active, self.latched, self.acknowledged) = (true, false, false);
    }

    /// It no longer holds; `latch`: a person must still say what was found.
    pub(crate) fn rest(&mut self, latch: bool, wants_acknowledgement: bool) {
        (self.active, self.latched) = (false, latch);
        self.acknowledged |= !latch && !wants_acknowledgement;
    }

    /// A person has seen it. False: somebody had before.
    pub(crate) fn acknowledge(&mut self) -> bool {
        self.is_live() && !std::mem::replace(&mut self.acknowledged, true)
    }

    /// A person ends it. False: nothing was latched.
    pub(crate) fn release(&mut self) -> bool {
        self.acknowledged |= self.latched;
        std::mem::take(&mut self.latched)
    }

    /// Takes it out of service or puts it back. False: it was so before.
    pub(crate) fn serve(&mut self, on: bool) -> bool {
        std::mem::replace(&mut self.out_of_service, !on) == on
    }

    /// Whether it stays until a person says what was found.
    pub(crate) fn is_latched(&self) -> bool {
        self.latched
    }

    /// The state that these facts make.
    pub fn state(&self) -> AlarmState {
        if self.out_of_service {
            AlarmState::OutOfService
        } else if self.shelved.is_some() {
            AlarmState::Shelved
        } else if self.active && self.is_suppressed() {
            AlarmState::SuppressedByDesign
        } else if self.active {
            if self.acknowledged { AlarmState::Acknowledged } else { AlarmState::Unacknowledged }
        } else if self.latched {
            if self.acknowledged {
                AlarmState::LatchedAcknowledged
            } else {
                AlarmState::LatchedUnacknowledged
            }
        } else if self.acknowledged {
            AlarmState::Normal
        } else {
            AlarmState::ReturnedUnacknowledged
        }
    }

    /// Whether the condition holds or a person still has something to do.
    pub fn is_live(&self) -> bool {
        self.active || self.latched || !self.acknowledged
    }

    /// Whether it keeps quiet by a person's order.
    pub fn is_muted(&self) -> bool {
        self.shelved.is_some() || self.out_of_service
    }

    /// Whether it keeps quiet because a higher level speaks, or because it follows from a supply that is lost.
    pub fn is_suppressed(&self) -> bool {
        self.suppressed || self.unfed
    }

    /// Whether a person has seen it, or none needs to.
    pub fn is_acknowledged(&self) -> bool {
        self.acknowledged
    }

    /// Whether any step of it was ever told. One that was must be remembered, or its ids would come twice.
    pub fn was_told(&self) -> bool {
        self.raised > 0 || self.step > 0
    }

    /// What is kept of an alarm that the configuration no longer has: only its counts.
    #[must_use]
    pub(super) fn retired(&self) -> Self {
        let step = self.step.saturating_add(u32::from(self.is_live()));
        Self { raised: self.raised, step, ..Self::NEW }
    }
}
