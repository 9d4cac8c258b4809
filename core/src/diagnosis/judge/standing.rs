//! How long something has held without a break, in the time of the steps.

use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Since when something holds. A step without values breaks nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Standing {
    since: Option<EventTime>,
}

impl Standing {
    /// Whether it has held for `span` at `end`. `holds` is absent where it can't be told.
    pub(crate) fn for_span(&mut self, holds: Option<bool>, end: EventTime, span: Span) -> bool {
        match holds {
            Some(true) => end - *self.since.get_or_insert(end) >= span,
            Some(false) => {
                self.since = None;
                false
            }
            None => false,
        }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.since = self.since.map(|since| since + by);
    }
}
