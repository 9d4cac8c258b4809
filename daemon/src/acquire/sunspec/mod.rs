//! Meters that describe themselves as SunSpec, an open standard, says: finding their models, and what their values
//! need besides.

mod finder;
mod survey;
mod walk;

pub(super) use finder::Finder;
pub use survey::{Maker, Survey, Surveyed, survey};
pub use walk::{Found, Walk};
