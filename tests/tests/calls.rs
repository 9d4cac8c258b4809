//! The n-th call of the system fails, for every n: opening, writing (not at all, or cut short), syncing, renaming, cutting.
//! After it the file is whole, everything that was told of is in it, and the work was done to its end or its end was
//! named.
//!
//! Names are changed only where a damaged file is set aside: those calls fail on a folder with one. What becomes of
//! writes before a sync that failed is looked at in `power_cut.rs`.
//!
//! Here every fifth of them, with `KVARDEN_CALLS_STEP=1` each: some four minutes.
//!
//! The calls are made to fail by strace, on the real store in a process of its own. Where this user may not trace, the
//! test says so loudly and ends.

use kvarden::store::{DATABASE, LOCK, Options, Store};
use kvarden_core::time::EventTime;
use kvarden_tests::missing::may_trace;
use kvarden_tests::program::text;
use kvarden_tests::wait::run_to_end;
use kvarden_tests::work::{CHANNEL, alert};
use std::path::Path;
use std::process::{Command, Output};
use std::sync::atomic::{AtomicUsize, Ordering};

const WORK: &str = env!("CARGO_BIN_EXE_store_work");
const CALLS: [&str; 9] =
    ["openat", "pwrite64", "fsync", "fdatasync", "ftruncate", "fallocate", "rename", "unlink", "mkdir"];
const ERRORS: [&str; 3] = ["error=ENOSPC", "error=EIO", "error=EINTR"];
/// A write that takes nothing, and says so.
const SHORT: &str = "retval=0";
/// Runs side by side.
const AT_ONCE: usize = 12;

/// What is no store, in the place of one.
const DAMAGED: &[u8] = &[7; 9000];

/// Runs the work with some call failing, or only counting it.
fn run(folder: &Path, call: &str, inject: Option<&str>) -> Output {
    if call == "rename" {
        let data = folder.join("data");
        std::fs::create_dir(&data).expect("a folder can be made");
        std::fs::write(data.join(LOCK), b"").expect("a file can be written");
        std::fs::write(data.join(DATABASE), DAMAGED).expect("a file can be written");
    }
    let log = folder.join("calls");
    let mut command = Command::new("strace");
    command.args(["-f", "-qq", "-e", "signal=none", "-o"]).arg(&log).args(["-e", &format!("trace={call}")]);
    if let Some(inject) = inject {
        command.args(["-e", &format!("inject={call}:{inject}")]);
    }
    run_to_end(command.arg(WORK).arg(folder.join("data")))
}

/// The lines of the calls that were made; those of the loader, before the store's folder is first named, are passed by.
fn calls(folder: &Path) -> (usize, usize) {
    let log = std::fs::read_to_string(folder.join("calls")).expect("strace writes its log");
    let data = folder.join("data");
    let data = data.to_str().expect("a folder of letters");
    let first = log.lines().position(|line| line.contains(data) || !line.contains("openat(")).unwrap_or(0);
    (first, log.lines().count())
}

