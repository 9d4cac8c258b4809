//! Debian's mosquitto with its own clients: a broker, a voice that publishes and an ear that listens.

use crate::program::{signal, text};
use crate::wait::{free_port, wait_for};
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tempfile::TempDir;

const PATIENCE: Duration = Duration::from_secs(20);

/// Starts a program of a Debian package, or fails with the package's name: a test that needs a part is never passed
/// over in silence.
fn start(program: &str, package: &str, set_up: impl Fn(&mut Command)) -> Child {
    // Debian keeps daemons where a plain user does not look.
    for path in [program.to_owned(), format!("/usr/sbin/{program}")] {
        let mut command = Command::new(path);
        set_up(&mut command);
        match command.spawn() {
            Ok(child) => return child,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => panic!("{program} can't be started: {error}"),
        }
    }
    panic!("this test needs {program}: install the package {package} (apt-get install {package})");
}

/// A mosquitto on the loopback. Dropping it kills it.
#[derive(Debug)]
pub struct Mosquitto {
    child: Child,
    port: u16,
    folder: TempDir,
    /// What its clients say to get in.
    login: Vec<String>,
}

impl Mosquitto {
    /// Starts one on a free port that keeps nothing over a restart and lets everybody in.
    pub fn start() -> Self {
        Self::start_at(free_port())
    }

