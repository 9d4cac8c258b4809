//! Alarms: levels, recurrence, silence, frozen values, and the book that holds their states.

pub mod book;
mod chatter;
pub mod entry;
pub mod flood;
mod holds;
pub mod level;
mod orders;
pub mod recurrence;
pub mod state;
pub mod work;
