//! Alarms: levels, recurrence, silence, frozen values, and the book that holds their states.

pub mod book;
pub mod level;
pub mod recurrence;
pub mod state;
