//! Acknowledging by a link, asked as phones, mail programs and strangers would ask: over plain sockets.
//!
//! Outside: HTTP by hand after RFC 9110 and 9112; heads after the security lists of the project (rows 61, 62, S6, S7).

use kvarden::links::{FILE, MOST_CONNECTIONS, Signer, key_in};
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::authority::{Authority, FAR_OFF, LONG_AGO};
use kvarden_tests::mail_server::{Aiosmtpd, has_aiosmtpd, read_mail};
use kvarden_tests::program::{Daemon, PATIENCE, text};
use kvarden_tests::site::{Load, Site, polled_feeder};
use kvarden_tests::wait::{free_port, wait_for};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;
use std::time::{Duration, SystemTime};

/// A site with links for Ines and Tomas, and the port of its links.
fn site() -> (Site, Load, u16) {
    let port = free_port();
    let more = format!(
        r#"
[links]
listen = "127.0.0.1:{port}"
url = "http://127.0.0.1:{port}"
lasts = "24h"
[command]
run = ["/bin/true"]
[[person]]
name = "Ines"
command = "1"
[[person]]
name = "Tomas"
command = "2"
[tell.high]
by = ["command"]
"#
    );
    let (site, load) = polled_feeder(&more);
    (site, load, port)
}

struct Answer {
    status: u16,
    heads: String,
    body: String,
}

/// One request; `heads` are whole lines.
fn ask(port: u16, method: &str, path: &str, heads: &[&str], body: &str) -> Answer {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the server listens");
    stream.set_read_timeout(Some(PATIENCE)).expect("a time that is not zero");
    let host = format!("Host: 127.0.0.1:{port}");
    let host = if heads.iter().any(|head| head.starts_with("Host:")) {
        String::new()
    } else {
        format!("{host}\r\n")
    };
    let heads: String = heads.iter().flat_map(|head| [*head, "\r\n"]).collect();
    let length = body.len();
    let request = format!("{method} {path} HTTP/1.1\r\n{host}{heads}Content-Length: {length}\r\n\r\n{body}");
    // A server that refuses a body may hang up before it has come.
    let _ = stream.write_all(request.as_bytes());
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let answer = text(&bytes);
    let (heads, body) = answer.split_once("\r\n\r\n").unwrap_or((&answer, ""));
    let status = heads.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
    Answer { status, heads: heads.to_lowercase(), body: body.to_owned() }
}

fn wall() -> EventTime {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).expect("a clock after 1970");
    EventTime(since.as_millis() as i64)
}

/// The path of a link that the daemon of this site would write.
fn path(site: &Site, alert: &str, person: &str, written: EventTime) -> String {
    let key = key_in(&site.path("data")).expect("the daemon has made its key");
    let book = site.store().book().to_owned();
    let link = Signer::new(&key, "http://x", Span::hours(24), &book).link(alert, person, written);
    link.trim_start_matches("http://x").to_owned()
}

/// The alert that rises when the load does.
fn risen(daemon: &Daemon, load: &Load) -> String {
    load.set_high(true);
    wait_for("the alert is open", PATIENCE, || {
        let alerts = daemon.status().alerts;
        alerts.into_iter().find(|alert| alert.alert.contains("current_a")).map(|alert| alert.alert)
    })
}

fn state(daemon: &Daemon, alert: &str) -> Option<String> {
    daemon.status().alerts.into_iter().find(|open| open.alert == alert).map(|open| open.state)
}

