//! Letters by webhook and by command to real other sides that take, refuse, delay, hang up and never end.
//!
//! Outside: Python's http.server and ssl (the other side), its hmac and hashlib (the signature, RFC 2104); a shell.

use kvarden::deliver::command::CommandCourier;
use kvarden::deliver::webhook::WebhookCourier;
use kvarden::world::{Courier, Outcome, TcpDial};
use kvarden_tests::authority::{Authority, Day, FAR_OFF, LONG_AGO};
use kvarden_tests::letters::{ALERT, Still, cannery, letter, now, on_one_thread, send, writer};
use kvarden_tests::program::PATIENCE;
use kvarden_tests::site::Site;
use kvarden_tests::wait::wait_for;
use kvarden_tests::web_server::Web;
use serde_json::{Value, json};
use std::rc::Rc;
use std::time::{Duration, Instant};

const SECRET: &str = "a-secret-of-the-webhook";
/// Long enough for any answer of a busy machine, short enough for a test of one that never comes.
const SHORT: Duration = Duration::from_secs(3);

fn keep_secret(site: &Site, name: &str) {
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o600);
    std::fs::set_permissions(site.path(name), mode).expect("it is ours");
}

fn site(port: u16, authority: &Authority) -> Site {
    let more = format!(
        r#"
[webhook]
url = "https://127.0.0.1:{port}/larkspur?box=1"
secret_file = "webhook.secret"
authority_file = "authority.pem"
[[person]]
name = "Ines"
webhook = true
[tell.high]
by = ["webhook"]
"#
    );
    let site = cannery(&more, &[("webhook.secret", SECRET), ("authority.pem", authority.pem())]);
    keep_secret(&site, "webhook.secret");
    site
}

fn courier(site: &Site) -> WebhookCourier {
    let configuration = site.configuration();
    let spec = configuration.webhook.as_ref().expect("the site has a webhook");
    let clock = Rc::new(Still::default());
    WebhookCourier::new(spec, Rc::new(TcpDial), clock).expect("a courier that can be used").within(SHORT)
}

