//! What a healthy transformer would show, and what each fault adds to it, through the whole monitor in virtual time.
//!
//! Two outside references: Larkspur Cannery as its simulator integrates it (circuits and warm bodies, a dry wye unit), and
//! units that [`stand`] integrates from the differential equations of the standards (a delta, an open delta, one phase, a
//! liquid). Neither shares anything with the model.

mod cannery;
mod fans;
mod stand;
mod units;
mod watch;
