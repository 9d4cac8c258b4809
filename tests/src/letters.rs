//! Letters to people as the daemon writes them, and what couriers need to carry them: the loose lug of Larkspur Cannery
//! with the six hours before it.

use crate::authority::Authority;
use crate::site::{Site, point};
use kvarden::deliver::writer::Writer;
use kvarden::links::Signer;
use kvarden::store::{Batch, Keeper, Letter, MinuteRow, NewLetter, Options, Store};
use kvarden::words::message::Told;
use kvarden::words::speech::Speech;
use kvarden::words::{Message, Whereabouts, message};
use kvarden::world::{Courier, Outcome, Sink};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::diagnosis::{
    Cause, Evidence, Family, Figure, Finding, Lack, Pattern, RuledOut, Share, Sign,
};
use kvarden_core::input::{MeterTrouble, Part};
use kvarden_core::measurand::{Kind, Measurand, Quantity};
use kvarden_core::output::{AlertRevision, Matter, NamedCause, Revised, Rule, Subject};
use kvarden_core::phases::Place;
use kvarden_core::plan::Plan;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::reading::{MeterId, Sample};
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Pane;
use std::cell::RefCell;
use std::future::Future;
use std::os::unix::fs::PermissionsExt;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Instant;
use tokio::sync::watch;
use tokio::task::LocalSet;

/// The alert of these letters.
pub const ALERT: &str = "T2/MP-3/voltage_unbalance_percent#1";
/// The book of these letters.
pub const BOOK: &str = "k7";

/// The plant of these letters; `more` are the sections of the ways to people.
pub fn cannery(more: &str, files: &[(&str, &str)]) -> Site {
    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
modbus = {{ address = "127.0.0.1:1", unit = 1, map = "maps/mp3.toml" }}
{more}
"#
    );
    let lines = [("voltage_ll_v.AB", 0), ("voltage_ll_v.BC", 2), ("voltage_ll_v.CA", 4)];
    let map: String =
        lines.map(|(what, at)| point(what, &format!("address = {at}\nkind = \"f32\""))).concat();
    let files: Vec<(&str, &str)> =
        [("maps/mp3.toml", map.as_str())].into_iter().chain(files.iter().copied()).collect();
    Site::new(&config, &files)
}

/// A site that tells Ines by mail: port and security of the server, whom to trust, name and password of the login.
pub fn by_mail((port, security): (u16, &str), authority: &Authority, login: (&str, &str)) -> Site {
    let more = format!(
        r#"
[mail]
server = "127.0.0.1:{port}"
security = "{security}"
from = "kvarden@larkspur.example"
user = "{}"
password_file = "mail.secret"
authority_file = "authority.pem"
[[person]]
name = "Ines"
mail = "ines@larkspur.example"
[tell.high]
by = ["mail"]
"#,
        login.0
    );
    let site = cannery(&more, &[("mail.secret", login.1), ("authority.pem", authority.pem())]);
    let mode = PermissionsExt::from_mode(0o600);
    std::fs::set_permissions(site.path("mail.secret"), mode).expect("it is ours");
    site
}

/// 13:20 of that day at the cannery.
pub fn now() -> EventTime {
    let now: jiff::Timestamp = "2026-11-24T20:20:00Z".parse().expect("a moment that this line writes");
    EventTime(now.as_millisecond())
}

/// What letters are about: the third word on the loose connection, which names its cause.
pub fn revision() -> AlertRevision {
    let since = now() - Span::minutes(10);
    let at_mp3 =
        |figure, value, against| Evidence { figure, feeder: Some("MP-3".to_owned()), value, against };
    let facts = Finding {
        cause: Cause::ConnectionIntermittent,
        transformer: "T2".to_owned(),
        feeder: Some("MP-3".to_owned()),
        place: Some(Place::B),
        since,
        priority: Priority::High,
        confidence: 0.87,
        evidence: vec![at_mp3(
            Figure::Quantity(Quantity::at(Measurand::ContactHeat, Place::B)),
            38.0,
            Some(6.0),
        )],
        ruled_out: vec![RuledOut {
            family: Family::Overload,
            by: at_mp3(Figure::Sign(Sign::ShareOfRating, Place::Whole), 62.0, Some(100.0)),
        }],
        pattern: Some(Pattern {
            times: 31,
            since,
            starts: (0..31).map(|count| since + Span::seconds(20 * count)).collect(),
            shortest: Span::seconds(2),
            longest: Span::seconds(9),
            every: None,
            days: None,
        }),
        shares: vec![
            Share { feeder: Some("MP-3".to_owned()), percent: 82.0 },
            Share { feeder: None, percent: 18.0 },
        ],
        lacks: vec![Lack::Terminations],
        meter_first: None,
    };
    AlertRevision {
        alert: ALERT.to_owned(),
        revision: 3,
        at: now(),
        why: Revised::Explained,
        open: true,
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        subject: Subject {
            transformer: Some("T2".to_owned()),
            feeder: Some("MP-3".to_owned()),
            meter: Some("MP-3".to_owned()),
            matter: Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance)),
        },
        rule: Rule::Level { bound: Bound::High, level: 2 },
        value: Some(4.1),
        peak: Some(4.1),
        setpoint: Some(3.0),
        over: None,
        since,
        recurred: None,
        fed: None,
        cause: Some(Box::new(NamedCause { finding: format!("{ALERT}/cause"), stands: true, facts })),
        held: None,
        flood: None,
    }
}

