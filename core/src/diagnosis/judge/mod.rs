//! The judges, each of one family of causes.

pub(super) mod connection;
pub(super) mod cooling;
pub(super) mod core;
mod course;
pub(super) mod drive;
pub(super) mod growth;
pub(super) mod harmonics;
pub(super) mod held;
pub(super) mod low_supply;
pub(super) mod neutral;
pub(super) mod overload;
pub(super) mod peaks;
pub(super) mod sensor;
pub(crate) mod sharing;
pub(super) mod spectrum;
pub(super) mod standing;
pub(super) mod unbalance;
pub(super) mod wiring;
