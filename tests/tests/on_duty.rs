//! The real program tells people by mail, webhook and command, and is killed again and again while it does.
//!
//! Outside: Python's `http.server`, `ssl` and `hmac` (the webhook), a shell (the command), RFC 5321's answers (the mail server).
//! Several such sites live side by side, so that many kills fit into little time. `KVARDEN_KILLS` sets how often each is killed
//! (60 without it), `KVARDEN_SEED` makes a run again with the same chances.

use kvarden_tests::authority::{Authority, FAR_OFF, Issued, LONG_AGO};
use kvarden_tests::mail_server::{Scripted, TAKES};
use kvarden_tests::posted::{Posted, posted};
use kvarden_tests::program::{Daemon, text};
use kvarden_tests::site::{Load, Site, polled_feeder};
use kvarden_tests::wait::{Chance, wait_for};
use kvarden_tests::web_server::Web;
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

const SITES: u64 = 4;
const KILLS: u64 = 60;
/// So many alerts open and close: a third rise within a minute would be chattering, and with two messages each they stay below what one
/// person gets in an hour.
const ROUNDS: u64 = 2;
/// For each thing that is waited for.
const PATIENCE: Duration = Duration::from_mins(2);
/// The ways by which each alert is told.
const WAYS: [&str; 3] = ["mail", "command", "webhook"];
const SECRET: &str = "a-secret-of-the-webhook";

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name} is a number")))
}

/// Starts the daemon and kills it at a moment of chance, some times.
fn kill_some(site: &Site, kills: u64, chance: &mut Chance) {
    for _ in 0..kills {
        let mut daemon = Daemon::start(site);
        std::thread::sleep(Duration::from_millis(chance.below(1500)));
        daemon.kill();
    }
}

/// Waits until so many letters of one kind are delivered by each way.
fn wait_until(site: &Site, why: &str, count: usize) {
    wait_for(&format!("{count} letters by each way that say {why}"), PATIENCE, || {
        let posted = posted(site);
        let there = |way: &str| {
            let of = |one: &&Posted| one.channel == way && one.why == why && one.fate == "delivered";
            posted.iter().filter(of).count()
        };
        WAYS.iter().all(|way| there(way) >= count).then_some(())
    });
}

/// A site that tells Ines by three ways, with the other sides of these ways.
struct Told {
    site: Site,
    load: Load,
    mail: Scripted,
    web: Web,
    got: tempfile::TempDir,
}

impl Told {
    fn new(authority: &Authority, shown: &Issued) -> Self {
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
"#
        ));
        std::fs::write(site.path("authority.pem"), authority.pem()).expect("a file can be written");
        std::fs::write(site.path("webhook.secret"), SECRET).expect("a file can be written");
        let mode = PermissionsExt::from_mode(0o600);
        std::fs::set_permissions(site.path("webhook.secret"), mode).expect("it is ours");
        Self { site, load, mail, web, got }
    }

    /// Alerts that open and close while the program is killed so often.
    fn live(&self, kills: u64, chance: &mut Chance) {
        let each = kills.div_ceil(2 * ROUNDS);
        for round in 1..=ROUNDS {
            self.load.set_high(true);
            kill_some(&self.site, each, chance);
            let daemon = Daemon::watching(&self.site);
            wait_until(&self.site, "new", round as usize);
            for alert in self.site.store().open_alerts().expect("the store can be read") {
                let answer = daemon.run("acknowledge", &[&alert.alert, "--by", "Ines"]);
                assert!(answer.status.success(), "{}", text(&answer.stderr));
            }
            drop(daemon);
            self.load.set_high(false);
            kill_some(&self.site, each, chance);
            let daemon = Daemon::watching(&self.site);
            wait_until(&self.site, "cleared", round as usize);
            drop(daemon);
        }
        let most = 2 * ROUNDS * (each + 1);
        self.judge(most as usize);
    }

    /// What came, way by way. `most`: so often a way may have got something again, once for each kill.
    fn judge(&self, most: usize) {
        let letters = posted(&self.site);
        let mut by_alert: BTreeMap<(&str, &str), Vec<&str>> = BTreeMap::new();
        for letter in &letters {
            assert_eq!((letter.person.as_str(), letter.fate.as_str()), ("Ines", "delivered"), "{letter:?}");
            assert!(
                letter.took.is_some_and(|took| took >= 0),
                "how long it took stands in the journal: {letter:?}"
            );
            by_alert.entry((&letter.channel, &letter.alert)).or_default().push(&letter.why);
        }
        assert!(by_alert.values().all(|whys| whys[..] == ["new", "cleared"]), "{letters:#?}");
        let of = |way: &str| -> Vec<&Posted> { letters.iter().filter(|one| one.channel == way).collect() };

        let got = std::fs::read_to_string(self.got.path().join("got")).expect("the command wrote it");
        let calls = got.lines().filter(|line| line.starts_with("+1 555 0100: ")).count();
        assert_eq!(calls, got.lines().count(), "somebody else was told:\n{got}");
        let called = of("command").len();
        assert!((called..=called + most).contains(&calls), "{calls} calls for {called} letters");

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

/// Each alert is told once as new and once as over, each under one id, by each way and to the one on duty; what a way got more than
/// once is no more than one for each kill, and bears the same id.
#[test]
fn a_person_is_told_once_of_each_alert_by_each_way_however_often_the_program_is_killed() {
    let (kills, seed) = (number("KVARDEN_KILLS", KILLS), number("KVARDEN_SEED", 20_261_126));
    println!("KVARDEN_KILLS={kills} KVARDEN_SEED={seed}");
    let authority = Authority::new();
    let shown = authority.issue("web", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    std::thread::scope(|scope| {
        for number in 0..SITES {
            let told = Told::new(&authority, &shown);
            scope.spawn(move || told.live(kills, &mut Chance(seed + number)));
        }
    });
}