/// A letter to Ines with that word, of this revision and of this alert.
pub fn letter(channel: &str, alert: &str, revision: u32, site: &Site) -> Letter {
    letter_in("en", channel, alert, revision, site)
}

/// That letter in the words of a language.
pub fn letter_in(language: &str, channel: &str, alert: &str, revision: u32, site: &Site) -> Letter {
    let told = AlertRevision { alert: alert.to_owned(), revision, ..self::revision() };
    let words = words(site).spoken(Speech::of(Some(language)));
    let message = Message {
        id: format!("{BOOK}:{alert}:{revision}:Ines"),
        told: Some(Told {
            why: "cause".to_owned(),
            next_reminder: Some("2026-11-24T13:35:00-07:00".to_owned()),
            person: Some("Ines".to_owned()),
            language: Some(language.to_owned()),
        }),
        ..message(&told, &words)
    };
    Letter {
        number: i64::from(revision),
        place: i64::from(revision),
        id: message.id.clone(),
        channel: channel.to_owned(),
        alert: alert.to_owned(),
        revision,
        created: now(),
        tries: 0,
        message: message.json(),
        to: Some("Ines".to_owned()),
        due: now(),
    }
}

/// That letter as it goes into the outbox.
pub fn posted(letter: &Letter) -> NewLetter {
    let Letter { id, channel, alert, revision, created, message, to, due, .. } = letter.clone();
    NewLetter { id, channel, alert, revision, created, message, to, due, reminds: false }
}

/// How these letters speak of the site.
pub fn words(site: &Site) -> kvarden::words::Site {
    let configuration = site.configuration();
    kvarden::words::Site {
        name: configuration.plant.site.clone(),
        zone: jiff::tz::TimeZone::get(&configuration.timezone).expect("a checked configuration has a zone"),
        book: BOOK.to_owned(),
        topics: configuration.tell.topics.clone(),
        shows: configuration.shows,
        whereabouts: Whereabouts::of(&configuration.plant),
        speech: Speech::ENGLISH,
    }
}

/// What writes these letters, over a store with the alert and six hours of minutes before it.
pub fn writer(site: &Site, signer: Option<Signer>) -> Rc<Writer> {
    let configuration = site.configuration();
    let plan = Arc::new(Plan::new(&configuration.plant).expect("a checked configuration has a plan"));
    let mut store = Store::open(&site.path("letters"), Options::default(), now()).expect("a new store").store;
    let meter = plan.scopes.iter().flat_map(|scope| &scope.meters).find(|meter| meter.name == "MP-3");
    let series: Arc<[Quantity]> = meter.expect("the plant has it").series.iter().copied().collect();
    let unbalance = Quantity::whole(Measurand::VoltageUnbalance);
    let minute = |back: i64| {
        let panes = series.iter().map(|quantity| {
            let mut pane = Pane::EMPTY;
            let wave = 0.9 + 0.3 * (back as f64 / 9.0).sin();
            let value = if *quantity != unbalance {
                208.0
            } else if back < 10 {
                3.6 + 0.1 * back as f64 % 0.5
            } else {
                wave
            };
            pane.take(Kind::Level, value, Span::minutes(1));
            pane
        });
        MinuteRow {
            meter: "MP-3".into(),
            series: Arc::clone(&series),
            minute: EventTime((now().0 / 60_000 - back) * 60_000),
            panes: panes.collect(),
            late: false,
            guessed: false,
        }
    };
    // Half an hour was not measured.
    let minutes = (1..=360).rev().filter(|back| !(150..180).contains(back)).map(minute).collect();
    let opened = AlertRevision { revision: 1, cause: None, why: Revised::Opened, ..revision() };
    let alerts = vec![opened, revision()];
    store.apply(&Batch { alerts, minutes, ..Batch::default() }).expect("a whole batch");
    Rc::new(Writer::new(Keeper::inline(store), plan, words(site), signer, &configuration.people))
}

/// A daemon whose clock begins at the hour of the letters; it notes which parts were told to work or not.
#[derive(Debug)]
pub struct Still {
    committed: watch::Sender<u64>,
    begun: Instant,
    /// What was told.
    pub parts: RefCell<Vec<(Part, bool)>>,
}

impl Default for Still {
    fn default() -> Self {
        Self { committed: watch::channel(0).0, begun: Instant::now(), parts: RefCell::default() }
    }
}

impl Sink for Still {
    fn reading(&self, _: MeterId, _: EventTime, _: &[Sample]) -> u64 {
        0
    }
    fn part(&self, part: Part, works: bool) {
        self.parts.borrow_mut().push((part, works));
    }
    fn meter_trouble(&self, _: MeterId, _: MeterTrouble, _: bool) {}
    fn now(&self) -> EventTime {
        now() + Span(self.begun.elapsed().as_millis() as i64)
    }
    fn committed(&self) -> watch::Receiver<u64> {
        self.committed.subscribe()
    }
    fn await_commit(&self) {}
    fn refused_payload(&self, _: MeterId, _: &str, _: &[u8]) {}
    fn trouble(&self, _: MeterId, _: &'static str) {}
    fn shortest_event(&self, _: MeterId, _: Span) {}
    fn stranger(&self, _: &str) {}
}

/// Runs what couriers do on one thread, as the daemon does.
pub fn on_one_thread<T>(work: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    LocalSet::new().block_on(&runtime, work)
}

/// Sends one letter.
pub fn send(courier: &mut dyn Courier, letter: &Letter) -> Outcome {
    on_one_thread(courier.send(letter))
}
