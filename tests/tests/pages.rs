//! Every page that people get, opened in a real browser as on a phone and on a desk: it fits, it is whole, it fetches nothing.
//!
//! Outside: Chromium by W3C `WebDriver`. With `KVARDEN_PAGES=FOLDER` a picture of each page is kept there.

use kvarden::deliver::mail::MailCourier;
use kvarden::links::{Signer, key_in};
use kvarden::world::Outcome;
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::authority::{Authority, FAR_OFF, LONG_AGO};
use kvarden_tests::browser::{Browser, Screen, Served, has_browser};
use kvarden_tests::letters::{ALERT, BOOK, by_mail, letter_in, send, writer};
use kvarden_tests::mail_server::{Aiosmtpd, has_aiosmtpd, read_mail};
use kvarden_tests::program::{Daemon, PATIENCE, build, kvarden, text};
use kvarden_tests::site::polled_feeder;
use kvarden_tests::wait::{free_port, run_to_end, wait_for};
use serde_json::Value;
use std::path::Path;
use std::process::Command;
use std::time::SystemTime;

/// What of a page can be measured: its width, its pictures, what it fetched, its smallest words.
const LOOK: &str = r"
const pictures = [...document.querySelectorAll('svg:not([aria-hidden]), img')].map(one => {
  const box = one.getBoundingClientRect();
  const said = one.getAttribute('aria-label') || one.getAttribute('alt') || one.querySelector('title')?.textContent || '';
  return { wide: box.width, high: box.height, said: said.trim(), whole: one.tagName !== 'IMG' || one.naturalWidth > 0 };
});
const words = [...document.querySelectorAll('body *:not(svg *)')]
  .filter(one => [...one.childNodes].some(node => node.nodeType === 3 && node.textContent.trim()) && one.checkVisibility())
  .map(one => parseFloat(getComputedStyle(one).fontSize));
return {
  width: innerWidth,
  needed: document.documentElement.scrollWidth,
  pictures,
  fetched: performance.getEntriesByType('resource').map(one => one.name).filter(one => !one.endsWith('/favicon.ico')),
  smallest: Math.min(...words),
};";

/// Looks at the open page: nothing of it is cut off, every picture is there and said in words, words that can be read.
fn sound(browser: &Browser, page: &str) -> Value {
    let look = browser.run(LOOK);
    let [width, needed] = ["width", "needed"].map(|key| look[key].as_f64().unwrap_or(f64::NAN));
    assert!(needed <= width, "{page} is {needed} points wide on a screen of {width}");
    assert!(look["smallest"].as_f64().is_some_and(|size| size >= 12.0), "{page}: {}", look["smallest"]);
    for picture in look["pictures"].as_array().into_iter().flatten() {
        let drawn = ["wide", "high"].iter().all(|key| picture[*key].as_f64().is_some_and(|size| size > 20.0));
        let said = picture["said"].as_str().is_some_and(|said| !said.is_empty());
        assert!(drawn && said && picture["whole"] == true, "{page}: {picture}");
    }
    look
}

/// The digests of a day and a half with a lug that comes and goes, as `replay` writes them.
fn digests(folder: &Path) -> Vec<String> {
    let (trial, out) = (folder.join("trial"), folder.join("digests"));
    let mut simulate = Command::new(build("kvarden-demo"));
    simulate.args(["scenario", "loose-connection-intermittent", "--seed", "3", "--to"]).arg(&trial);
    let simulated = run_to_end(&mut simulate);
    assert!(simulated.status.success(), "{}", text(&simulated.stderr));
    let mut replay = Command::new(kvarden());
    replay
        .arg("replay")
        .arg(trial.join("kvarden.toml"))
        .arg("--from")
        .arg(trial.join("logs"))
        .arg("--digests")
        .arg(&out);
    let replayed = run_to_end(&mut replay);
    assert!(replayed.status.success(), "{}", text(&replayed.stderr));
    let files = std::fs::read_dir(&out).expect("digests were written").flatten();
    files
        .filter_map(|file| file.file_name().into_string().ok())
        .filter(|name| Path::new(name).extension().is_some_and(|ending| ending == "html"))
        .collect()
}

#[test]
fn a_digest_is_read_on_a_phone_and_on_a_desk_and_needs_nothing_beside_it() {
    if !has_browser("the page of a digest") {
        return;
    }
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let pages = digests(folder.path());
    assert!(!pages.is_empty());
    let served = Served::start(&folder.path().join("digests"));
    for screen in [Screen::Phone, Screen::Desk] {
        let browser = Browser::start(screen);
        for page in &pages {
            let source =
                std::fs::read_to_string(folder.path().join("digests").join(page)).expect("it was written");
            assert!(!source.contains("<script"), "{page} has a script");
            browser.open(&served.address(page));
            browser.keep_picture(&format!("digest {screen:?} {page}"));
            let look = sound(&browser, &format!("{page} on a {screen:?}"));
            assert_eq!(look["fetched"].as_array().map(Vec::len), Some(0), "{look}");
            assert!(look["pictures"].as_array().is_some_and(|charts| charts.len() >= 2), "{look}");
            assert!(browser.text().contains("Larkspur Cannery"), "{}", browser.text());
        }
    }
}

