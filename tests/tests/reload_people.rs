//! People, rota and the ways to them are changed while the real program runs: what was told stays known, what comes next goes the new
//! way, and a file with a mistake changes nothing.
//!
//! Outside: Python's `http.server`, `ssl` and `hmac` (the webhook), a shell (the command), RFC 5321's answers (the mail servers).

use kvarden_tests::authority::{Authority, FAR_OFF, LONG_AGO};
use kvarden_tests::mail_server::{Scripted, TAKES};
use kvarden_tests::program::{Daemon, PATIENCE, text};
use kvarden_tests::site::{Load, Site, polled_feeder};
use kvarden_tests::wait::{free_port, wait_for};
use kvarden_tests::web_server::Web;
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;

const SECRET: &str = "a-secret-of-the-webhook";

/// A site whose ways to people are changed.
struct Changing {
    site: Site,
    load: Load,
    /// What stands in the file of the ways now.
    ways: String,
}

impl Changing {
    fn new(ways: &str) -> Self {
        let (site, load) = polled_feeder(ways);
        Self { site, load, ways: ways.to_owned() }
    }

    fn write(&mut self, ways: &str) {
        let file = self.site.config();
        let before = std::fs::read_to_string(&file).expect("the file was written here");
        assert_eq!(before.matches(self.ways.as_str()).count(), 1, "the ways stand in it once");
        std::fs::write(file, before.replace(self.ways.as_str(), ways)).expect("a file can be written");
        ways.clone_into(&mut self.ways);
    }

    /// The load rises: the alert that opens, once it is stored.
    fn rise(&self, daemon: &Daemon) -> String {
        self.load.set_high(true);
        wait_for("the alert is open", PATIENCE, || Some(daemon.status().alerts.first()?.alert.clone()))
    }

    /// Somebody has seen it, and it ends.
    fn end(&self, daemon: &Daemon, alert: &str) {
        let seen = daemon.run("acknowledge", &[alert, "--by", "Ines"]);
        assert!(seen.status.success(), "{}", text(&seen.stderr));
        self.load.set_high(false);
        wait_for("the alert is over", PATIENCE, || daemon.status().alerts.is_empty().then_some(()));
    }
}

/// To whom each mail went, and the id of its alert: the first part of its own id.
fn mails(server: &Scripted) -> Vec<(String, String)> {
    let after = |mail: &String, head: &str| {
        let line = mail.lines().find_map(|line| line.strip_prefix(head)).unwrap_or_default();
        line.trim().to_owned()
    };
    let of = |mail: &String| {
        let id = after(mail, "Message-ID: <");
        let code = id.split('.').next().unwrap_or_default().to_owned();
        (after(mail, "To:").split('<').nth(1).unwrap_or_default().trim_end_matches('>').to_owned(), code)
    };
    server.mails().iter().map(of).collect()
}

