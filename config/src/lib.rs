//! Kvarden's configuration: TOML files in, a checked plant and the daemon's settings out.
//!
//! Each section has a reader of its own that returns a value or nothing and pushes what it finds wrong, so one
//! call tells of every [`Problem`] at once, each with file, line, column, cause and mend. Nothing here runs the plant.

mod broker;
mod columns;
mod document;
mod fault;
mod files;
mod json_map;
mod keys;
mod limit;
mod main_file;
mod maps;
mod meter;
mod mqtt_settings;
mod nameplate;
mod names;
mod notes;
mod parallel;
mod people;
mod people_settings;
mod private_files;
mod problem;
mod register_map;
mod registers;
mod rota;
mod section;
mod services;
mod settings;
mod site;
mod sunspec;
mod supplies;
mod telling;
mod topics;
mod units;
mod values;
mod ways;
mod web;
mod work;

pub use columns::{load_columns, parse_columns};
pub use keys::{SECTIONS, Shape};
pub use main_file::{load, parse, store_folder};
pub use mqtt_settings::{BrokerSpec, Identity, JsonPoint, MqttSpec, Qos, TimeField, TimeForm, TlsSpec};
pub use people_settings::{
    CommandSpec, ExceptionSpec, Language, LinksSpec, MailSecurity, MailSpec, PersonSpec, Quiet, RotaSpec,
    RuleSpec, TellingSpec, Way, WebhookSpec,
};
pub use problem::{Problem, render};
pub use registers::{
    Bits, ByteOrder, MOST_BITS, MOST_REGISTERS, ModbusSpec, NumberKind, OneModel, Order, Reach,
    RegisterPoint, Registers, ScaleRegister, Scaling, Special, WordOrder,
};
pub use settings::{
    Configuration, DigestSpec, LogColumn, LogSpec, LogTime, Notes, Secret, SourceSpec, StoreSpec, TellSpec,
    TemperatureUnit,
};
pub use sunspec::{MODELS, MOST_MODELS, Model, model};
