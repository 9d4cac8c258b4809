//! Alarms: levels, recurrence, silence, frozen values, and the book that holds their states.

pub mod book;
pub mod entry;
pub mod level;
mod orders;
pub mod recurrence;
pub mod state;
