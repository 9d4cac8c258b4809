//! Every secret that a configuration leads to is marked; then all that the program puts out is searched for the marks: log
//! at its most talkative, status, errors about broken configurations and about files that hold no usable secret, digests,
//! export, backup, store, alerts.
//!
//! Seen to fail with the password told to the log at its most talkative, and with what a key file holds in the words about it.

use kvarden_tests::authority::{Authority, FAR_OFF, LONG_AGO};
use kvarden_tests::broker::{Ear, Mosquitto, Voice};
use kvarden_tests::program::{Daemon, PATIENCE, kvarden};
use kvarden_tests::site::{Site, TOPICS};
use kvarden_tests::wait::{free_port, run_to_end, wait_for};
use serde_json::json;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

const PASSWORD: &str = "Marsh-Heron-7741-Thistle";
const MAP: &str = "[[point]]\nmeasurand = \"current_a\"\nplace = \"B\"\npointer = \"/b\"\n";

const COLUMNS: &str = "[[log]]\nfile = \"mp3.csv\"\nmeter = \"MP-3\"\ntime = { column = \"t\", form = \"unix-s\" }\n\
    [[log.column]]\ncolumn = \"b\"\nmeasurand = \"current_a\"\nplace = \"B\"\n";
const LOGGED: &str = "t,b\n1795590000,50\n1795590001,95\n1795590002,50\n1795680000,50\n";

/// What may stand nowhere: the password in any usual form, and each line of the key.
fn marks(key: &str) -> Vec<String> {
    let hex = PASSWORD.bytes().map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().concat();
    let list = PASSWORD.bytes().map(|byte| byte.to_string()).collect::<Vec<_>>().join(", ");
    let lines = key.lines().filter(|line| !line.starts_with("-----") && line.len() > 16);
    [PASSWORD.to_owned(), hex, list].into_iter().chain(lines.map(str::to_owned)).collect()
}

fn search(what: &str, bytes: &[u8], marks: &[String]) {
    for mark in marks {
        let found = bytes.windows(mark.len()).any(|window| window == mark.as_bytes());
        assert!(!found, "{what} holds a secret: {}", String::from_utf8_lossy(bytes));
    }
}

/// Every file below a folder but the secrets' own.
fn search_folder(folder: &Path, secrets: &[&str], marks: &[String]) {
    for entry in std::fs::read_dir(folder).expect("the folder is there").flatten() {
        let (path, kind) = (entry.path(), entry.file_type().expect("it has a kind"));
        let name = entry.file_name().to_string_lossy().into_owned();
        if kind.is_dir() {
            search_folder(&path, secrets, marks);
        } else if kind.is_file() && !secrets.contains(&name.as_str()) {
            search(&name, &std::fs::read(&path).expect("it is ours"), marks);
        }
    }
}

