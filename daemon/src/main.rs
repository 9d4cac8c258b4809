//! (being laid)
fn main() {}
