//! A web server of an independent library (Python's `http.server` and `ssl`) for the webhook.

use crate::authority::Issued;
use crate::modbus_server::part;
use crate::program::PATIENCE;
use crate::wait::{free_port, wait_for};
use serde_json::Value;
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use tempfile::TempDir;

/// An HTTPS server that follows a script. Dropping it kills it.
#[derive(Debug)]
pub struct Web {
    child: Child,
    folder: TempDir,
    port: u16,
}

impl Web {
    /// Starts one that knows signatures by this secret. The script: an answer for each request, the last one for all that follow
    /// (see `tests/parts/web_server.py`).
    pub fn start(shown: &Issued, secret: &str, script: &Value) -> Self {
        let (folder, port) = (tempfile::tempdir().expect("a folder"), free_port());
        let (certificate, key) = shown.write(folder.path(), "web", 0o600);
        let log = std::fs::File::create(folder.path().join("log")).expect("a file can be written");
        let child = Command::new("python3")
            .arg(part("web_server.py"))
            .arg(port.to_string())
            .arg(folder.path())
            .args([certificate, key])
            .args([secret.to_owned(), script.to_string()])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("this test needs python3: install the package python3");
        wait_for("the web server listens", PATIENCE, || TcpStream::connect(("127.0.0.1", port)).ok());
        Self { child, folder, port }
    }

    /// Its port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// What it was asked, in the order in which it came.
    pub fn asked(&self) -> Vec<Value> {
        let text = std::fs::read_to_string(self.folder.path().join("asked")).unwrap_or_default();
        // It may be writing the last line.
        let whole = text.split_inclusive('\n').filter(|line| line.ends_with('\n'));
        whole.map(|line| serde_json::from_str(line).expect("the server writes JSON")).collect()
    }
}

impl Drop for Web {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