fn config(port: u16, more: &str) -> String {
    format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
mqtt = {{ topic = "cannery/mp3", map = "maps/mp3.toml" }}
[[limit]]
on = "current_a"
levels = [{{ setpoint = 80, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
[broker]
address = "127.0.0.1:{port}"
{more}
[tell]
file = "alerts.jsonl"
"#
    )
}

fn only_we_read(path: &Path) {
    std::fs::set_permissions(path, PermissionsExt::from_mode(0o600)).expect("it is ours");
}

/// Both streams of a command, and whether it did what it was told to.
fn said(words: &[&str], config: &Path) -> (Vec<u8>, bool) {
    let mut command = Command::new(kvarden());
    command.env("KVARDEN_LOG", "trace").arg(words[0]).arg(config).args(&words[1..]);
    let output = run_to_end(&mut command);
    ([output.stdout, output.stderr].concat(), output.status.success())
}

/// A command that must do it, and says nothing secret.
fn says_none(words: &[&str], site: &Site, marks: &[String]) {
    let (said, done) = said(words, &site.config());
    search(words[0], &said, marks);
    assert!(done, "{words:?}: {}", String::from_utf8_lossy(&said));
}

#[test]
fn nothing_that_a_running_site_puts_out_holds_a_secret() {
    let authority = Authority::new();
    let own = authority.issue("kvarden", &[], LONG_AGO, FAR_OFF);
    let marks = marks(&own.key);
    assert!(marks.len() > 4, "the key has lines");
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let port = free_port();
    let shown = authority.issue("broker", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    let (certificate, key) = shown.write(folder.path(), "broker", 0o644);
    let ca = folder.path().join("authority.pem");
    std::fs::write(&ca, authority.pem()).expect("a file can be written");
    // It lets in nobody without the password.
    let passwords = folder.path().join("passwords");
    let made = run_to_end(
        Command::new("mosquitto_passwd").args(["-b", "-c"]).arg(&passwords).args(["kvarden", PASSWORD]),
    );
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let settings = format!(
        "listener {port} 127.0.0.1\npersistence false\nallow_anonymous false\npassword_file {}\n\
         certfile {}\nkeyfile {}\ncafile {}\n",
        passwords.display(),
        certificate.display(),
        key.display(),
        ca.display()
    );
    let login = ["--cafile".to_owned(), ca.display().to_string(), "--insecure".to_owned()];
    let login =
        login.into_iter().chain(["-u", "kvarden", "-P", PASSWORD].map(str::to_owned)).collect::<Vec<_>>();
    let broker = Mosquitto::start_with(folder, port, &settings, &login);
    let tls = "username = \"kvarden\"\npassword_file = \"broker.secret\"\n\
        tls = { ca_file = \"authority.pem\", certificate_file = \"own.pem\", key_file = \"own.key\" }";
    let site = Site::new(
        &config(port, tls),
        &[
            ("maps/mp3.toml", MAP),
            ("authority.pem", authority.pem()),
            ("broker.secret", PASSWORD),
            ("logs/columns.toml", COLUMNS),
            ("logs/mp3.csv", LOGGED),
        ],
    );
    only_we_read(&site.path("broker.secret"));
    own.write(&site.path(""), "own", 0o600);
    let ear = Ear::of(&broker, TOPICS, Some(&login));
    let mut daemon = Daemon::start_in(&site, &[("KVARDEN_LOG", "trace"), ("RUST_BACKTRACE", "full")]);
    daemon.wait_until_watching();
    let mut voice = Voice::of(&broker, "cannery/mp3", Some(&login));
    wait_for("the alert", PATIENCE, || {
        voice.say(&json!({ "b": 95.5 }));
        daemon.status().alerts.iter().any(|alert| alert.text.contains("current")).then_some(())
    });
    ear.wait_for("the alert", |heard| heard.topic == format!("{TOPICS}/events"));
    for more in [&[][..], &["--json"]] {
        let page = daemon.run("status", more);
        search("status", &[page.stdout, page.stderr].concat(), &marks);
    }
    let backup = site.path("backup.db").display().to_string();
    says_none(&["backup", "--to", &backup], &site, &marks);
    daemon.stop();
    says_none(&["check"], &site, &marks);
    says_none(&["verify"], &site, &marks);
    for form in ["text", "json", "html"] {
        // Of yesterday.
        says_none(&["digest", "--form", form], &site, &marks);
    }
    let from = "2020-01-01";
    let export = ["export", "--meter", "MP-3", "--from", from, "--to", "2090-01-01", "--every", "reading"];
    says_none(&export, &site, &marks);
    let (logs, days) = (site.path("logs").display().to_string(), site.path("days").display().to_string());
    says_none(&["replay", "--from", &logs, "--digests", &days], &site, &marks);
    says_none(&["replay", "--from", &logs, "--json"], &site, &marks);
    assert!(site.path("days").read_dir().expect("digests were written").count() > 0);
    for heard in
        ear.on_topic(&format!("{TOPICS}/events")).iter().chain(&ear.on_topic(&format!("{TOPICS}/status")))
    {
        search("a message", heard.to_string().as_bytes(), &marks);
    }
    assert!(site.path("backup.db").exists() && site.path("kvarden.log").exists());
    search_folder(&site.path(""), &["broker.secret", "own.key"], &marks);
}

/// Secrets in the wrong place or of the wrong kind: each is told of, and none of them shown.
#[test]
fn no_error_about_a_secret_shows_it() {
    let pem = |kind: &str, body: &str| format!("-----BEGIN {kind}-----\n{body}\n-----END {kind}-----\n");
    let authority = Authority::new();
    let own = authority.issue("kvarden", &[], LONG_AGO, FAR_OFF);
    let other = authority.issue("other", &[], LONG_AGO, FAR_OFF);
    let tls = "tls = { ca_file = \"authority.pem\", certificate_file = \"own.pem\", key_file = \"own.key\" }";
    let login = "username = \"kvarden\"\npassword_file = \"broker.secret\"";
    let mode = 0o600;
    // What stands in the broker's section, the password file, the key file, and the mode of both.
    let marked = PASSWORD.to_owned();
    let cases: Vec<(&str, String, String, String, u32)> = vec![
        ("in the file", format!("password = \"{PASSWORD}\""), marked.clone(), own.key.clone(), mode),
        (
            "as the file's name",
            format!("username = \"kvarden\"\npassword_file = \"{PASSWORD}\""),
            String::new(),
            own.key.clone(),
            mode,
        ),
        ("unclosed", format!("password = \"{PASSWORD}"), marked.clone(), own.key.clone(), mode),
        ("open to all", login.to_owned(), marked.clone(), own.key.clone(), 0o644),
        ("no user", "password_file = \"broker.secret\"".to_owned(), marked.clone(), own.key.clone(), mode),
        (
            "with a broken neighbour",
            format!("{login}\nqos = 7\ncolour = 1"),
            marked.clone(),
            own.key.clone(),
            mode,
        ),
        (
            "with zeros in it",
            login.to_owned(),
            format!("{PASSWORD}\0\u{7}\n{PASSWORD}"),
            own.key.clone(),
            mode,
        ),
        ("no key", tls.to_owned(), marked.clone(), marked.clone(), mode),
        ("a key without sense", tls.to_owned(), marked.clone(), pem("PRIVATE KEY", PASSWORD), mode),
        (
            "a key of bad letters",
            tls.to_owned(),
            marked.clone(),
            pem("PRIVATE KEY", &format!("{PASSWORD}=!=")),
            mode,
        ),
        ("a locked key", tls.to_owned(), marked.clone(), pem("ENCRYPTED PRIVATE KEY", &own.key), mode),
        ("a key open to all", tls.to_owned(), marked.clone(), own.key.clone(), 0o644),
        ("another's key", tls.to_owned(), marked, other.key.clone(), mode),
    ];
    let mut marks = marks(&own.key);
    marks.extend(self::marks(&other.key));
    for (what, broker, password, key, mode) in cases {
        let site =
            Site::new(&config(1883, &broker), &[("maps/mp3.toml", MAP), ("authority.pem", authority.pem())]);
        own.write(&site.path(""), "own", mode);
        for (name, content) in [("broker.secret", password), ("own.key", key)] {
            std::fs::write(site.path(name), content).expect("a file can be written");
            std::fs::set_permissions(site.path(name), PermissionsExt::from_mode(mode)).expect("it is ours");
        }
        // The path of a file is no secret, whatever a person writes there.
        let marks: Vec<String> =
            marks.iter().filter(|mark| what != "as the file's name" || **mark != PASSWORD).cloned().collect();
        search(&format!("check: {what}"), &said(&["check"], &site.config()).0, &marks);
        // One that the check lets pass ends, or runs until it is told to stop.
        let mut command = Command::new("timeout");
        command.args(["-s", "TERM", "3"]).arg(kvarden()).arg("run").arg(site.config());
        command.env("KVARDEN_LOG", "trace").env("RUST_BACKTRACE", "full");
        let output = run_to_end(&mut command);
        search(&format!("run: {what}"), &[output.stdout, output.stderr].concat(), &marks);
    }
}
