//! What an undisturbed run would have brought out: the stored inputs, fed once to a fresh monitor.
//!
//! Everything is compared in its written form, so not one bit may differ.

use kvarden::batching;
use kvarden::restore::replay_one;
use kvarden::store::{Batch, MinuteRow, NewLetter, Options, Store, TailRecord};
use kvarden::words::Site as Signature;
use kvarden_config::Configuration;
use kvarden_core::monitor::Monitor;
use kvarden_core::plan::Plan;
use kvarden_core::time::EventTime;
use kvarden_core::window::Pane;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

const HOUR_MS: i64 = 3_600_000;

/// What came out, by kind, each thing by its id with its written form.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Told {
    /// Steps of alarms.
    pub changes: BTreeMap<String, String>,
    /// Steps of findings.
    pub findings: BTreeMap<String, String>,
    /// Revisions of alerts.
    pub revisions: BTreeMap<String, String>,
    /// Values that went past a limit and came back.
    pub excursions: BTreeMap<String, String>,
    /// Letters.
    pub letters: BTreeMap<String, String>,
    /// Closed minutes.
    pub minutes: BTreeMap<String, String>,
    /// Ids that came twice.
    pub twice: Vec<String>,
}

impl Told {
    /// The first difference, in words; `None`: there is none.
    pub fn difference(&self, other: &Self) -> Option<String> {
        let kinds = [
            ("change", &self.changes, &other.changes),
            ("finding", &self.findings, &other.findings),
            ("revision", &self.revisions, &other.revisions),
            ("excursion", &self.excursions, &other.excursions),
            ("letter", &self.letters, &other.letters),
            ("minute", &self.minutes, &other.minutes),
        ];
        first_difference(&kinds)
    }

    fn put(map: &mut BTreeMap<String, String>, twice: &mut Vec<String>, id: String, body: String) {
        if map.insert(id.clone(), body).is_some() {
            twice.push(id);
        }
    }
}

/// Things of one kind, by id, of one side and of the other.
type Both<'a> = (&'a str, &'a BTreeMap<String, String>, &'a BTreeMap<String, String>);

fn first_difference(kinds: &[Both<'_>]) -> Option<String> {
    kinds.iter().find_map(|(kind, one, two)| {
        let ids: Vec<&String> = one.keys().chain(two.keys()).collect();
        let id = ids.into_iter().find(|id| one.get(*id) != two.get(*id))?;
        Some(format!("{kind} {id}:\n  {:?}\n  {:?}", one.get(id), two.get(id)))
    })
}

fn written(fact: &impl Serialize) -> String {
    serde_json::to_string(fact).expect("facts have a written form")
}

fn letter_body(letter: &NewLetter) -> String {
    let NewLetter { channel, alert, revision, created, message, .. } = letter;
    written(&(channel, alert, revision, created.0, message))
}

/// Feeds inputs to a fresh monitor and gathers what comes out as the daemon does. `take` is given the batch after each
/// input, and may empty it.
fn replayed(
    configuration: &Configuration,
    book: &str,
    tail: &[TailRecord],
    mut take: impl FnMut(&TailRecord, &mut Batch),
) {
    let plan = Arc::new(Plan::new(&configuration.plant).expect("the daemon ran with it"));
    let signature = Signature {
        name: configuration.plant.site.clone(),
        zone: jiff::tz::TimeZone::get(&configuration.timezone).expect("the configuration was checked"),
        book: book.to_owned(),
        topics: configuration.tell.topics.clone(),
        whereabouts: kvarden::words::Whereabouts::of(&configuration.plant),
        shows: configuration.shows,
        speech: kvarden::words::speech::Speech::ENGLISH,
    };
    let mut gathered = batching::Gathered::new(
        &plan,
        signature,
        configuration.plant.channels.clone(),
        batching::Told::default(),
    );
    let mut monitor = Monitor::new(Arc::clone(&plan));
    let (mut batch, mut outputs) = (Batch::default(), Vec::new());
    for record in tail {
        replay_one(&mut monitor, &plan, record.now, &record.input, &mut outputs);
        gathered.follow_clock(&monitor, record.input.corrects_clock(), &mut batch);
        for output in outputs.drain(..) {
            gathered.add(record.number, output, &mut batch);
        }
        take(record, &mut batch);
    }
}

/// What comes out of these inputs.
pub fn undisturbed(configuration: &Configuration, book: &str, tail: &[TailRecord]) -> Told {
    let mut all = Batch::default();
    replayed(configuration, book, tail, |_, batch| batching::append(&mut all, std::mem::take(batch)));
    of_batch(&all)
}

/// A fresh store in this folder that was given these inputs and what comes out of them.
pub fn kept_undisturbed(configuration: &Configuration, tail: &[TailRecord], folder: &Path) -> Store {
    let mut store = Store::open(folder, Options::default(), EventTime(0)).expect("a store can be made").store;
    let mut records = Vec::new();
    let last = tail.last().map(|record| record.number);
    replayed(configuration, "golden", tail, |record, batch| {
        records.push(record.clone());
        let is_due = records.len() >= 100 || Some(record.number) == last;
        if is_due {
            let batch = Batch { tail: std::mem::take(&mut records), ..std::mem::take(batch) };
            store.apply(&batch).expect("there is room");
        }
    });
    store
}

/// What a store made of its minutes and of its inputs by itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Made {
    /// Rows of ten minutes, by meter and beginning.
    pub tens: BTreeMap<String, String>,
    /// Recordings, by their ids.
    pub recordings: BTreeMap<String, String>,
}

