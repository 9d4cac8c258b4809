//! Stories of faults and of healthy days: which cause is named, where, and when none is.

mod board;
#[path = "../cannery/mod.rs"]
mod cannery;
mod site;

mod breaks;
mod circuit;
mod connection;
mod cooling;
mod cooling_apart;
mod core;
mod day_by_day;
mod forms;
mod harmonics;
mod lost;
mod one_alert;
mod overload;
mod peaks;
mod sensor;
mod shares;
mod sharing;
mod starts;
mod two_lines;
mod unbalance;
mod wiring;
