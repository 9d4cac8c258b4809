//! A process under measurement: the real daemon or a floor. Only what the child itself uses counts, never this
//! program, which is also the meters and the broker.

use nix::sys::resource::{Resource, UsageWho, getrlimit, getrusage, setrlimit};
use nix::time::{ClockId, clock_getcpuclockid};
use nix::unistd::Pid;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A process that uses less than this of one core rests.
const AT_REST: Duration = Duration::from_millis(4);
/// How often it is looked whether a process rests.
const LOOK_EVERY: Duration = Duration::from_millis(200);
/// A process that has not come to rest by then is not measured further.
const LONGEST: Duration = Duration::from_secs(20);

/// Lets this process and its children open as many files as the system allows: each meter is a connection.
pub(crate) fn raise_file_limit() {
    if let Ok((_, hard)) = getrlimit(Resource::RLIMIT_NOFILE) {
        let _ = setrlimit(Resource::RLIMIT_NOFILE, hard, hard);
    }
}

/// A command that runs a floor: this program with other words.
pub(crate) fn floor(words: &[&str]) -> Command {
    let mut command =
        Command::new(std::env::current_exe().expect("the system knows the path of a running program"));
    command.arg("floor").args(words);
    command
}

/// The real binary: built once in the profile of the bench, or the one that `KVARDEN_BENCH_BINARY` names, so that an
/// older build can be compared.
pub(crate) fn kvarden() -> Command {
    match std::env::var_os("KVARDEN_BENCH_BINARY") {
        Some(path) => Command::new(path),
        None => Command::new(kvarden_tests::program::kvarden()),
    }
}

/// A command that runs the daemon of a site.
pub(crate) fn daemon(config: &Path) -> Command {
    let mut command = kvarden();
    command.env("KVARDEN_LOG", "warn").arg("run").arg(config);
    command
}

/// The command under callgrind, which writes how many instructions were run to its standard error.
pub(crate) fn counted(command: &Command) -> Command {
    let mut valgrind = Command::new("valgrind");
    valgrind.args(["--tool=callgrind", "--callgrind-out-file=/dev/null"]);
    valgrind.arg(command.get_program()).args(command.get_args());
    for (name, value) in command.get_envs() {
        if let Some(value) = value {
            valgrind.env(name, value);
        }
    }
    valgrind
}

/// A running process. Dropping it kills it.
#[derive(Debug)]
pub(crate) struct Watched {
    child: Child,
    log: PathBuf,
}

impl Watched {
    /// Starts it; what it says goes to `log`.
    pub(crate) fn start(mut command: Command, log: &Path) -> Self {
        let file = File::create(log).expect("the folder is there");
        let command = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(file);
        let child = command.spawn().unwrap_or_else(|error| panic!("{command:?}: {error}"));
        Self { child, log: log.to_owned() }
    }

    /// Processor time of all its threads so far.
    pub(crate) fn cpu(&self) -> Duration {
        let pid = Pid::from_raw(self.child.id() as i32);
        let used = clock_getcpuclockid(pid).and_then(ClockId::now);
        let used = used.unwrap_or_else(|error| panic!("the process has ended ({error}): {}", self.log()));
        used.into()
    }

    /// Memory in MiB: what it holds now.
    pub(crate) fn rss_mib(&self) -> f64 {
        memory_mib(self.child.id(), "VmRSS:").unwrap_or(f64::NAN)
    }

    /// Waits until it has nothing more to do; says whether it came to that.
    pub(crate) fn rests(&self) -> bool {
        let begun = Instant::now();
        let mut used = self.cpu();
        while begun.elapsed() < LONGEST {
            std::thread::sleep(LOOK_EVERY);
            let now = self.cpu();
            if now.saturating_sub(used) < AT_REST {
                return true;
            }
            used = now;
        }
        false
    }

    /// Asks it to end, and waits for that.
    pub(crate) fn end(&mut self) {
        kvarden_tests::program::signal("TERM", self.child.id());
        let _ = self.child.wait();
    }

    /// Waits for its end.
    pub(crate) fn wait(&mut self) {
        let _ = self.child.wait();
    }

    /// What it said.
    pub(crate) fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Runs a command to its good end: processor time in seconds, and the most memory it was seen to hold, in MiB.
pub(crate) fn run_to_end(mut command: Command) -> (f64, f64) {
    let before = used_by_children();
    let command = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    let mut child = command.spawn().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    let mut most = 0f64;
    let status = loop {
        match child.try_wait() {
            Ok(Some(status)) => break status,
            Ok(None) => most = memory_mib(child.id(), "VmHWM:").unwrap_or(0.0).max(most),
            Err(error) => panic!("{command:?}: {error}"),
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert!(status.success(), "{command:?} ended with {status}");
    (used_by_children() - before, most)
}

fn used_by_children() -> f64 {
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).expect("the system counts what children use");
    let seconds = |time: nix::sys::time::TimeVal| time.tv_sec() as f64 + time.tv_usec() as f64 * 1e-6;
    seconds(usage.user_time()) + seconds(usage.system_time())
}

fn memory_mib(pid: u32, key: &str) -> Option<f64> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix(key))?;
    Some(line.split_whitespace().next()?.parse::<f64>().ok()? / 1024.0)
}