#[test]
fn people_rota_links_mail_and_webhook_are_changed_without_a_restart() {
    let authority = Authority::new();
    let shown = authority.issue("web", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    let web = Web::start(&shown, SECRET, &serde_json::json!([{"status": 204}]));
    let [first, second] = [(); 2].map(|()| Scripted::start(vec![TAKES.to_vec()]));
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let got = folder.path().join("got");
    let by_command = format!(
        r#"
[command]
run = ["/bin/sh", "-c", "head -c 40 >> {0}; echo >> {0}", "sh"]
[[person]]
name = "Ines"
command = "1"
[tell.high]
wait_for_cause = "0s"
again = "24h"
"#,
        got.display()
    );
    let links = free_port();
    let by_mail = |port: u16, more: &str| {
        format!(
            r#"
[mail]
server = "127.0.0.1:{port}"
security = "none"
from = "kvarden@larkspur.example"
[webhook]
url = "https://127.0.0.1:{}/larkspur"
secret_file = "webhook.secret"
authority_file = "authority.pem"
{more}
[[person]]
name = "Ines"
mail = "ines@larkspur.example"
[[person]]
name = "Tomas"
language = "de"
mail = "tomas@larkspur.example"
webhook = true
[rota]
hand_over = "monday 07:00"
from = "2026-11-02"
weeks = ["Tomas"]
[tell.high]
by = ["mail", "webhook"]
wait_for_cause = "0s"
again = "24h"
"#,
            web.port()
        )
    };
    let with_links = format!("[links]\nlisten = \"127.0.0.1:{links}\"\nurl = \"http://127.0.0.1:{links}\"\n");
    let mut changing = Changing::new(&by_command);
    std::fs::write(changing.site.path("authority.pem"), authority.pem()).expect("a file can be written");
    std::fs::write(changing.site.path("webhook.secret"), SECRET).expect("a file can be written");
    let mode = PermissionsExt::from_mode(0o600);
    std::fs::set_permissions(changing.site.path("webhook.secret"), mode).expect("it is ours");

    let daemon = Daemon::watching(&changing.site);
    let called = || std::fs::read_to_string(&got).unwrap_or_default().lines().count();
    let reload = || daemon.run("reload", &[]);
    let alert = changing.rise(&daemon);
    wait_for("the command is called", PATIENCE, || (called() == 1).then_some(()));

    // Ines was told by the command. From now on mail leads to her, and Tomas is on duty.
    changing.write(&by_mail(first.port(), &with_links));
    let said = reload();
    assert!(said.status.success(), "{}", text(&said.stderr));
    assert!(TcpStream::connect(("127.0.0.1", links)).is_ok(), "links are answered from now on");
    changing.end(&daemon, &alert);
    let of_alert =
        |name: &str, alert: &str| (format!("{name}@larkspur.example"), kvarden::words::code(alert));
    wait_for("Ines hears by mail that it is over", PATIENCE, || {
        mails(&first).contains(&of_alert("ines", &alert)).then_some(())
    });
    assert_eq!(called(), 1, "the command is called no more");

    let next = changing.rise(&daemon);
    wait_for("Tomas is told by mail", PATIENCE, || {
        mails(&first).contains(&of_alert("tomas", &next)).then_some(())
    });
    let asked = wait_for("Tomas is told by webhook", PATIENCE, || {
        web.asked().into_iter().find(|one| one["body"]["alert"] == next.as_str())
    });
    assert_eq!(asked["signed"], true);
    assert_eq!(asked["body"]["told"]["person"], "Tomas");
    assert_eq!(asked["body"]["told"]["language"], "de");
    let line = asked["body"]["text"].as_str().unwrap_or_default();
    assert!(line.starts_with("HOCH Larkspur Cannery T2, MP-3: Strom Phase A"), "{line}");
    assert!(!mails(&first).contains(&of_alert("ines", &next)), "Ines is not on duty");

    // A mistake changes nothing, and all that is wrong is said.
    let right = changing.ways.clone();
    changing.write(&right.replace("weeks = [\"Tomas\"]", "weeks = [\"Nobody\"]").replace("\"de\"", "\"xx\""));
    let refused = reload();
    assert!(!refused.status.success());
    let why = text(&refused.stderr);
    assert!(why.contains("Nobody") && why.contains("\"xx\"") && why.contains("2 to mend"), "{why}");
    changing.end(&daemon, &next);
    wait_for("Tomas hears that it is over", PATIENCE, || {
        let to_tomas = mails(&first).iter().filter(|one| **one == of_alert("tomas", &next)).count();
        (to_tomas == 2).then_some(())
    });
    assert!(TcpStream::connect(("127.0.0.1", links)).is_ok(), "links are answered as before");

    // Another mail server, and no links.
    changing.write(&by_mail(second.port(), ""));
    let said = reload();
    assert!(said.status.success(), "{}", text(&said.stderr));
    let last = changing.rise(&daemon);
    wait_for("the other server gets the mail", PATIENCE, || {
        mails(&second).contains(&of_alert("tomas", &last)).then_some(())
    });
    assert!(!mails(&first).contains(&of_alert("tomas", &last)), "the former server gets nothing");
    wait_for("links are answered no more", PATIENCE, || {
        TcpStream::connect(("127.0.0.1", links)).is_err().then_some(())
    });
    daemon.stop();
}
