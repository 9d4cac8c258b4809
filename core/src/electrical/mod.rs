//! Electrical formulas, each with its source. Missing or unfit input gives no value, never a wrong one.

pub mod angle;
pub mod contact;
pub mod demand;
pub mod distortion;
pub mod energy;
pub mod excitation;
pub mod flow;
pub mod joint;
pub mod loading;
pub mod neutral;
pub mod parallel;
pub mod ratings;
pub mod robust;
pub mod schedule;
pub mod tones;
pub mod unbalance;
