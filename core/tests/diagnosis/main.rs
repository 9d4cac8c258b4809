//! Stories of faults and of healthy days: which cause is named, where, and when none is.

mod board;
#[path = "../cannery/mod.rs"]
mod cannery;
mod site;

mod connection;
mod cooling;
mod one_alert;
mod core;
mod harmonics;
mod overload;
mod peaks;
mod sensor;
mod shares;
mod unbalance;
mod wiring;