/// Looks at what is left: whole, and with everything that was told of.
fn look(folder: &Path, output: &Output, what: &str) {
    let (said, errors) = (text(&output.stdout), text(&output.stderr));
    assert!(!errors.contains("panicked"), "{what}: {errors}");
    let data = folder.join("data");
    let lines = || said.lines().filter_map(|line| line.strip_prefix("told "));
    // What is in memory only is told as well; it must have come to the disk only where the work went to its end.
    let (all, on_disk): (Vec<&str>, Vec<u64>) = (lines().collect(), lines().flat_map(str::parse).collect());
    let told: Vec<u64> = if output.status.success() { (1..=12).collect() } else { on_disk };
    if output.status.success() {
        assert_eq!(all.len(), 12, "{what}: {said}{errors}");
    } else {
        // Only what has nowhere to go on may end it, and it names the cause.
        assert!(errors.contains("Error"), "{what}: it ended without a word: {said}{errors}");
        if !data.join(DATABASE).exists() {
            assert_eq!(told, Vec::<u64>::new(), "{what}: told, and not stored");
            return;
        }
    }
    let never_set_aside = std::fs::read(data.join(DATABASE)).is_ok_and(|bytes| bytes == DAMAGED);
    let opened = Store::open(&data, Options::default(), EventTime(0));
    let opened = opened.unwrap_or_else(|error| panic!("{what}: it does not open again: {error}"));
    assert_eq!(opened.salvage.is_some(), never_set_aside, "{what}: {:?}", opened.salvage);
    assert_eq!(opened.store.in_memory(), None, "{what}");
    for number in told {
        let alert = alert(number);
        let kept = opened.store.alert(&alert).expect("it reads");
        assert!(kept.is_some(), "{what}: {alert} was told and is not stored: {said}{errors}");
    }
    if output.status.success() {
        assert_eq!(opened.store.waiting(CHANNEL).expect("it reads"), 12, "{what}: each letter once: {said}");
    }
    drop(opened);
    let damage = kvarden::store::verify(&data).expect("it can be looked through");
    assert_eq!(damage, Vec::<String>::new(), "{what}");
}

#[test]
fn after_any_call_of_the_system_that_fails_nothing_told_is_lost() {
    if !may_trace("failing calls of the system") {
        return;
    }
    let step = std::env::var("KVARDEN_CALLS_STEP").ok().and_then(|text| text.parse().ok()).unwrap_or(5);
    let mut failures = Vec::new();
    for call in CALLS {
        let folder = tempfile::tempdir().expect("there is room for a folder");
        let calm = run(folder.path(), call, None);
        look(folder.path(), &calm, &format!("{call}, all well"));
        let (first, all) = calls(folder.path());
        println!("{call}: {} calls", all - first);
        assert!(all > first || call == "fdatasync" || call == "fallocate", "{call} never comes in that work");
        let errors = ERRORS.into_iter().chain((call == "pwrite64").then_some(SHORT));
        let each = (first + 1..=all)
            .step_by(step)
            .flat_map(|number| errors.clone().map(move |error| (number, error)));
        failures.extend(each.map(|(number, error)| (call, number, all, error)));
    }
    assert!(failures.len() * step > 500, "only {} calls to make fail", failures.len());
    // Most of a run is waiting for the disk to be tried again, so several go side by side.
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                while let Some((call, number, all, error)) =
                    failures.get(next.fetch_add(1, Ordering::Relaxed))
                {
                    let folder = tempfile::tempdir().expect("there is room for a folder");
                    let output = run(folder.path(), call, Some(&format!("{error}:when={number}")));
                    look(folder.path(), &output, &format!("{call} {number} of {all} gives {error}"));
                }
            });
        }
    });
    println!("{} calls were made to fail", failures.len());
}

/// Writes that take a part of what they are given, as the system cuts them at the largest length of a file that a
/// process may make: not at the border of a page. From there on nothing more can be written.
#[test]
fn after_a_write_that_is_cut_short_nothing_told_is_lost() {
    let lengths = [9_001, 33_333, 60_007, 100_003, 140_011, 200_017];
    std::thread::scope(|scope| {
        for length in lengths {
            scope.spawn(move || {
                let folder = tempfile::tempdir().expect("there is room for a folder");
                let mut command = Command::new("sh");
                // The signal that tells of it would end the process.
                command.args(["-c", "trap '' XFSZ; exec prlimit --fsize=$0 \"$1\" \"$2\""]);
                let output =
                    run_to_end(command.arg(length.to_string()).arg(WORK).arg(folder.path().join("data")));
                look(folder.path(), &output, &format!("files of at most {length} bytes"));
                let said = text(&output.stdout);
                assert!(said.contains("in memory"), "the store went on in memory: {said}");
            });
        }
    });
}
