//! Targets for hostile bytes: plain functions that take what a file, a wire or a person may bring, and panic only
//! when the program would, or when what comes out breaks a promise. Each has a folder of good and bad examples in
//! `tests/corpora/`; `tests/tests/corpora.rs` runs every example and seeded mutations of it. A fuzzer guided by
//! coverage may call the same functions.

mod configuration;
mod csv;
mod json_payloads;
mod modbus_answers;
pub mod mutation;
mod sunspec_blocks;

/// A target.
pub struct Target {
    /// Its name, which is also its folder's in `tests/corpora/`.
    pub name: &'static str,
    /// Takes any bytes.
    pub run: fn(&[u8]),
}

/// Every target.
pub const TARGETS: &[Target] = &[
    Target { name: "configuration", run: configuration::run },
    Target { name: "csv", run: csv::run },
    Target { name: "modbus_answers", run: modbus_answers::run },
    Target { name: "sunspec_blocks", run: sunspec_blocks::run },
    Target { name: "json_payloads", run: json_payloads::run },
];
