//! Larkspur Cannery: an invented site with its own physics. Circuits and heat are integrated by time step with code
//! of their own, so that the simulator cannot agree with a mistake of the program it feeds.
//!
//! [`trial`] holds plants by seed with faults of all kinds, for judging a diagnosis.
//!
//! [`site::Site`] is the plant of the demonstration; [`csvlog`], [`modbus`] and [`mqtt`] let it be read, [`broker`] carries the messages
//! of a demonstration, [`config_text`] writes the configuration that fits.

pub mod broker;
pub mod cannery;
pub mod circuit;
pub mod complex;
pub mod config_text;
pub mod csvlog;
mod exchange;
pub mod heat;
pub mod live;
pub mod load;
pub mod meter;
pub mod modbus;
pub mod mqtt;
pub mod noise;
pub mod registers;
pub mod scenario;
pub mod site;
pub mod topics;
pub mod trial;
pub mod work;
