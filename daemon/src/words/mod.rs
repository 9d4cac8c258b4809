//! The one room that turns facts into words. Log, file, MQTT and digest differ in layout only.
//!
//! [`message()`] makes what a person is told about one revision of an alert, [`advice`] what to check next and the
//! cautions, [`time`] moments and lengths of time, [`alphabet`] what a phone can show.

pub mod advice;
mod ageing;
pub mod alphabet;
pub mod asked;
mod calibration;
pub mod cause;
mod cause_line;
mod code;
mod connections;
pub mod digest;
mod flood;
pub mod gap;
mod health;
pub mod letter;
pub mod message;
mod names;
pub mod parallel;
pub mod pattern;
pub mod plot;
mod refusal;
pub mod signature;
pub mod speech;
pub mod story;
pub mod subject;
pub mod supply;
mod text;
pub mod time;
mod told;
pub mod tried;
pub(crate) mod unit;
pub mod values_now;
mod whereabouts;

#[cfg(test)]
pub(crate) mod tests;

pub use ageing::{Aged, ageing, ageing_means};
pub use calibration::{calibration, calibration_bounds};
pub use code::{code, fingerprint};
pub use connections::{connections, context};
pub use health::certificate_end;
pub use message::{Message, message, trial};
pub use refusal::refusal;
pub use text::named as quantity;
pub use told::{sign_of_life, to_person};
pub use whereabouts::Whereabouts;

use kvarden_core::time::EventTime;

/// What words need to know of the site.
#[derive(Debug, Clone)]
pub struct Site {
    /// Its name, first in every message.
    pub name: String,
    /// Its time zone: people read local time.
    pub zone: jiff::tz::TimeZone,
    /// The name of the book that this installation keeps; the first part of every message's id.
    pub book: String,
    /// Under which MQTT topics it tells, without a slash at the end.
    pub topics: String,
    /// In which unit people read temperatures.
    pub shows: kvarden_config::TemperatureUnit,
    /// Where things are and whom to call.
    pub whereabouts: Whereabouts,
    /// In which language it is spoken of.
    pub speech: speech::Speech,
}

impl Site {
    /// How its people read times and temperatures.
    pub fn reads(&self) -> cause::Reads<'_> {
        cause::Reads { zone: &self.zone, shows: self.shows, speech: self.speech }
    }

    /// The same site for people who read another language.
    #[must_use]
    pub fn spoken(&self, speech: speech::Speech) -> Self {
        Self { speech, ..self.clone() }
    }

    /// A moment as its people read it at `now`.
    pub(crate) fn moment(&self, at: EventTime, now: EventTime) -> String {
        time::moment_in(at, now, &self.zone, self.speech)
    }
}
