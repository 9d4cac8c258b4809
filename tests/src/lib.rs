//! Support for the end-to-end tests: the real binary, sites in folders of their own, and outside parts that no one
//! here wrote. A test that needs a part which is not on the machine fails and names the package to install.

#![warn(missing_docs)]

pub mod authority;
pub mod broker;
pub mod browser;
pub mod cases;
pub mod faked_clock;
pub mod letters;
pub mod mail_server;
pub mod missing;
pub mod modbus_server;
pub mod network;
pub mod posted;
pub mod power_cut;
pub mod program;
pub mod score;
pub mod scripted;
pub mod simulated;
pub mod site;
pub mod story;
pub mod targets;
pub mod three_ways;
pub mod traced;
pub mod undisturbed;
pub mod wait;
pub mod web_server;
pub mod work;
