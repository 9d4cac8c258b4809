//! What is absent from core on purpose: no I/O, no clock, no runtime, no database, and no dependency that has them.

use std::path::Path;
use std::process::Command;

/// Serde, complex numbers and what both need; nothing else may enter core without a look at this list.
const ALLOWED: [&str; 10] = [
    "kvarden-core",
    "serde",
    "serde_core",
    "serde_derive",
    "proc-macro2",
    "quote",
    "syn",
    "unicode-ident",
    "num-complex",
    "num-traits",
];

#[test]
fn core_depends_on_serde_and_complex_numbers_and_nothing_else() {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    cargo.args(["tree", "-p", "kvarden-core", "-e", "normal", "--prefix", "none", "--offline"]);
    if manifest.join("../Cargo.lock").exists() {
        cargo.arg("--locked");
    }
    let told = cargo.current_dir(manifest).output().expect("cargo can be called by its own test");
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let tree = String::from_utf8_lossy(&told.stdout);
    let names: Vec<&str> = tree.lines().filter_map(|line| line.split(' ').next()).collect();
    assert!(names.contains(&"serde"), "the tree was read: {tree}");
    for name in names {
        assert!(ALLOWED.contains(&name), "core depends on {name}:\n{tree}");
    }
}

#[test]
fn no_source_of_core_reads_a_clock_or_writes_anywhere() {
    let banned = ["Instant::now", "SystemTime", "println!", "std::fs", "std::net", "std::thread", "std::env"];
    let mut read = 0;
    for_each_source(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut |path, text| {
        read += 1;
        for (number, line) in text.lines().enumerate() {
            let found = banned.iter().find(|word| line.contains(*word));
            assert!(found.is_none(), "{}:{}: {line}", path.display(), number + 1);
        }
    });
    assert!(read > 20, "{read} files were read");
}

fn for_each_source(folder: &Path, look: &mut dyn FnMut(&Path, &str)) {
    for entry in std::fs::read_dir(folder).expect("the sources lie beside this test") {
        let path = entry.expect("a readable folder").path();
        if path.is_dir() {
            for_each_source(&path, look);
        } else {
            look(&path, &std::fs::read_to_string(&path).expect("sources are text"));
        }
    }
}
