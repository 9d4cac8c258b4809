//! All the good files, for tests that walk over them.

use std::path::Path;

/// Every good file with what stands in it.
pub(crate) fn good_texts() -> Vec<(&'static str, String)> {
    const FILES: [&str; 11] = [
        "kvarden.toml",
        "whole.toml",
        "every.toml",
        "columns.toml",
        "maps/states.toml",
        "maps/main-meter.toml",
        "maps/mp3.toml",
        "maps/heat.toml",
        "maps/every-register.toml",
        "maps/every-json.toml",
        "maps/every-topic.toml",
    ];
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/good");
    let read = |name: &'static str| {
        (name, std::fs::read_to_string(folder.join(name)).expect("it lies beside the others"))
    };
    FILES.into_iter().map(read).collect()
}
