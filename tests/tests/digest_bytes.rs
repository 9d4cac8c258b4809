//! A past day comes out the same to the byte, in all three forms: from another process, in another time zone and
//! language, after retention took its minutes, and after the configuration changed.

use kvarden::digest::Form;
use kvarden::store::{Batch, MinuteRow, Options, Store};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{Change, ChangeKind, Excursion, Matter, Rule, Subject};
use kvarden_core::phases::Place;
use kvarden_core::plan::Plan;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Pane;
use kvarden_tests::program::{Daemon, PATIENCE, kvarden, text};
use kvarden_tests::site::{HEAD, Site, point};
use kvarden_tests::wait::{run_to_end, wait_for};
use std::process::Command;
use std::sync::Arc;

/// Nobody listens there: the day comes from the store.
const METERS: &str = r#"
[[meter]]
name = "T2 secondary"
measures = { transformer = "T2", side = "secondary" }
modbus = { address = "127.0.0.1:1", unit = 1, map = "maps/main.toml" }

[[meter]]
name = "MP-3"
measures = { feeder = "MP-3" }
modbus = { address = "127.0.0.1:1", unit = 2, map = "maps/amps.toml" }

[tell]
file = "alerts.jsonl"

[store]
folder = "data"

[digest]
at = "00:00"
"#;

fn map(quantities: &[&str]) -> String {
    let points = quantities.iter().enumerate();
    points
        .map(|(index, quantity)| point(quantity, &format!("address = {}\nkind = \"f32\"", 2 * index)))
        .collect()
}

fn site() -> Site {
    let amps = ["current_a.A", "current_a.B", "current_a.C"];
    let volts = ["voltage_ll_v.AB", "voltage_ll_v.BC", "voltage_ll_v.CA"];
    let main = map(&[&volts[..], &amps[..]].concat());
    Site::new(METERS, &[("maps/main.toml", &main), ("maps/amps.toml", &map(&amps))])
}

/// Four days ago at the site: old enough for retention to begin with it, young enough for its digest to be made.
struct Day {
    date: String,
    from: EventTime,
}

impl Day {
    fn back(days: i64) -> Self {
        let zone = jiff::tz::TimeZone::get("America/Denver").expect("the zone is bundled");
        let today = jiff::Timestamp::now().to_zoned_datetime(zone.clone()).date();
        let day = today.checked_sub(jiff::Span::new().days(days)).expect("it is no time near the end");
        let from = day.to_zoned_datetime(zone).expect("the day begins").timestamp();
        Self { date: day.to_string(), from: EventTime(from.as_millisecond()) }
    }

    fn at(&self, minute: i64) -> EventTime {
        self.from + Span::minutes(minute)
    }
}

/// The minutes of a meter: values that wander, and none from 04:00 to 06:30.
fn minutes(plan: &Plan, meter: &str, day: &Day) -> Vec<MinuteRow> {
    let planned = plan.meter_by_name(meter).and_then(|id| plan.meter(id)).expect("the site has it");
    let series: Arc<[Quantity]> = Arc::from(&*planned.series);
    let measured = (0..1440).filter(|minute| !(240..390).contains(minute));
    measured
        .map(|minute| {
            let pane = |column: usize| {
                let mut pane = Pane::EMPTY;
                for second in 0..60 {
                    let wave = ((minute * 60 + second) as f64 / 7001.0 + column as f64).sin();
                    pane.push(60.0 + 30.0 * wave, Span::seconds(1));
                }
                pane
            };
            MinuteRow {
                meter: meter.into(),
                series: Arc::clone(&series),
                minute: day.at(minute),
                panes: (0..series.len()).map(pane).collect(),
                late: false,
                guessed: false,
            }
        })
        .collect()
}

/// A day of a meter with so many columns that a few of them fill the least store.
fn wide(day: &Day) -> Vec<MinuteRow> {
    let series: Arc<[Quantity]> = vec![Quantity::whole(Measurand::NeutralCurrent); 300].into();
    let row = |minute: i64| {
        let pane = |column: usize| {
            let mut pane = Pane::EMPTY;
            pane.push((minute * 300 + column as i64) as f64, Span::minutes(1));
            pane
        };
        MinuteRow {
            meter: "Wide".into(),
            series: Arc::clone(&series),
            minute: day.at(minute),
            panes: (0..300).map(pane).collect(),
            late: false,
            guessed: false,
        }
    };
    (0..1440).map(row).collect()
}

fn unbalance() -> Subject {
    Subject {
        transformer: Some("T2".to_owned()),
        feeder: None,
        meter: Some("T2 secondary".to_owned()),
        matter: Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance)),
    }
}

