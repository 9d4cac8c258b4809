//! The real `kvarden` binary as a process: built once, started, asked, stopped and killed.

use crate::site::Site;
use crate::wait::{run_to_end, wait_for};
use kvarden::status::Status;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

/// How long a start, an answer or an end may take on a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// The binary, built once by this process: `cargo test` does not build another package's binary, so without this a
/// stale one would be tested.
pub fn kvarden() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| build("kvarden"))
}

/// Builds a binary of this workspace in the profile of the running test; gives its path.
pub fn build(package: &str) -> PathBuf {
    let test = std::env::current_exe().expect("the system knows the path of a running test");
    // target/<profile>/deps/<test>
    let folder = test.ancestors().nth(2).expect("cargo puts tests two folders below their profile's");
    let target = folder.parent().expect("a profile's folder lies in the target folder");
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(cargo);
    command.args(["build", "--quiet", "-p", package, "--bin", package]).arg("--target-dir").arg(target);
    if folder.ends_with("release") {
        command.arg("--release");
    }
    let output = run_to_end(command.current_dir(env!("CARGO_MANIFEST_DIR")));
    assert!(output.status.success(), "{package} could not be built:\n{}", text(&output.stderr));
    folder.join(package)
}

/// What a process wrote, as text.
pub fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// What a command said that must have gone well.
pub fn good(output: &Output) -> String {
    assert!(output.status.success(), "{}{}", text(&output.stdout), text(&output.stderr));
    text(&output.stdout)
}

/// What a command said that must have been refused.
pub fn refused(output: &Output) -> String {
    assert!(!output.status.success(), "{}", text(&output.stdout));
    text(&output.stderr) + &text(&output.stdout)
}

/// Sends a signal, by its name without `SIG`, to a process.
pub fn signal(name: &str, pid: u32) {
    let output = run_to_end(Command::new("sh").args(["-c", &format!("kill -{name} {pid}")]));
    assert!(output.status.success(), "SIG{name} to {pid}: {}", text(&output.stderr));
}

/// A running daemon. Dropping it kills it.
#[derive(Debug)]
pub struct Daemon {
    child: Child,
    config: PathBuf,
    log: PathBuf,
}

impl Daemon {
    /// Starts the daemon of a site; does not wait for it.
    pub fn start(site: &Site) -> Self {
        Self::start_in(site, &[])
    }

    /// Starts it with more in its environment.
    pub fn start_in(site: &Site, environment: &[(&str, &str)]) -> Self {
        let (config, log) = (site.config(), site.path("kvarden.log"));
        let file = File::options().append(true).create(true).open(&log).expect("the log can be written");
        let child = Command::new(kvarden())
            .arg("run")
            .arg(&config)
            .envs(environment.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(file)
            .spawn()
            .expect("the binary was just built, so it starts");
        Self { child, config, log }
    }

    /// Starts the daemon of a site and waits until it answers at its control socket.
    pub fn watching(site: &Site) -> Self {
        let mut daemon = Self::start(site);
        daemon.wait_until_watching();
        daemon
    }

    /// Waits until it answers at its control socket.
    pub fn wait_until_watching(&mut self) {
        wait_for("the daemon answers", PATIENCE, || {
            if let Ok(Some(status)) = self.child.try_wait() {
                panic!("the daemon ended with {status}:\n{}", self.log());
            }
            self.try_status()
        });
    }

    /// Its process id.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// What it logged so far, also in earlier runs of the same site.
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// How things stand, asked with the command that a person uses.
    pub fn status(&self) -> Status {
        self.try_status().unwrap_or_else(|| panic!("the daemon gives no status:\n{}", self.log()))
    }

    fn try_status(&self) -> Option<Status> {
        let output = run_to_end(self.command("status").arg("--json"));
        output.status.success().then(|| {
            serde_json::from_slice(&output.stdout)
                .unwrap_or_else(|error| panic!("{error}: {}", text(&output.stdout)))
        })
    }

    /// A command of the binary that talks to this daemon.
    pub fn command(&self, name: &str) -> Command {
        let mut command = Command::new(kvarden());
        command.arg(name).arg("--config").arg(&self.config);
        command
    }

    /// Runs such a command to its end.
    pub fn run(&self, name: &str, more: &[&str]) -> Output {
        run_to_end(self.command(name).args(more))
    }

    /// Waits until no letter waits on any channel.
    pub fn wait_until_told(&self) {
        wait_for("all letters are delivered", Duration::from_secs(90), || {
            self.status().channels.iter().all(|channel| channel.waiting == 0).then_some(())
        });
    }

    /// Kills it with SIGKILL.
    pub fn kill(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Ends it with SIGTERM and waits for a good end.
    pub fn stop(mut self) {
        signal("TERM", self.pid());
        let status = wait_for("the daemon ends", PATIENCE, || self.child.try_wait().ok().flatten());
        assert!(status.success(), "the daemon ended with {status}:\n{}", self.log());
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.kill();
    }
}