/// Guards: only the button changes anything (mail programs open links by themselves); the signature; the person.
#[test]
fn the_button_acknowledges_in_the_name_of_the_person_of_the_link_and_opening_it_does_not() {
    let (site, load, port) = site();
    let daemon = Daemon::watching(&site);
    let alert = risen(&daemon, &load);
    let (ines, tomas) = (path(&site, &alert, "Ines", wall()), path(&site, &alert, "Tomas", wall()));
    for method in ["GET", "HEAD", "GET"] {
        let looked = ask(port, method, &ines, &[], "");
        assert_eq!(looked.status, 200, "{}", looked.heads);
        let button = looked.body.contains("<form method=\"post\">") && looked.body.contains("I have seen it");
        assert_eq!(button, method == "GET", "{}", looked.body);
        for head in [
            "content-security-policy: default-src 'none'; style-src 'sha256-",
            "form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
            "x-content-type-options: nosniff",
            "x-frame-options: deny",
            "cache-control: no-store",
            "referrer-policy: same-origin",
        ] {
            assert!(looked.heads.contains(head), "{head} is missing: {}", looked.heads);
        }
        assert!(!looked.body.contains("<script") && !looked.body.contains("src="), "{}", looked.body);
    }
    assert_eq!(state(&daemon, &alert).as_deref(), Some("unacknowledged"));
    let pressed = ask(port, "POST", &ines, &[&format!("Origin: http://127.0.0.1:{port}")], "");
    assert_eq!(pressed.status, 200);
    assert!(pressed.body.contains("Thank you, Ines. You have it since"), "{}", pressed.body);
    assert_eq!(state(&daemon, &alert).as_deref(), Some("acknowledged"));
    // Two at once, and the same again.
    let second = ask(port, "POST", &tomas, &[], "");
    assert!(second.body.contains("Ines has it since") && !second.body.contains("<form"), "{}", second.body);
    assert!(ask(port, "GET", &tomas, &[], "").body.contains("Ines has it since"));
    assert!(ask(port, "POST", &ines, &[], "").body.contains("You have it already, Ines, since"));
    assert!(text(&daemon.run("explain", &["current_a"]).stdout).contains("acknowledged by Ines"));
    assert!(daemon.log().contains("acknowledged by link"), "{}", daemon.log());
    // The same link after it is over, and after another start.
    load.set_high(false);
    wait_for("the alert is closed", PATIENCE, || state(&daemon, &alert).is_none().then_some(()));
    let over = wait_for("the end is stored", PATIENCE, || {
        let over = ask(port, "GET", &ines, &[], "");
        over.body.contains("It is over: closed at").then_some(over)
    });
    assert!(!over.body.contains("<form"), "{}", over.body);
    daemon.stop();
    let daemon = Daemon::watching(&site);
    assert!(ask(port, "POST", &tomas, &[], "").body.contains("It is over: closed at"));
    let mode = std::fs::metadata(site.path("data").join(FILE)).expect("the key").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    daemon.stop();
}

/// Row 62, S6. Guards: the list of hosts, the origin, the methods, the bound on a body, the end of a link.
#[test]
fn strangers_old_links_and_forged_requests_are_turned_away() {
    let (site, load, port) = site();
    let daemon = Daemon::watching(&site);
    let alert = risen(&daemon, &load);
    let good = path(&site, &alert, "Ines", wall());
    let ask = |method: &str, path: &str, heads: &[&str], body: &str| ask(port, method, path, heads, body);
    assert_eq!(ask("POST", &good, &["Host: evil.example"], "").status, 421);
    assert_eq!(ask("GET", &good, &["Host: evil.example"], "").status, 421);
    assert_eq!(ask("POST", &good, &["Origin: http://evil.example"], "").status, 403);
    assert_eq!(ask("POST", &good, &["Origin: null"], "").status, 403);
    assert_eq!(ask("PUT", &good, &[], "").status, 405);
    assert_eq!(ask("DELETE", &good, &[], "").status, 405);
    assert_eq!(ask("POST", &good, &[], &"x".repeat(4000)).status, 413);
    assert_eq!(ask("GET", "/", &[], "").status, 404);
    assert_eq!(ask("POST", "/seen/", &[], "").status, 404);
    assert_eq!(ask("POST", &format!("{good}A"), &[], "").status, 404);
    assert_eq!(ask("POST", &good.replace("/seen/", "/seen/A"), &[], "").status, 404);
    assert_eq!(
        ask("POST", &path(&site, "T2/nothing#1", "Ines", wall()), &[], "").status,
        404,
        "an alert that never was"
    );
    let old = path(&site, &alert, "Ines", wall() - Span::hours(25));
    let answer = ask("POST", &old, &[], "");
    assert_eq!(answer.status, 410);
    assert!(answer.body.contains("This link is older than it may be"), "{}", answer.body);
    assert!(ask("GET", &"/x".repeat(20_000), &[], "").status >= 400);
    assert_eq!(state(&daemon, &alert).as_deref(), Some("unacknowledged"), "nothing of this changed it");
    // A path of a proxy before ours.
    assert!(ask("POST", &format!("/kvarden{good}"), &[], "").body.contains("Thank you, Ines"));
    daemon.stop();
}

