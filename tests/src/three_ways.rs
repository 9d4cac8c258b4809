//! One who is told of a feeder's load by three ways: mail, webhook and command, with the other sides of these ways.

use crate::authority::{Authority, Issued};
use crate::mail_server::{Scripted, TAKES};
use crate::posted::{Posted, posted};
use crate::site::{Load, Site, polled_feeder};
use crate::wait::wait_for;
use crate::web_server::Web;
use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

/// For each thing that is waited for.
const PATIENCE: Duration = Duration::from_mins(2);
/// The ways by which each alert is told.
pub const WAYS: [&str; 3] = ["mail", "command", "webhook"];
const SECRET: &str = "a-secret-of-the-webhook";

/// A site that tells Ines by three ways, with the other sides of these ways.
#[derive(Debug)]
pub struct Told {
    /// The site.
    pub site: Site,
    /// What its feeder carries.
    pub load: Load,
    /// Where the mails go.
    pub mail: Scripted,
    /// Where the posts go.
    pub web: Web,
    got: tempfile::TempDir,
}

impl Told {
    /// Such a site; `more` are further sections of its configuration.
    pub fn new(authority: &Authority, shown: &Issued, more: &str) -> Self {
        let got = tempfile::tempdir().expect("the system has a folder for temporary files");
        let file = got.path().join("got");
        let script =
            format!("printf '%s: ' \\\"$1\\\" >> {0}; head -c 60 >> {0}; echo >> {0}", file.display());
        let mail = Scripted::start(vec![TAKES.to_vec()]);
        let web = Web::start(shown, SECRET, &serde_json::json!([{"status": 204}]));
        let (mail_port, web_port) = (mail.port(), web.port());
        let (site, load) = polled_feeder(&format!(
            r#"
[command]
run = ["/bin/sh", "-c", "{script}", "sh"]
[mail]
server = "127.0.0.1:{mail_port}"
security = "none"
from = "kvarden@larkspur.example"
[webhook]
url = "https://127.0.0.1:{web_port}/larkspur"
secret_file = "webhook.secret"
authority_file = "authority.pem"
[[person]]
name = "Ines"
command = "+1 555 0100"
mail = "ines@larkspur.example"
webhook = true
[[person]]
name = "Tomas"
command = "+1 555 0101"
[tell.high]
by = ["mail", "command", "webhook"]
wait_for_cause = "0s"
again = "24h"
{more}
"#
        ));
        std::fs::write(site.path("authority.pem"), authority.pem()).expect("a file can be written");
        std::fs::write(site.path("webhook.secret"), SECRET).expect("a file can be written");
        let mode = PermissionsExt::from_mode(0o600);
        std::fs::set_permissions(site.path("webhook.secret"), mode).expect("it is ours");
        Self { site, load, mail, web, got }
    }

    /// Waits until so many letters of one kind are delivered by each way.
    pub fn wait_until(&self, why: &str, count: usize) {
        wait_for(&format!("{count} letters by each way that say {why}"), PATIENCE, || {
            let posted = posted(&self.site);
            let there = |way: &str| {
                let of = |one: &&Posted| one.channel == way && one.why == why && one.fate == "delivered";
                posted.iter().filter(of).count()
            };
            WAYS.iter().all(|way| there(way) >= count).then_some(())
        });
    }

    /// The lines that the command was given to begin with: to whom, then the first words.
    pub fn calls(&self) -> Vec<String> {
        // Nothing there yet is no call.
        let got = std::fs::read_to_string(self.got.path().join("got")).unwrap_or_default();
        got.lines().map(str::to_owned).collect()
    }

    /// That everything written came, way by way: every id, none that was not written, those of one alert in the order of the outbox.
    /// `most`: so often a way may have got something again.
    pub fn judge_ways(&self, letters: &[Posted], most: usize) {
        for letter in letters {
            assert_eq!((letter.person.as_str(), letter.fate.as_str()), ("Ines", "delivered"), "{letter:?}");
            assert!(
                letter.took.is_some_and(|took| took >= 0),
                "how long it took stands in the journal: {letter:?}"
            );
        }
        let of = |way: &str| -> Vec<&Posted> { letters.iter().filter(|one| one.channel == way).collect() };

        let (calls, called) = (self.calls(), of("command").len());
        assert!(
            calls.iter().all(|call| call.starts_with("+1 555 0100: ")),
            "somebody else was told:\n{calls:#?}"
        );
        assert!((called..=called + most).contains(&calls.len()), "{calls:#?} for {called} letters");

        // The id of a mail: code of the alert, revision, fingerprint of the letter's id.
        let id = |mail: &String| {
            let line = mail.lines().find(|line| line.starts_with("Message-ID:")).expect("every mail has one");
            line.trim_start_matches("Message-ID: <").split('@').next().unwrap_or_default().to_owned()
        };
        let wanted = of("mail").into_iter().map(|letter| {
            let code = kvarden::words::code(&letter.alert);
            let id = format!("{code}.{}.{:016x}", letter.revision, kvarden::words::fingerprint(&letter.id));
            (letter.alert.as_str(), id)
        });
        came_in_order(
            &wanted.collect::<Vec<_>>(),
            &self.mail.mails().iter().map(id).collect::<Vec<_>>(),
            most,
        );

        let asked = self.web.asked();
        assert!(asked.iter().all(|one| one["signed"] == true), "each is signed");
        let key =
            |one: &serde_json::Value| one["heads"]["idempotency-key"].as_str().unwrap_or_default().to_owned();
        let wanted =
            of("webhook").into_iter().map(|letter| (letter.alert.as_str(), format!("\"{}\"", letter.id)));
        came_in_order(&wanted.collect::<Vec<_>>(), &asked.iter().map(key).collect::<Vec<_>>(), most);
    }
}

/// Every id came, none that was not written, those of one alert in the order of the outbox, and what came again is one of them.
/// `wanted`: alert and id.
fn came_in_order(wanted: &[(&str, String)], came: &[String], most: usize) {
    let mut first: Vec<&String> = Vec::new();
    for id in came {
        if !first.contains(&id) {
            first.push(id);
        }
    }
    assert_eq!(first.len(), wanted.len(), "{came:#?}");
    for (alert, _) in wanted {
        let of_alert: Vec<&String> = wanted.iter().filter(|one| one.0 == *alert).map(|one| &one.1).collect();
        let came: Vec<&String> = first.iter().filter(|id| of_alert.contains(id)).copied().collect();
        assert_eq!(came, of_alert, "{alert}");
    }
    assert!(came.len() <= wanted.len() + most, "{} for {}", came.len(), wanted.len());
    println!("{} letters, {} came", wanted.len(), came.len());
}