    /// Starts one like that on this port.
    pub fn start_at(port: u16) -> Self {
        let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
        let settings = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n"
        );
        Self::start_with(folder, port, &settings, &[])
    }

    /// Starts one with settings of its own, which must make it listen on `port`. Files that they name may lie in
    /// `folder`. `login` is what its own clients are started with.
    pub fn start_with(folder: TempDir, port: u16, settings: &str, login: &[String]) -> Self {
        let config = folder.path().join("mosquitto.conf");
        std::fs::write(&config, settings).expect("a file can be written");
        // A mosquitto that was started by root goes on as a user of its own.
        open_to_all(folder.path());
        let log = std::fs::File::create(folder.path().join("log")).expect("a file can be written");
        let child = start("mosquitto", "mosquitto", |command| {
            let log = log.try_clone().expect("an open file can be shared");
            command.arg("-c").arg(&config).stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
        });
        let mut broker = Self { child, port, folder, login: login.to_vec() };
        wait_for("mosquitto listens", PATIENCE, || {
            if let Ok(Some(status)) = broker.child.try_wait() {
                panic!("mosquitto ended with {status}: {}", broker.log());
            }
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
        broker
    }

    /// What it logged.
    pub fn log(&self) -> String {
        text(&std::fs::read(self.folder.path().join("log")).unwrap_or_default())
    }

    /// What a client is started with; `login` instead of its usual one.
    fn args(&self, login: Option<&[String]>) -> Vec<String> {
        let own = ["-h", "127.0.0.1", "-p"].map(str::to_owned);
        let login = login.unwrap_or(&self.login).iter().cloned();
        own.into_iter().chain([self.port.to_string()]).chain(login).collect()
    }

    /// Its port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Stops it with SIGSTOP: its connections stay, and nothing answers.
    pub fn freeze(&self) {
        signal("STOP", self.child.id());
    }

    /// Kills it with SIGKILL.
    pub fn kill(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A `mosquitto_pub` that publishes each line it is given, on one topic, to be acknowledged by the broker.
#[derive(Debug)]
pub struct Voice {
    child: Child,
    /// Taken away at the end, which tells `mosquitto_pub` that nothing more comes.
    lines: Option<ChildStdin>,
}

impl Voice {
    /// Starts one.
    pub fn on(broker: &Mosquitto, topic: &str) -> Self {
        Self::of(broker, topic, None)
    }

    /// Starts one that says something of its own to get in.
    pub fn of(broker: &Mosquitto, topic: &str, login: Option<&[String]>) -> Self {
        let mut child = start("mosquitto_pub", "mosquitto-clients", |command| {
            command
                .args(broker.args(login))
                .args(["-q", "1", "-l", "-t", topic])
                .stdin(Stdio::piped())
                .stderr(Stdio::null());
        });
        let lines = child.stdin.take();
        Self { child, lines }
    }

    /// Publishes one message.
    pub fn say(&mut self, payload: &Value) {
        let lines = self.lines.as_mut().expect("only the end takes it away");
        writeln!(lines, "{payload}").expect("mosquitto_pub is running");
    }

    /// Publishes one line as it is.
    pub fn say_text(&mut self, line: &str) {
        let lines = self.lines.as_mut().expect("only the end takes it away");
        writeln!(lines, "{line}").expect("mosquitto_pub is running");
    }

    /// Ends when the broker has everything that was said.
    pub fn finish(mut self) {
        drop(self.lines.take());
        let status = wait_for("mosquitto_pub ends", PATIENCE, || self.child.try_wait().ok().flatten());
        assert!(status.success(), "mosquitto_pub ended with {status}");
    }
}

impl Drop for Voice {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Publishes one message that the broker keeps for those who subscribe later.
pub fn publish_kept(broker: &Mosquitto, topic: &str, payload: &Value) {
    let payload = payload.to_string();
    let mut child = start("mosquitto_pub", "mosquitto-clients", |command| {
        command.args(broker.args(None)).args(["-q", "1", "-r", "-t", topic, "-m", &payload]);
    });
    let status = child.wait().expect("a started process ends");
    assert!(status.success(), "mosquitto_pub ended with {status}");
}

/// Publishes one message with something of its own to get in; gives whether the broker took it. One that it takes may
/// still be passed on to nobody.
pub fn is_taken(broker: &Mosquitto, topic: &str, payload: &Value, login: &[String]) -> bool {
    let payload = payload.to_string();
    let mut child = start("mosquitto_pub", "mosquitto-clients", |command| {
        command.args(broker.args(Some(login))).args(["-q", "1", "-t", topic, "-m", &payload]);
        command.stdout(Stdio::null()).stderr(Stdio::null());
    });
    let begun = std::time::Instant::now();
    while begun.elapsed() < PATIENCE / 2 {
        if let Ok(Some(status)) = child.try_wait() {
            return status.success();
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    // It tries again and again.
    let _ = child.kill();
    let _ = child.wait();
    false
}

/// One message as it was heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// Kept by the broker from before the subscription.
    pub kept: bool,
    /// The topic.
    pub topic: String,
    /// What it says.
    pub payload: Value,
}

/// A `mosquitto_sub` that hears everything below a topic and acknowledges it.
#[derive(Debug)]
pub struct Ear {
    child: Child,
    heard: Arc<Mutex<Vec<Heard>>>,
}

impl Ear {
    /// Starts one on `topics` and returns once it is subscribed.
    pub fn on(broker: &Mosquitto, topics: &str) -> Self {
        let ear = Self::of(broker, topics, None);
        let hello = format!("{topics}/hello");
        // What a subscriber hears of now, it hears of from now on.
        let mut voice = Voice::on(broker, &hello);
        let mut tries = 0;
        wait_for("mosquitto_sub is subscribed", PATIENCE, || {
            if tries % 10 == 0 {
                voice.say(&Value::Null);
            }
            tries += 1;
            ear.heard().iter().any(|message| message.topic == hello).then_some(())
        });
        ear
    }

    /// Starts one that says something of its own to get in; it may not be subscribed yet.
    pub fn of(broker: &Mosquitto, topics: &str, login: Option<&[String]>) -> Self {
        let mut child = start("mosquitto_sub", "mosquitto-clients", |command| {
            command
                .args(broker.args(login))
                .args(["-q", "1", "-t", &format!("{topics}/#"), "-F", "%r %t %p"])
                .stdin(Stdio::null())
                .stdout(Stdio::piped());
        });
        let lines = BufReader::new(child.stdout.take().expect("it was started with a pipe"));
        let heard = Arc::new(Mutex::new(Vec::new()));
        let writes = Arc::clone(&heard);
        std::thread::spawn(move || {
            for line in lines.lines().map_while(Result::ok) {
                writes.lock().unwrap_or_else(PoisonError::into_inner).push(read(&line));
            }
        });
        Self { child, heard }
    }

    /// Everything heard so far.
    pub fn heard(&self) -> Vec<Heard> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The payloads heard on one topic so far.
    pub fn on_topic(&self, topic: &str) -> Vec<Value> {
        let heard = self.heard().into_iter().filter(|message| message.topic == topic);
        heard.map(|message| message.payload).collect()
    }

    /// Waits for a message that fits.
    pub fn wait_for(&self, what: &str, fits: impl Fn(&Heard) -> bool) -> Heard {
        wait_for(what, PATIENCE, || self.heard().into_iter().find(|message| fits(message)))
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Lets every user read a folder of the tests and write into it.
fn open_to_all(folder: &Path) {
    let open = |mode| std::os::unix::fs::PermissionsExt::from_mode(mode);
    std::fs::set_permissions(folder, open(0o777)).expect("the folder is ours");
    for entry in std::fs::read_dir(folder).expect("the folder is there").flatten() {
        if entry.path().is_dir() {
            open_to_all(&entry.path());
        } else {
            std::fs::set_permissions(entry.path(), open(0o644)).expect("the file is ours");
        }
    }
}

fn read(line: &str) -> Heard {
    let mut parts = line.splitn(3, ' ');
    let (kept, topic, payload) = (parts.next(), parts.next(), parts.next());
    let (Some(kept), Some(topic), Some(payload)) = (kept, topic, payload) else {
        panic!("mosquitto_sub wrote something unexpected: {line}");
    };
    let payload = serde_json::from_str(payload).unwrap_or_else(|error| panic!("{error}: {line}"));
    Heard { kept: kept == "1", topic: topic.to_owned(), payload }
}
