//! Trials of a diagnosis: a plant by seed, faults laid on its physics, what its meters would have given, and the truth
//! about it. Made for judging what a program says of the readings; the demonstration's own site is [`crate::site`].
//!
//! How time is stepped: loads, circuits and readings each ten seconds (a minute for growth over weeks), and each second
//! around every sudden change and around as many moments at which nothing happens, as meters that are polled each second
//! would show it. Harmonic orders are solved at least each minute and at every sudden change, and move with the
//! fundamental in between. Warm bodies are integrated by the second.

pub mod fault;
pub mod files;
pub mod line;
pub mod meters;
pub mod network;
pub mod pick;
pub mod plant;
pub mod record;
pub mod scenes;
mod strike;
pub mod world;
