//! A real browser, driven over W3C `WebDriver`: pages are opened as people open them, on a phone or on a desk.

use crate::missing::not_tested;
use crate::program::PATIENCE;
use crate::wait::{free_port, wait_for};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use tempfile::TempDir;

/// Whether a browser and its driver are here; if not, `what` is said not to be tested.
pub fn has_browser(what: &str) -> bool {
    let runs =
        |program: &str| Command::new(program).arg("--version").output().is_ok_and(|out| out.status.success());
    let has = runs("chromium") && runs("chromedriver");
    if !has {
        not_tested(&format!("chromium or chromedriver is missing (tests/install-parts.sh): {what}"));
    }
    has
}

/// How wide the page is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Screen {
    /// 390 by 844 points, as a phone held upright.
    Phone,
    /// 1280 by 900 points.
    Desk,
}

/// A browser with one page. Dropping it ends it.
#[derive(Debug)]
pub struct Browser {
    driver: Child,
    port: u16,
    session: String,
    /// New and empty; it lives as long as the browser.
    profile: TempDir,
}

impl Browser {
    /// Starts one.
    pub fn start(screen: Screen) -> Self {
        let profile = tempfile::tempdir().expect("the system has a folder for temporary files");
        let port = free_port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver was just run");
        let mut browser = Self { driver, port, session: String::new(), profile };
        wait_for("chromedriver listens", PATIENCE, || TcpStream::connect(("127.0.0.1", port)).ok());
        let folder = browser.profile.path().display().to_string();
        let mut args = vec![format!("--user-data-dir={folder}")];
        args.extend(
            [
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--window-size=1280,900",
            ]
            .map(str::to_owned),
        );
        let mut options = json!({ "args": args });
        if screen == Screen::Phone {
            options["mobileEmulation"] = json!({
                "deviceMetrics": { "width": 390, "height": 844, "pixelRatio": 2.0, "mobile": true, "touch": true }
            });
        }
        let wanted = json!({ "capabilities": { "alwaysMatch": { "goog:chromeOptions": options } } });
        let begun = browser.ask("POST", "/session", &wanted);
        begun["sessionId"].as_str().unwrap_or_default().clone_into(&mut browser.session);
        assert!(!browser.session.is_empty(), "no session: {begun}");
        browser
    }

    /// Opens an address and waits until it is loaded.
    pub fn open(&self, address: &str) {
        self.of_page("POST", "/url", &json!({ "url": address }));
    }

    /// What a script gives that is run in the page, as the body of a function.
    pub fn run(&self, script: &str) -> Value {
        self.of_page("POST", "/execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// All that a reader sees as text.
    pub fn text(&self) -> String {
        self.run("return document.body.innerText").as_str().unwrap_or_default().to_owned()
    }

    /// Presses the first thing that fits this CSS selector, as a finger or a mouse would: what is hidden can't be pressed.
    pub fn press(&self, selector: &str) {
        let found = self.of_page("POST", "/element", &json!({ "using": "css selector", "value": selector }));
        let id = found.as_object().and_then(|found| found.values().next()).and_then(Value::as_str);
        let id = id.unwrap_or_else(|| panic!("nothing fits {selector}: {found}")).to_owned();
        self.of_page("POST", &format!("/element/{id}/click"), &json!({}));
    }

    /// Keeps a picture of the page where `KVARDEN_PAGES` names a folder, for people to look at.
    pub fn keep_picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("KVARDEN_PAGES") else { return };
        let height =
            self.run("return document.documentElement.scrollHeight").as_u64().unwrap_or(900).min(6_000);
        let metrics = json!({
            "cmd": "Page.captureScreenshot",
            "params": {
                "captureBeyondViewport": true,
                "clip": { "x": 0, "y": 0, "width": self.run("return innerWidth"), "height": height, "scale": 1 },
            }
        });
        let shot = self.of_page("POST", "/goog/cdp/execute", &metrics);
        let packed = shot["data"].as_str().unwrap_or_default();
        let path = Path::new(&folder).join(format!("{name}.png"));
        let picture = STANDARD.decode(packed).expect("WebDriver packs pictures so");
        std::fs::write(&path, picture).expect("the folder of KVARDEN_PAGES exists");
    }

    fn of_page(&self, method: &str, path: &str, body: &Value) -> Value {
        self.ask(method, &format!("/session/{}{path}", self.session), body)
    }

    /// One command; fails with the browser's own words.
    fn ask(&self, method: &str, path: &str, body: &Value) -> Value {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).expect("chromedriver listens");
        stream.set_read_timeout(Some(2 * PATIENCE)).expect("a time that is not zero");
        let body = body.to_string();
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\nContent-Type: application/json\r\n\
             Content-Length: {}\r\n\r\n{body}",
            self.port,
            body.len()
        );
        stream.write_all(request.as_bytes()).expect("chromedriver reads");
        let answer = read_answer(&mut stream);
        let value = serde_json::from_slice::<Value>(&answer).unwrap_or_default()["value"].take();
        assert!(value.get("error").is_none(), "{method} {path}: {value}");
        value
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() {
            // Ends the browser; without it the driver's end leaves it running.
            if let Ok(mut stream) = TcpStream::connect(("127.0.0.1", self.port)) {
                let _ = stream.set_read_timeout(Some(PATIENCE));
                let request = format!(
                    "DELETE /session/{} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n\r\n",
                    self.session, self.port
                );
                let _ = stream.write_all(request.as_bytes());
                let _ = read_answer(&mut stream);
            }
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// The body of an HTTP answer whose length its head says.
fn read_answer(stream: &mut TcpStream) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut part = [0; 16_384];
    loop {
        if let Some(head) = bytes.windows(4).position(|four| four == b"\r\n\r\n") {
            let length = String::from_utf8_lossy(&bytes[..head])
                .lines()
                .filter_map(|line| line.split_once(':'))
                .find(|(name, _)| name.eq_ignore_ascii_case("content-length"))
                .and_then(|(_, length)| length.trim().parse::<usize>().ok());
            let whole = length.is_some_and(|length| bytes.len() >= head + 4 + length);
            if whole {
                return bytes.split_off(head + 4);
            }
        }
        match stream.read(&mut part) {
            Ok(0) | Err(_) => return Vec::new(),
            Ok(count) => bytes.extend_from_slice(&part[..count]),
        }
    }
}

/// The files of a folder on the loopback, by Python's `http.server`, until it is dropped: of a file opened by its path a browser does
/// not say what it fetched beside it.
#[derive(Debug)]
pub struct Served {
    port: u16,
    server: Child,
}

impl Served {
    /// Serves this folder.
    pub fn start(folder: &Path) -> Self {
        let port = free_port();
        let server = Command::new("python3")
            .args(["-m", "http.server", &port.to_string(), "--bind", "127.0.0.1", "--directory"])
            .arg(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("this test needs python3: install the package python3");
        wait_for("the files are served", PATIENCE, || TcpStream::connect(("127.0.0.1", port)).ok());
        Self { port, server }
    }

    /// The address of a file.
    pub fn address(&self, file: &str) -> String {
        format!("http://127.0.0.1:{}/{file}", self.port)
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}
