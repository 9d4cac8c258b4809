//! Promises that hold for every afternoon, not for one story: random moods of every meter, random delays of messages,
//! random orders of people. More cases by `PROPTEST_CASES=5000 cargo test -p kvarden-core --test properties`.

#[path = "../cannery/mod.rs"]
mod cannery;

mod afternoon;
mod contexts;
mod determinism;
mod harmonics;
mod hostile;
mod late;
mod model;
mod phasors;
mod recordings;
mod statistics;