/// Row 61. Guards: the bound on connections, the time for heads.
#[test]
fn idle_connections_end_and_alerts_do_not_wait_for_them() {
    let (site, load, port) = site();
    let daemon = Daemon::watching(&site);
    let idle: Vec<TcpStream> = (0..2 * MOST_CONNECTIONS)
        .map(|_| {
            let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the system takes it");
            stream.write_all(b"GET /seen/x HTTP/1.1\r\nHost: ").expect("a few bytes go");
            stream
        })
        .collect();
    let alert = risen(&daemon, &load);
    let good = path(&site, &alert, "Ines", wall());
    let begun = std::time::Instant::now();
    let answer = ask(port, "GET", &good, &[], "");
    assert_eq!(answer.status, 200, "after {:?}", begun.elapsed());
    // The first ones were ended by the server.
    let mut first = &idle[0];
    first.set_read_timeout(Some(Duration::from_secs(30))).expect("a time that is not zero");
    let mut rest = Vec::new();
    assert!(first.read_to_end(&mut rest).is_ok(), "it was ended, not kept");
    daemon.stop();
}

/// From the meter to the person and back: a limit is passed, Ines gets a mail, presses the link in it, and nobody is reminded
/// any more. Real meter, real mail server, real daemon.
#[test]
fn an_alert_comes_by_mail_and_the_link_in_it_says_that_it_is_seen() {
    told_by_mail(&ByMail {
        language: "en",
        subject: "HIGH Larkspur Cannery T2, MP-3: current phase A",
        text: ["Not at once: in this shift.", "Next reminder ", "Qualified persons only."],
        page: ["This link is for Ines.", "I have seen it", "Thank you, Ines."],
    });
}

/// The same for somebody who reads German: subject, letter, page, and what the button answers.
#[test]
fn who_reads_german_is_told_in_german_from_the_mail_to_the_button() {
    told_by_mail(&ByMail {
        language: "de",
        subject: "HOCH Larkspur Cannery T2, MP-3: Strom Phase A",
        text: ["Nicht sofort: in dieser Schicht.", "Nächste Erinnerung ", "Spannungsfreiheit feststellen"],
        page: ["Dieser Link ist für Ines.", "Ich habe es gesehen", "Danke, Ines."],
    });
}

/// What is expected in a language.
struct ByMail {
    language: &'static str,
    subject: &'static str,
    text: [&'static str; 3],
    /// Two on the page before the button is pressed, one after.
    page: [&'static str; 3],
}

fn told_by_mail(expected: &ByMail) {
    if !has_aiosmtpd("an alert by mail with its link") {
        return;
    }
    let language = expected.language;
    let authority = Authority::new();
    let shown = authority.issue("mail", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    let server = Aiosmtpd::start("starttls", &shown, ("kvarden", "secret"));
    let (mail, port) = (server.port(), free_port());
    let more = format!(
        r#"
[mail]
server = "127.0.0.1:{mail}"
from = "kvarden@larkspur.example"
user = "kvarden"
password_file = "mail.secret"
authority_file = "authority.pem"
[links]
listen = "127.0.0.1:{port}"
url = "http://127.0.0.1:{port}"
[[person]]
name = "Ines"
language = "{language}"
mail = "ines@larkspur.example"
[tell.high]
by = ["mail"]
wait_for_cause = "0s"
again = "1h"
"#
    );
    let (site, load) = polled_feeder(&more);
    std::fs::write(site.path("authority.pem"), authority.pem()).expect("a file can be written");
    std::fs::write(site.path("mail.secret"), "secret").expect("a file can be written");
    std::fs::set_permissions(site.path("mail.secret"), PermissionsExt::from_mode(0o600)).expect("it is ours");
    let daemon = Daemon::watching(&site);
    let alert = risen(&daemon, &load);
    let mail = wait_for("the mail comes", PATIENCE, || server.mails().into_iter().next());
    let read = read_mail(&mail, None);
    let subject = read["heads"]["subject"].as_str().unwrap_or_default();
    assert!(subject.starts_with(expected.subject), "{subject}");
    let said = read["text"].as_str().unwrap_or_default();
    for words in expected.text {
        assert!(said.contains(words), "{said}");
    }
    let link = format!("http://127.0.0.1:{port}");
    let link =
        said.split(&link).nth(1).and_then(|rest| rest.split_whitespace().next()).expect("it has a link");
    let looked = ask(port, "GET", link, &[], "").body;
    let [for_whom, button, thanks] = expected.page;
    assert!(looked.contains(for_whom) && looked.contains(button), "{looked}");
    assert!(looked.contains(&format!("lang=\"{language}\"")), "{looked}");
    let pressed = ask(port, "POST", link, &[], "").body;
    assert!(pressed.contains(thanks), "{pressed}");
    assert_eq!(state(&daemon, &alert).as_deref(), Some("acknowledged"));
    daemon.stop();
}
