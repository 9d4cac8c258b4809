//! Stories of faults and of healthy days: which cause is named, where, and when none is.

mod board;
#[path = "../cannery/mod.rs"]
mod cannery;

mod connection;
mod cooling;
mod one_alert;
mod overload;
mod sensor;
mod wiring;