#[test]
fn a_mail_is_read_on_a_phone_and_on_a_desk_in_each_language() {
    if !has_browser("the page of a mail") || !has_aiosmtpd("the page of a mail") {
        return;
    }
    let authority = Authority::new();
    let login = ("kvarden", "pages");
    let server = Aiosmtpd::start("tls", &authority.issue("mail", &["127.0.0.1"], LONG_AGO, FAR_OFF), login);
    let site = by_mail((server.port(), "tls"), &authority, login);
    let configuration = site.configuration();
    let spec = configuration.mail.as_ref().expect("the site has mail");
    let signer = Signer::new(&[7; 32], "https://kvarden.larkspur.example", Span::hours(24), BOOK);
    let mut courier = MailCourier::new(spec, &configuration.people, writer(&site, Some(signer)))
        .expect("a courier that can be used");
    let expected = [
        ("en", ["HIGH", "T2", "MP-3", "Likely loose phase B connection", "Qualified persons"]),
        ("de", ["HOCH", "T2", "MP-3", "lose Verbindung Phase B", "Spannungsfreiheit feststellen"]),
    ];
    for (number, (language, words)) in expected.into_iter().enumerate() {
        let letter = letter_in(language, "mail", ALERT, 3, &site);
        assert_eq!(send(&mut courier, &letter), Outcome::Delivered);
        let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
        read_mail(&server.mails()[number], Some(folder.path()));
        let served = Served::start(folder.path());
        for screen in [Screen::Phone, Screen::Desk] {
            let browser = Browser::start(screen);
            browser.open(&served.address("page.html"));
            browser.keep_picture(&format!("mail {language} {screen:?}"));
            let look = sound(&browser, &format!("the mail in {language} on a {screen:?}"));
            assert_eq!(look["pictures"].as_array().map(Vec::len), Some(1), "more than one picture: {look}");
            let fetched = look["fetched"].as_array().cloned().unwrap_or_default();
            let own = |name: &Value| name.as_str().is_some_and(|name| name.ends_with("/picture.png"));
            assert!(fetched.iter().all(own) && fetched.len() == 1, "{look}");
            let said = browser.text();
            for words in words {
                assert!(said.contains(words), "{words}: {said}");
            }
        }
    }
}

fn wall() -> EventTime {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).expect("a clock after 1970");
    EventTime(since.as_millis() as i64)
}

/// What stands on the page counts, not what a program would send: the button must be there, be seen and do it.
#[test]
fn the_button_behind_a_link_is_pressed_on_a_phone() {
    if !has_browser("the page behind a link") {
        return;
    }
    press_in("en", "Thank you, Ines");
    press_in("de", "Danke, Ines");
}

fn press_in(language: &str, thanks: &str) {
    let port = free_port();
    let (site, load) = polled_feeder(&format!(
        r#"
[links]
listen = "127.0.0.1:{port}"
url = "http://127.0.0.1:{port}"
[command]
run = ["/bin/true"]
[[person]]
name = "Ines"
language = "{language}"
command = "1"
[tell.high]
by = ["command"]
"#
    ));
    let daemon = Daemon::watching(&site);
    load.set_high(true);
    let open = || daemon.status().alerts.into_iter().find(|open| open.alert.contains("current_a"));
    let alert = wait_for("the alert is open", PATIENCE, open).alert;
    let key = key_in(&site.path("data")).expect("the daemon has made its key");
    let book = site.store().book().to_owned();
    let address = format!("http://127.0.0.1:{port}");
    let link = Signer::new(&key, &address, Span::hours(24), &book).link(&alert, "Ines", wall());
    let browser = Browser::start(Screen::Phone);
    browser.open(&link);
    browser.keep_picture(&format!("link {language} before"));
    sound(&browser, "the page of the link");
    // A finger needs some 44 points (Web Content Accessibility Guidelines 2.1, 2.5.5).
    let size = browser.run("const box = document.querySelector('form button').getBoundingClientRect(); return Math.min(box.width, box.height)");
    assert!(size.as_f64().is_some_and(|size| size >= 44.0), "the button is {size} points");
    assert_eq!(open().map(|open| open.state).as_deref(), Some("unacknowledged"));
    browser.press("form button");
    wait_for("the next page", PATIENCE, || browser.text().contains(thanks).then_some(()));
    browser.keep_picture(&format!("link {language} after"));
    sound(&browser, "the page after the button");
    assert_eq!(open().map(|open| open.state).as_deref(), Some("acknowledged"));
    browser.open(&format!("{link}x"));
    browser.keep_picture(&format!("link {language} refused"));
    sound(&browser, "the page of a link that was changed");
    assert!(browser.run("return document.querySelector('form')").is_null(), "{}", browser.text());
}