impl Made {
    /// Of a store that is open for writing: a minute of the next hour closes the last ten first.
    pub fn of(store: &mut Store, configuration: &Configuration, after: EventTime) -> Self {
        let plan = Plan::new(&configuration.plant).expect("the daemon ran with it");
        let minute = EventTime((after.0.div_euclid(HOUR_MS) + 1) * HOUR_MS);
        let row = |meter: &kvarden_core::plan::MeterPlan| MinuteRow {
            meter: meter.name.as_str().into(),
            series: Arc::from(&*meter.series),
            minute,
            panes: std::iter::repeat_n(Pane::EMPTY, meter.series.len()).collect(),
            late: false,
            guessed: false,
        };
        let minutes = plan.scopes.iter().flat_map(|scope| scope.meters.iter().map(row)).collect();
        store.apply(&Batch { minutes, ..Batch::default() }).expect("there is room");
        let ever = (EventTime(0), EventTime(i64::MAX / 2));
        let mut made = Self::default();
        for meter in store.meters().expect("the store can be read") {
            for run in store.tens(&meter, ever.0, ever.1).expect("the rows can be read") {
                let series = format!("{:?}", run.series);
                for (at, panes) in run.rows {
                    made.tens.insert(format!("{meter} {}", at.0), format!("{series} {panes:?}"));
                }
            }
        }
        for head in store.recordings(ever.0, ever.1).expect("the store can be read") {
            let readings = store.recording(&head.id).expect("it can be unpacked");
            made.recordings.insert(head.id.clone(), format!("{head:?} {readings:?}"));
        }
        made
    }

    /// The first difference, in words; `None`: there is none.
    pub fn difference(&self, other: &Self) -> Option<String> {
        first_difference(&[
            ("ten minutes", &self.tens, &other.tens),
            ("recording", &self.recordings, &other.recordings),
        ])
    }
}

fn of_batch(batch: &Batch) -> Told {
    let mut told = Told::default();
    let twice = &mut told.twice;
    for change in &batch.changes {
        Told::put(&mut told.changes, twice, format!("{}/{}", change.alarm, change.step), written(change));
    }
    for change in &batch.findings {
        Told::put(&mut told.findings, twice, format!("{}/{}", change.finding, change.step), written(change));
    }
    for alert in &batch.alerts {
        Told::put(&mut told.revisions, twice, format!("{}/{}", alert.alert, alert.revision), written(alert));
    }
    for one in &batch.excursions {
        let id = format!("{} {} {}", written(&one.subject), one.bound.key(), one.start.0);
        Told::put(&mut told.excursions, twice, id, written(one));
    }
    for letter in &batch.letters {
        Told::put(&mut told.letters, twice, letter.id.clone(), letter_body(letter));
    }
    for row in &batch.minutes {
        let pane = |pane: &kvarden_core::window::Pane| {
            let kept = |value: Option<f64>| value.map(|value| value as f32);
            (kept(pane.mean()), kept(pane.min()), kept(pane.max()), pane.count, pane.covered_ms)
        };
        let panes: Vec<_> = row.panes.iter().map(pane).collect();
        // The store adds what came late to its minute; no story that is compared here has any.
        let id = format!("{} {}{}", row.meter, row.minute.0, if row.late { " late" } else { "" });
        Told::put(&mut told.minutes, twice, id, written(&panes));
    }
    told
}

/// What a store holds. Bodies are read as they are written in the file, not through the store's own reader.
pub fn stored(database: &Path, store: &Store) -> Told {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let db = rusqlite::Connection::open_with_flags(database, flags).expect("the daemon has made its store");
    let mut told = Told::default();
    let twice = &mut told.twice;
    let mut rows = |map: &mut BTreeMap<String, String>, sql: &str| {
        let mut statement = db.prepare(sql).expect("the tables are as in the store's schema");
        let row = |row: &rusqlite::Row<'_>| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?));
        for row in statement.query_map((), row).expect("a query without parameters") {
            let (id, body) = row.expect("both columns are texts");
            Told::put(map, twice, id, body);
        }
    };
    rows(&mut told.changes, "SELECT alarm || '/' || step, body FROM change_");
    rows(&mut told.findings, "SELECT finding || '/' || step, body FROM finding");
    rows(&mut told.revisions, "SELECT alert || '/' || revision, body FROM revision");
    rows(&mut told.excursions, "SELECT subject || ' ' || bound || ' ' || start, body FROM excursion");
    let letter = "SELECT id, '[' || json_quote(channel) || ',' || json_quote(alert) || ',' || revision || ','
        || created || ',' || json_quote(message) || ']' FROM outbox";
    rows(&mut told.letters, letter);
    for meter in store.meters().expect("the store can be read") {
        let runs =
            store.minutes(&meter, EventTime(0), EventTime(i64::MAX / 2)).expect("the rows can be read");
        for (minute, panes) in runs.into_iter().flat_map(|run| run.rows) {
            let pane = |pane: &kvarden::store::PaneRow| {
                let kept = |value: Option<f64>| value.map(|value| value as f32);
                (kept(pane.mean), kept(pane.min), kept(pane.max), pane.count, pane.covered_ms)
            };
            let panes: Vec<_> = panes.iter().map(pane).collect();
            Told::put(&mut told.minutes, &mut told.twice, format!("{meter} {}", minute.0), written(&panes));
        }
    }
    told
}