/// What happened: excursions in the afternoon, and an alarm that still stands.
fn events(day: &Day) -> Batch {
    let excursion = |minute: i64| Excursion {
        subject: unbalance(),
        bound: Bound::High,
        start: day.at(minute),
        length: Span::seconds(2 + minute % 5),
        peak: 3.4 + minute as f64 / 1000.0,
        setpoint: 2.0,
    };
    let change = Change {
        alarm: "T2/T2 secondary/current_a.B/high level 1#1".to_owned(),
        step: 1,
        at: day.at(600),
        what: ChangeKind::Raised,
        from: AlarmState::Normal,
        to: AlarmState::Unacknowledged,
        subject: Subject {
            matter: Matter::Quantity(Quantity::at(Measurand::Current, Place::B)),
            ..unbalance()
        },
        rule: Rule::Level { bound: Bound::High, level: 1 },
        priority: Priority::High,
        since: day.at(600),
        value: Some(80.5),
        peak: Some(80.5),
        setpoint: Some(80.0),
        over: None,
        recurred: None,
        fed: None,
    };
    Batch {
        changes: vec![change],
        excursions: (800..900).step_by(9).map(excursion).collect(),
        ..Batch::default()
    }
}

fn open(site: &Site, max_bytes: u64, now: EventTime) -> Store {
    Store::open(&site.path("data"), Options { max_bytes }, now).expect("nobody else has it").store
}

/// The day as another process in another place prints it.
fn printed(site: &Site, config: &str, date: &str, form: Form, zone: &str, language: &str) -> String {
    let mut command = Command::new(kvarden());
    command.current_dir(site.path("")).args(["digest", config, "--date", date, "--form", name(form)]);
    command.env("TZ", zone).env("LANG", language).env("LC_ALL", language);
    let output = run_to_end(&mut command);
    assert!(output.status.success(), "{}", text(&output.stderr));
    text(&output.stdout)
}

fn name(form: Form) -> &'static str {
    match form {
        Form::Text => "text",
        Form::Json => "json",
        Form::Html => "html",
    }
}

#[track_caller]
fn same(site: &Site, config: &str, day: &Day, files: &[String]) {
    for (form, file) in Form::ALL.into_iter().zip(files) {
        for (zone, language) in
            [("Asia/Kolkata", "de_DE.UTF-8"), ("Pacific/Apia", "C"), ("UTC", "tr_TR.UTF-8")]
        {
            let printed = printed(site, config, &day.date, form, zone, language);
            assert!(printed == *file, "{form:?} in {zone}:\n{printed}\n---------- but the file:\n{file}");
        }
    }
}

/// Guard: `cli::commands::digest` reads the frozen row before anything else.
#[test]
fn a_past_day_comes_out_the_same_to_the_byte_in_all_forms() {
    let site = site();
    let plan = Plan::new(&site.configuration().plant).expect("the site is sound");
    let day = Day::back(4);
    let mut store = open(&site, 2 << 30, day.from);
    for meter in ["T2 secondary", "MP-3"] {
        let batch = Batch { minutes: minutes(&plan, meter, &day), ..Batch::default() };
        store.apply(&batch).expect("there is room");
    }
    store.apply(&events(&day)).expect("there is room");
    drop(store);

    let daemon = Daemon::watching(&site);
    let path = |form: Form| site.path(format!("data/digests/{}.{}", day.date, form.ending()));
    wait_for("the digest's last file is written", PATIENCE, || path(Form::Html).exists().then_some(()));
    daemon.stop();
    let files: Vec<String> =
        Form::ALL.map(|form| std::fs::read_to_string(path(form)).expect("all forms are written")).into();
    let told = &files[0];
    assert!(told.contains("voltage unbalance") && told.contains("still standing"), "{told}");
    assert!(files[2].contains("class=\"gap\"") && files[2].contains("12 excursions"), "{}", files[2]);
    same(&site, "kvarden.toml", &day, &files);

    // Newer days of a wide meter, until the budget takes all minutes of that day.
    let mut store = open(&site, 16 << 20, day.from);
    let left = |store: &Store| store.minutes("T2 secondary", day.from, day.at(1440)).expect("it reads").len();
    let mut newer = 3;
    while left(&store) > 0 {
        assert!(newer >= -20, "the minutes do not go");
        // An hour at a time: what a batch brings is what it makes room for.
        for hour in wide(&Day::back(newer)).chunks(60) {
            let batch = Batch { minutes: hour.to_vec(), ..Batch::default() };
            store.apply(&batch).expect("old rows make room");
        }
        newer -= 1;
    }
    drop(store);
    same(&site, "kvarden.toml", &day, &files);

    // Another transformer, other limits, one meter gone: the day is that of the former plant.
    let other = format!("{HEAD}{METERS}").replace("kva = 75", "kva = 150").replace("MP-3", "MP-9");
    std::fs::write(site.path("other.toml"), other).expect("the folder can be written");
    same(&site, "other.toml", &day, &files);
}
