//! Stories of the packing hall, told second by second, as its logbook would hold them.

#[path = "../cannery/mod.rs"]
mod cannery;

mod absence;
mod commissioning;
mod contexts;
mod harmonics;
mod health;
mod heat;
mod holds;
mod kinds;
mod late;
mod limits;
mod meters;
mod neutral;
mod people;
mod plan;
mod rates;
mod recordings;
mod recurrence;
mod supply;
mod unbalance;
