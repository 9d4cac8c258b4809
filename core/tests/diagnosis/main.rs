//! Stories of faults and of healthy days: which cause is named, where, and when none is.

mod board;
#[path = "../cannery/mod.rs"]
mod cannery;
mod site;

mod connection;
mod cooling;
mod core;
mod harmonics;
mod one_alert;
mod overload;
mod peaks;
mod sensor;
mod shares;
mod unbalance;
mod wiring;
