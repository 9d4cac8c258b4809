//! Electrical formulas, each with its source. Missing or unfit input gives no value, never a wrong one.

pub mod angle;
pub mod distortion;
pub mod energy;
pub mod loading;
pub mod ratings;
pub mod unbalance;
