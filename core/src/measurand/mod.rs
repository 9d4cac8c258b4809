//! What can be measured or computed: the one table of it, and what its columns mean.

mod facts;
mod quantity;
mod table;
#[cfg(test)]
mod tests;
mod unit;

pub use facts::{Facts, Kind, Numbers, Places, Source};
pub use quantity::Quantity;
pub use table::Measurand;
pub use unit::Unit;
