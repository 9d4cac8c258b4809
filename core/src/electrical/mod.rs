//! Electrical formulas, each with its source. Missing or unfit input gives no value, never a wrong one.

pub mod angle;
pub mod contact;
pub mod demand;
pub mod distortion;
pub mod energy;
pub mod excitation;
pub mod expected_neutral;
pub mod flow;
pub mod joint;
pub mod loading;
pub mod loss;
pub mod neutral;
pub mod parallel;
pub mod permissible;
pub mod ratings;
pub mod robust;
pub mod schedule;
pub mod signature;
pub mod spectrum;
pub mod standard;
pub mod tones;
pub mod unbalance;
