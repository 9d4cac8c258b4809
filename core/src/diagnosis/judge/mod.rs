//! The judges, each of one family of causes.

pub(super) mod connection;
pub(super) mod cooling;
pub(super) mod overload;
pub(super) mod sensor;
pub(super) mod standing;
pub(super) mod wiring;