/// What becomes of one letter in as many tries as the script has entries.
fn tried(script: &Value) -> (Vec<Outcome>, Vec<Value>) {
    let authority = Authority::new();
    let shown = authority.issue("web", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    let web = Web::start(&shown, SECRET, script);
    let site = site(web.port(), &authority);
    let mut courier = courier(&site);
    let letter = letter("webhook", ALERT, 3, &site);
    let tries = script.as_array().map_or(0, Vec::len);
    let outcomes = (0..tries).map(|_| send(&mut courier, &letter)).collect();
    (outcomes, web.asked())
}

fn later(outcome: &Outcome, words: &str) {
    assert!(matches!(outcome, Outcome::TryLater(why) if why.contains(words)), "{outcome:?}, not {words}");
}

fn refused(outcome: &Outcome, words: &str) {
    assert!(matches!(outcome, Outcome::Refused(why) if why.contains(words)), "{outcome:?}, not {words}");
}

/// Guard: the signature.
#[test]
fn a_letter_is_posted_once_signed_under_its_id() {
    let (outcomes, asked) = tried(&json!([{"status": 204}]));
    assert_eq!(outcomes, [Outcome::Delivered]);
    assert_eq!(asked.len(), 1);
    let (heads, body) = (&asked[0]["heads"], &asked[0]["body"]);
    assert_eq!(asked[0]["signed"], true);
    assert_eq!(asked[0]["path"], "/larkspur?box=1");
    assert_eq!(heads["content-type"], "application/json");
    assert_eq!(heads["idempotency-key"], format!("\"k7:{ALERT}:3:Ines\""));
    let signed = heads["kvarden-time"].as_str().and_then(|time| time.parse::<i64>().ok()).unwrap_or(0);
    assert!((0..600).contains(&(signed - now().0 / 1000)), "{signed}: the daemon's own time");
    assert_eq!((&body["format"], &body["code"], &body["sequence"]), (&json!(1), &json!("24XC4M"), &json!(3)));
    assert_eq!(body["told"]["person"], "Ines");
    assert_eq!(body["cause"]["variant"], "intermittent");
}

/// Row 33: what a webhook answers; a failure, a reset and a delay are each tried again under the same id, and the letter
/// is delivered once the other side takes it.
#[test]
fn a_letter_that_was_not_taken_comes_again_under_the_same_id() {
    let (outcomes, asked) = tried(&json!([
        {"status": 500, "body": "out of order"},
        {"status": 503},
        {"reset": true},
        {"status": 200, "wait": 5},
        {"status": 200},
    ]));
    later(&outcomes[0], "it answered 500: out of order");
    later(&outcomes[1], "it answered 503");
    later(&outcomes[2], "");
    later(&outcomes[3], "no answer in time");
    assert_eq!(outcomes[4], Outcome::Delivered);
    assert_eq!(asked.len(), 5);
    assert!(asked.iter().all(|one| one["signed"] == true));
    assert!(asked.iter().all(|one| one["heads"]["idempotency-key"] == asked[0]["heads"]["idempotency-key"]));
}

/// Row 33. Guards: no redirects, the bound on a body.
#[test]
fn no_other_address_is_called_and_no_body_is_read_without_end() {
    let (outcomes, asked) = tried(&json!([
        {"status": 301, "heads": {"location": "/elsewhere"}},
        {"status": 307, "heads": {"location": "/elsewhere"}},
        {"status": 500, "flood": true},
        {"status": 200, "flood": true},
        {"status": 400, "body": "what is \u{fc} this?\nline"},
        {"status": 410},
    ]));
    later(&outcomes[0], "it answered 301: it has moved");
    later(&outcomes[1], "it answered 307");
    later(&outcomes[2], "it answered 500: xxxx");
    assert_eq!(outcomes[3], Outcome::Delivered, "it was taken; its body is of no use");
    refused(&outcomes[4], "it answered 400: what is ü this? line");
    refused(&outcomes[5], "it answered 410");
    assert!(asked.iter().all(|one| one["path"] == "/larkspur?box=1"), "{asked:?}");
}

/// Row 33: a wait that the other side asks for is kept.
#[test]
fn a_wait_that_is_asked_for_is_kept() {
    let (outcomes, asked) = tried(&json!([
        {"status": 429, "heads": {"retry-after": "2"}},
        {"status": 200},
    ]));
    later(&outcomes[0], "it answered 429");
    later(&outcomes[1], "asked to wait longer");
    assert_eq!(asked.len(), 1);
    let authority = Authority::new();
    let shown = authority.issue("web", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    let web =
        Web::start(&shown, SECRET, &json!([{"status": 503, "heads": {"retry-after": "1"}}, {"status": 200}]));
    let site = site(web.port(), &authority);
    let mut courier = courier(&site);
    let letter = letter("webhook", ALERT, 3, &site);
    later(&send(&mut courier, &letter), "503");
    wait_for("the wait is over", PATIENCE, || {
        (send(&mut courier, &letter) == Outcome::Delivered).then_some(())
    });
    let asked = web.asked();
    let times: Vec<f64> = asked.iter().filter_map(|one| one["at"].as_f64()).collect();
    assert!(times.len() == 2 && times[1] - times[0] >= 1.0, "{times:?}");
}

/// Row 31.
#[test]
fn a_wrong_certificate_is_refused_in_words_and_nothing_is_told() {
    let own = Authority::new();
    let bad = |name: &str, from: Day, until: Day, trusted: &Authority, words: &str| {
        let web = Web::start(&own.issue("web", &[name], from, until), SECRET, &json!([{"status": 200}]));
        let site = site(web.port(), trusted);
        later(&send(&mut courier(&site), &letter("webhook", ALERT, 3, &site)), words);
        assert_eq!(web.asked().len(), 0);
    };
    bad("127.0.0.1", LONG_AGO, (2021, 6, 30), &own, "certificate: expired on 2021-06-30");
    bad("127.0.0.1", (2089, 3, 1), FAR_OFF, &own, "certificate: not yet valid");
    bad("other.larkspur.example", LONG_AGO, FAR_OFF, &own, "certificate: wrong name");
    bad("127.0.0.1", LONG_AGO, FAR_OFF, &Authority::new(), "certificate: unknown issuer");
}

/// A courier by a shell script that lies in the site's folder.
fn by_script(script: &str, within: &str) -> (Site, CommandCourier) {
    let more = format!(
        r#"
[command]
run = ["/bin/sh", "FOLDER/siren.sh", "--loud"]
within = "{within}"
[[person]]
name = "Ines"
command = "+1 555 0100"
[tell.high]
by = ["command"]
"#
    );
    let site = cannery(&more, &[("siren.sh", script)]);
    let mut spec = site.configuration().command.expect("the site has a command");
    spec.run[1] = site.path("siren.sh").display().to_string();
    let courier = CommandCourier::new(&spec, &site.configuration().people, writer(&site, None));
    (site, courier)
}

#[test]
fn a_command_gets_the_message_and_the_number_and_nothing_of_our_environment() {
    let script = "cd \"$(dirname \"$0\")\"\ncat > heard\nprintf '%s|' \"$@\" > whom\nenv > environment\necho well heard >&2\n";
    let (site, mut courier) = by_script(script, "20s");
    assert_eq!(send(&mut courier, &letter("command", ALERT, 3, &site)), Outcome::Delivered);
    assert_eq!(courier.said().as_deref(), Some("the command ended well: well heard"));
    let read = |name: &str| std::fs::read_to_string(site.path(name)).expect("the script wrote it");
    assert_eq!(read("whom"), "--loud|+1 555 0100|");
    let heard = read("heard");
    let first: String = heard.chars().take(140).collect();
    assert!(
        first.starts_with("HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 %, 31 times"),
        "{first}"
    );
    assert!(first.contains("Likely loose phase B connection"), "{first}");
    assert!(heard.contains("\nNot at once: in this shift.\n") && heard.is_ascii(), "{heard}");
    let environment = read("environment");
    assert!(!environment.contains("CARGO") && !environment.contains("HOME="), "{environment}");
}

/// Guards: the codes that mean never; the bound on what is read of it.
#[test]
fn how_a_command_ends_means_taken_later_or_never() {
    for (script, words) in [
        ("echo no dial tone >&2; exit 1", "the command ended with 1: no dial tone"),
        ("exit 75", "the command ended with 75"),
        ("kill -9 $$", "the command was killed"),
        ("exit 127", "the command ended with 127"),
    ] {
        let (site, mut courier) = by_script(script, "20s");
        later(&send(&mut courier, &letter("command", ALERT, 3, &site)), words);
    }
    let (site, mut courier) = by_script("echo nobody of that number >&2; exit 67", "20s");
    refused(&send(&mut courier, &letter("command", ALERT, 3, &site)), "ended with 67: nobody of that number");
    // It reads nothing and writes without end.
    let (site, mut courier) =
        by_script("exec <&-; yes >&2 2>/dev/null; head -c 10000000 /dev/zero >&2; exit 3", "2s");
    let outcome = send(&mut courier, &letter("command", ALERT, 3, &site));
    assert!(matches!(outcome, Outcome::TryLater(_)), "{outcome:?}");
}

/// Guard: the whole group is killed.
#[test]
fn a_command_that_takes_too_long_is_ended_with_all_that_it_started() {
    let script = "cd \"$(dirname \"$0\")\"\nsleep 300 & echo $! > child\nwait\n";
    let (site, mut courier) = by_script(script, "1s");
    let begun = Instant::now();
    later(&send(&mut courier, &letter("command", ALERT, 3, &site)), "took more than 1 s and was ended");
    assert!(begun.elapsed() >= Duration::from_secs(1));
    let child = std::fs::read_to_string(site.path("child")).expect("the script wrote it");
    let child = format!("/proc/{}/stat", child.trim());
    // Until its parent's parent has looked it stays as a name only (state Z).
    wait_for("what it started is gone", PATIENCE, || match std::fs::read_to_string(&child) {
        Err(_) => Some(()),
        Ok(stat) => stat.rsplit(") ").next().is_some_and(|rest| rest.starts_with('Z')).then_some(()),
    });
}

#[test]
fn a_command_that_ends_while_what_it_left_runs_on_is_not_waited_for() {
    let (site, mut courier) = by_script("sleep 20 &\nexit 0\n", "10s");
    let letter = letter("command", ALERT, 3, &site);
    let outcome = on_one_thread(async { courier.send(&letter).await });
    assert_eq!(outcome, Outcome::Delivered);
}

#[test]
fn a_command_that_is_not_there_is_told() {
    let (site, courier) = by_script("", "5s");
    drop(courier);
    let mut spec = site.configuration().command.expect("the site has a command");
    spec.run = vec!["/nowhere/siren".to_owned()];
    let mut courier = CommandCourier::new(&spec, &site.configuration().people, writer(&site, None));
    later(&send(&mut courier, &letter("command", ALERT, 3, &site)), "the command can't be run");
}
