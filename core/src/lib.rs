//! Kvarden's trade: electrical and thermal computation, rolling windows, alarms and alerts.
//!
//! Everything that can change a judgement comes in as an [`input::Input`]; everything that comes out is an
//! [`output::Output`]. Core has no clock, no I/O, no randomness and no logging: the caller passes the time in,
//! and the same inputs give the same outputs, bit for bit. Begin reading at [`monitor`].

pub mod alarm;
pub mod alert;
pub mod context;
pub mod defaults;
pub mod demand;
pub mod desk;
pub mod diagnosis;
pub mod digest;
pub mod electrical;
mod eyes;
pub mod feeding;
pub mod fitting;
pub mod formula;
mod grid;
pub mod input;
pub mod late;
pub mod measurand;
pub mod meter;
pub mod monitor;
pub mod nameplate;
pub mod output;
mod panes;
pub mod parallel;
pub mod phases;
pub mod plan;
pub mod plant;
pub mod quality;
pub mod reading;
pub mod recorder;
pub mod rolling;
pub mod saved;
mod scope;
pub mod sequencer;
pub mod stamps;
pub mod study;
pub mod supply;
pub mod thermal;
pub mod time;
pub mod trouble;
pub mod values_now;
pub mod watch;
pub mod window;
pub mod wiring;
