//! Reads meters: polls registers over Modbus TCP, takes messages from an MQTT broker, and hands whole readings to
//! the [`Sink`](crate::world::Sink). Nothing here judges a value; what does not fit is absent and counted.
//!
//! Begin with [`run_gateway`] for polling and [`run_mqtt`] for messages. Both are tasks that live with every fault outside.

mod backoff;
mod filter;
mod frame;
mod gateway;
mod grid;
mod health;
mod intake;
pub mod json;
mod link;
mod listener;
mod modbus;
mod mqtt;
mod pace;
mod payload;
mod pointer;
mod polled;
mod queue;
mod receipts;
pub mod registers;
mod requests;
mod rivalry;
mod routes;
mod slow;
mod spans;
mod special;
mod subscriptions;
mod sunspec;
mod teller;
mod trouble;

#[cfg(test)]
mod fleet_tests;
#[cfg(test)]
mod gateway_tests;
#[cfg(test)]
mod mqtt_tests;
#[cfg(test)]
mod notebook;
#[cfg(test)]
mod poll_tests;
#[cfg(test)]
mod scripted;

pub use frame::{Misfit, Parsed, Question};
pub use gateway::{Gateway, gateways, run_gateway};
pub use grid::{PollGrid, SLOT};
pub use intake::{Intake, Message, Taken, ToldMeter};
pub use modbus::{Fault, Line};
pub use mqtt::run_mqtt;
pub use payload::{MOST_READINGS, PayloadReader, Refusal, Told};
pub use pointer::{BadPointer, MOST_STEPS};
pub use polled::PolledMeter;
pub use requests::{MOST_APART, ReadPlan, ReadRequest, Stamp};
pub use routes::Subscription;
pub use sunspec::{Found, Maker, Survey, Surveyed, Walk, survey};
