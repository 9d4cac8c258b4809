//! Files of the store that this user may not read or write: the daemon names the file and ends; nothing is changed, nothing
//! set aside, and with its rights back it goes on with all it had.
//!
//! Seen to fail without the look at the rights of each file: with a log or an index of another owner it went on in memory.
//!
//! Needs root, to run the program as another user; without it the test says so loudly and ends.

use kvarden::store::{DATABASE, LOCK, Options, Store};
use kvarden_core::time::EventTime;
use kvarden_tests::missing::not_tested;
use kvarden_tests::program::{kvarden, text};
use kvarden_tests::site::{Site, polled_feeder};
use kvarden_tests::wait::run_to_end;
use kvarden_tests::work::{alert, told};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::Path;
use std::process::{Command, Output};

/// A user that owns nothing, and is not root.
const OTHER: u32 = 65_534;
/// Alerts in the store.
const ALERTS: u64 = 3;
/// A daemon that runs as long as this does not end by itself.
const SECONDS: &str = "10";

fn as_other(program: &Path, words: &[&Path]) -> Command {
    let mut command = Command::new("timeout");
    command.args([SECONDS, "setpriv", "--clear-groups"]);
    command.args([format!("--reuid={OTHER}"), format!("--regid={OTHER}")]);
    command.arg(program).args(words);
    command
}

/// A folder as a killed daemon of root leaves it: file, log, index and lock.
fn left_by_a_kill(data: &Path) {
    let folder = tempfile::tempdir().expect("there is room for a folder");
    let opened = Store::open(folder.path(), Options { max_bytes: 16 << 20 }, EventTime(0));
    let mut store = opened.expect("a store can be made").store;
    for number in 1..=ALERTS {
        store.apply(&told(number, number)).expect("there is room");
    }
    fs::create_dir_all(data).expect("a folder can be made");
    for name in NAMES {
        fs::copy(folder.path().join(name), data.join(name)).expect("an open store has all four");
    }
}

const NAMES: [&str; 4] = [DATABASE, "kvarden.db-wal", "kvarden.db-shm", LOCK];

/// Bytes of all files but the lock and the index, which say nothing of history.
fn contents(data: &Path) -> BTreeMap<String, Vec<u8>> {
    let files = fs::read_dir(data).expect("a folder").flatten();
    let named = files.map(|file| (file.file_name().to_string_lossy().into_owned(), file.path()));
    named
        .filter(|(name, _)| name.starts_with(DATABASE) && !name.ends_with("-shm"))
        .map(|(name, path)| (name, fs::read(path).expect("root reads everything")))
        .collect()
}

fn set(path: &Path, owner: u32, mode: u32) {
    chown(path, Some(owner), Some(owner)).expect("root may do so");
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).expect("root may do so");
}

/// A file, its owner and its rights.
type Kept<'a> = (&'a str, u32, u32);

/// Gives everything to the other user but what a case keeps from it, runs the daemon as that user, and gives what it said.
fn run(site: &Site, program: &Path, kept: &[Kept<'_>]) -> Output {
    let data = site.path("data");
    let _ = fs::remove_dir_all(&data);
    left_by_a_kill(&data);
    set(&data, OTHER, 0o750);
    for name in NAMES {
        set(&data.join(name), OTHER, 0o640);
    }
    for (name, owner, mode) in kept {
        set(&data.join(name), *owner, *mode);
    }
    run_to_end(&mut as_other(program, &[Path::new("run"), &site.config()]))
}

#[test]
fn a_file_that_may_not_be_used_is_named_and_nothing_is_changed() {
    let is_root = fs::metadata("/proc/self").is_ok_and(|facts| facts.uid() == 0);
    let may_change =
        is_root && as_other(Path::new("true"), &[]).output().is_ok_and(|output| output.status.success());
    if !may_change {
        return not_tested("only root may run the program as another user: files of a wrong owner");
    }
    let (site, _load) = polled_feeder("max_bytes = \"16 MiB\"");
    let program = site.path("kvarden");
    fs::copy(kvarden(), &program).expect("there is room for the program");
    set(&site.path(""), OTHER, 0o755);

    let good = run(&site, &program, &[]);
    assert_eq!(good.status.code(), Some(124), "with its rights it runs: {}", text(&good.stderr));

    let cases: [(&str, Kept<'_>); 9] = [
        ("the folder is read-only", ("", 0, 0o555)),
        ("the folder is closed", ("", 0, 0o700)),
        ("the lock is another's", (LOCK, 0, 0o600)),
        ("the file is another's", (DATABASE, 0, 0o600)),
        ("the file is another's to be read only", (DATABASE, 0, 0o644)),
        ("the file is read-only", (DATABASE, OTHER, 0o440)),
        ("the log is another's", ("kvarden.db-wal", 0, 0o600)),
        ("the log is another's to be read only", ("kvarden.db-wal", 0, 0o644)),
        ("the index is another's", ("kvarden.db-shm", 0, 0o600)),
    ];
    let wrong: Vec<String> =
        cases.into_iter().flat_map(|(what, kept)| wrong(&site, &program, what, kept)).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What is not as it should be with one file out of reach.
fn wrong(site: &Site, program: &Path, what: &str, kept: Kept<'_>) -> Vec<String> {
    let (data, mut wrong) = (site.path("data"), Vec::new());
    let mut must = |holds: bool, fact: &str| {
        if !holds {
            wrong.push(format!("{what}: {fact}"));
        }
    };
    let said = run(site, program, &[kept]);
    let errors = text(&said.stderr);
    must(said.status.code() == Some(1), &format!("it ends and says so: {} {errors}", said.status));
    must(!errors.contains("panicked"), &errors);
    let is_named = match kept.0 {
        "" => {
            ["data can't be used", "data/kvarden.lock can't be used", "can't be made in the store's folder"]
                .iter()
                .any(|words| errors.contains(words))
        }
        name => errors.contains("can't be used") && errors.contains(name.split('-').next().unwrap_or(name)),
    };
    must(is_named, &format!("the file is named: {errors}"));
    let after = contents(&data);
    let names: Vec<&str> = after.keys().map(String::as_str).collect();
    must(names == [DATABASE, "kvarden.db-wal"], &format!("nothing is set aside: {names:?}"));
    // With its rights back it goes on with all it had.
    match Store::open(&data, Options { max_bytes: 16 << 20 }, EventTime(0)) {
        Err(error) => must(false, &error.to_string()),
        Ok(opened) => {
            must(opened.salvage.is_none(), &format!("{:?}", opened.salvage));
            let is_there =
                |number: u64| opened.store.alert(&alert(number)).is_ok_and(|found| found.is_some());
            must((1..=ALERTS).all(is_there), "every alert is there");
        }
    }
    wrong
}
