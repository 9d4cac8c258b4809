//! A good file gives exactly the values that it says, and the defaults where it says nothing.

mod common;

use common::{good, parse};
use kvarden_config::{
    ByteOrder, JsonPoint, LogColumn, LogSpec, LogTime, ModbusSpec, MqttSpec, Notes, NumberKind, Order, Reach,
    RegisterPoint, Registers, SourceSpec, TimeField, TimeForm, WordOrder,
};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;
use kvarden_core::plant::{
    AppliesTo, Bound, Condition, Feeder, Level, Limit, Priority, Recurs, Side, SideOf, StampedBy, Target,
    Transformer, WiringForm,
};
use kvarden_core::time::Span;
use std::path::{Path, PathBuf};

const COLUMNS: &str = include_str!("good/columns.toml");

const SMALL: &str = r#"
[site]
name = "Larkspur Cannery"
timezone = "America/Denver"
[[transformer]]
name = "T2"
kva = 75
primary = { volts = 480, form = "delta" }
secondary = { volts = 208, form = "wye" }
[[meter]]
name = "T2 secondary"
measures = { transformer = "T2" }
"#;

/// Two minutes before and two after, unless the owner says otherwise: the default of the option reference.
#[test]
fn what_is_kept_around_an_alarm_is_two_minutes_on_both_sides_by_default() {
    let two = Span::minutes(2);
    for (store, before, after) in [
        ("", two, two),
        ("[store]\nfolder = \"data\"", two, two),
        ("[store]\nrecording = {}", two, two),
        ("[store]\nrecording = { before = \"30s\" }", Span::seconds(30), two),
        ("[store]\nrecording = { after = \"5m\" }", two, Span::minutes(5)),
    ] {
        let (configuration, problems) = parse(&format!("{SMALL}{store}\n"));
        let around =
            configuration.unwrap_or_else(|| panic!("{}", kvarden_config::render(&problems))).plant.recording;
        assert_eq!((around.before, around.after), (before, after), "{store}");
    }
}

#[test]
fn nameplates_are_as_written() {
    let plant = good().plant;
    assert_eq!(plant.site, "Larkspur Cannery");
    let side = |volts, form| Side { volts, form, rated_a: None };
    assert_eq!(
        plant.transformers[1],
        Transformer {
            location: Some("Packing hall, east wall".into()),
            impedance_percent: Some(4.5),
            rated_rise_k: Some(115.0),
            insulation_class_c: Some(220),
            k_rating: Some(4.0),
            ..Transformer::new("T2", 75.0, side(480.0, WiringForm::Delta), side(208.0, WiringForm::Wye))
        }
    );
    assert_eq!(plant.transformers[0].neutral_rating_percent, Some(200.0));
    let feeder =
        Feeder { rated_a: Some(100.0), location: Some("Packing line 3".into()), ..Feeder::new("MP-3", 1) };
    assert_eq!(plant.feeders, [feeder]);
    assert_eq!(plant.channels, ["log", "mqtt", "file"]);
}

#[test]
fn a_polled_meter_has_the_points_of_its_map_and_our_clock() {
    let configuration = good();
    let meter = &configuration.plant.meters[0];
    assert_eq!(meter.measures, Target::Transformer(1, SideOf::Secondary));
    assert_eq!((meter.every, meter.wait, meter.stamped_by), (Span(500), Span::ZERO, StampedBy::Receipt));
    assert_eq!((meter.silent_after, meter.frozen_after), (Span::seconds(90), Some(Span::minutes(10))));
    assert_eq!(
        meter.points,
        [
            Quantity::at(Measurand::VoltageLn, Place::A),
            Quantity::whole(Measurand::Power),
            Quantity::at(Measurand::Current, Place::B)
        ]
    );
    let order = Order { words: WordOrder::LowFirst, bytes: ByteOrder::HighFirst };
    let plain = RegisterPoint { order, ..RegisterPoint::plain(Registers::Holding, 42, NumberKind::F32) };
    let points = vec![
        RegisterPoint {
            registers: Registers::Input,
            address: 0,
            kind: NumberKind::U16,
            scale: 0.1,
            absent: vec![65535, 32768],
            ..plain.clone()
        },
        RegisterPoint { address: 40, kind: NumberKind::I32, scale: 10.0, offset: -5.5, ..plain.clone() },
        plain,
    ];
    let spec = ModbusSpec {
        address: "192.0.2.20:502".into(),
        unit: 7,
        answers_as: 7,
        every: Span(500),
        reach: Reach::default(),
        points,
        sunspec: None,
    };
    assert_eq!(configuration.sources[0], SourceSpec::Modbus(spec));
}

#[test]
fn a_telling_meter_with_a_time_is_stamped_by_itself_and_waits() {
    let configuration = good();
    let meter = &configuration.plant.meters[1];
    assert_eq!(meter.measures, Target::Feeder(0));
    assert_eq!(
        (meter.every, meter.wait, meter.stamped_by),
        (Span::seconds(10), Span::seconds(5), StampedBy::Meter)
    );
    assert_eq!((meter.silent_after, meter.frozen_after), (Span::minutes(2), None));
    let spec = MqttSpec {
        topic: "cannery/mp3/values".into(),
        named: None,
        qos: None,
        readings: None,
        quoted: false,
        time: Some(TimeField { pointer: "/t".into(), form: TimeForm::UnixMillis }),
        points: vec![
            JsonPoint { topic: None, pointer: "/i/0".into(), scale: 0.001, offset: 0.0, flag: false },
            JsonPoint { topic: None, pointer: "/i/3".into(), scale: 1.0, offset: 0.25, flag: false },
        ],
    };
    assert_eq!(configuration.sources[1], SourceSpec::Mqtt(spec));
}

#[test]
fn a_telling_meter_without_a_time_is_stamped_at_receipt_and_waits_for_nothing() {
    let configuration = good();
    let meter = &configuration.plant.meters[2];
    assert_eq!(
        (meter.every, meter.wait, meter.stamped_by),
        (Span::seconds(1), Span::ZERO, StampedBy::Receipt)
    );
    assert_eq!((meter.silent_after, meter.frozen_after), (Span::minutes(2), Some(Span::minutes(5))));
    assert!(matches!(&configuration.sources[2], SourceSpec::Mqtt(spec) if spec.time.is_none()));
}

#[test]
fn a_meter_without_a_source_is_logged_and_a_slow_one_is_given_more_time() {
    let configuration = good();
    let meter = &configuration.plant.meters[3];
    assert_eq!(configuration.sources[3], SourceSpec::Logged);
    assert_eq!((meter.points.as_slice(), meter.every), (&[][..], Span::minutes(5)));
    assert_eq!((meter.silent_after, meter.frozen_after), (Span::minutes(15), Some(Span::minutes(50))));
}

#[test]
fn limits_are_as_written_and_say_their_line() {
    let limits = good().plant.limits;
    let level = |setpoint, priority, seconds, over| Level {
        setpoint,
        priority,
        on_delay: Span::seconds(seconds),
        over,
    };
    let unbalance = Limit {
        on: Measurand::VoltageUnbalance,
        of: AppliesTo::Everywhere,
        place: None,
        number: None,
        rate: false,
        bound: Bound::High,
        levels: vec![
            level(2.0, Priority::Low, 60, Some(Span::minutes(10))),
            level(3.5, Priority::High, 30, None),
        ],
        deadband: 0.3,
        off_delay: Span::minutes(2),
        when: vec![Condition { on: Measurand::LoadingPhase, above: 20.0 }],
        recurs: Some(Recurs {
            times: 4,
            within: Span::hours(12),
            shortest: Span(500),
            priority: Priority::High,
        }),
        latch: false,
        origin: "kvarden.toml line 54".into(),
    };
    assert_eq!(limits[0], unbalance);
    let winding = Limit {
        on: Measurand::Winding,
        of: AppliesTo::Transformer(1),
        place: Some(Place::B),
        levels: vec![level(185.0, Priority::Urgent, 60, Some(Span::minutes(1)))],
        deadband: 3.0,
        off_delay: Span::minutes(5),
        when: Vec::new(),
        recurs: None,
        latch: true,
        origin: "kvarden.toml line 66".into(),
        ..unbalance
    };
    assert_eq!(limits[1], winding);
    assert_eq!(limits[2].of, AppliesTo::Feeder(0), "a feeder wins over a meter of the same name");
    assert_eq!(limits[2].bound, Bound::Low);
    assert!(limits[3].levels.is_empty(), "no levels: not judged");
    assert_eq!(limits[3].recurs, None);
}

#[test]
fn a_limit_that_does_not_speak_of_recurrence_keeps_the_usual_rule_and_false_ends_it() {
    let head = "[[limit]]\non = \"voltage_unbalance_percent\"\nlevels = [{ setpoint = 4, priority = \"high\" }]\n\
        deadband = 1\non_delay = \"1s\"\noff_delay = \"1s\"\n";
    let recurs = |more: &str| {
        let (configuration, problems) = parse(&format!("{SMALL}{head}{more}"));
        assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
        configuration.unwrap().plant.limits[0].recurs
    };
    let usual =
        Recurs { times: 3, within: Span::hours(6), shortest: Span::seconds(2), priority: Priority::High };
    assert_eq!(recurs(""), Some(usual));
    assert_eq!(recurs("recurs = false\n"), None);
    let own = Recurs { times: 5, priority: Priority::Low, ..usual };
    assert_eq!(recurs("recurs = { times = 5 }\n"), Some(own));
}

#[test]
fn the_services_are_as_written_and_the_password_is_not_shown() {
    let configuration = good();
    let broker = configuration.broker.clone().unwrap();
    assert_eq!((broker.address.as_str(), broker.client.as_str()), ("127.0.0.1:1883", "cannery-box"));
    assert_eq!(broker.username.as_deref(), Some("kvarden"));
    assert_eq!(broker.password.as_ref().unwrap().expose(), "correct horse");
    assert!(!format!("{configuration:?}").contains("correct horse"));
    let tell = configuration.tell;
    assert_eq!(
        (tell.mqtt, tell.topics.as_str(), tell.heartbeat),
        (true, "cannery/alerts", Span::seconds(30))
    );
    assert_eq!(tell.file, Some(PathBuf::from("alerts.jsonl")));
    assert_eq!((configuration.store.folder, configuration.store.max_bytes), (PathBuf::from("data"), 4 << 30));
    assert_eq!((configuration.digest.at, configuration.digest.folder), ((5, 30), PathBuf::from("data/days")));
    assert_eq!(configuration.timezone, "America/Denver");
}

#[test]
fn a_nameplate_and_a_meter_are_enough() {
    let (configuration, problems) = parse(SMALL);
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    let configuration = configuration.unwrap();
    assert_eq!(configuration.broker, None);
    assert_eq!(
        (configuration.tell.mqtt, configuration.tell.topics.as_str()),
        (false, "kvarden/larkspur-cannery")
    );
    assert_eq!(configuration.tell.heartbeat, Span::seconds(60));
    assert_eq!(configuration.plant.channels, ["log"]);
    assert_eq!((configuration.store.folder, configuration.store.max_bytes), (PathBuf::from("data"), 2 << 30));
    assert_eq!(
        (configuration.digest.at, configuration.digest.folder),
        ((6, 0), PathBuf::from("data/digests"))
    );
    let meter = &configuration.plant.meters[0];
    assert_eq!((meter.every, meter.silent_after), (Span::seconds(1), Span::minutes(2)));
    assert_eq!(meter.frozen_after, Some(Span::minutes(5)));
}

#[test]
fn core_compiles_every_good_plant() {
    let mut plant = good().plant;
    kvarden_core::plan::Plan::new(&plant).unwrap();
    plant.meters[3].points.push(Quantity::whole(Measurand::NeutralCurrent));
    kvarden_core::plan::Plan::new(&plant).unwrap();
}

#[test]
fn paths_are_counted_from_the_folder_of_the_file() {
    let text = common::MAIN;
    let (configuration, problems) = kvarden_config::parse("site/kvarden.toml", text, &|path| {
        common::good_file(path.strip_prefix("site").unwrap())
    });
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    let configuration = configuration.unwrap();
    assert_eq!(configuration.store.folder, PathBuf::from("site/data"));
    assert_eq!(configuration.digest.folder, PathBuf::from("site/data/days"));
    assert_eq!(configuration.plant.limits[0].origin, "kvarden.toml line 54");
}

#[test]
fn columns_have_their_unit_in_factor_and_offset() {
    let plant = good().plant;
    let (logs, problems) =
        kvarden_config::parse_columns("columns.toml", COLUMNS, &plant, &|path| path == Path::new("T2.csv"));
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    let column = |column: &str, quantity, factor, offset| LogColumn {
        column: column.into(),
        quantity,
        factor,
        offset,
        notes: Notes::default(),
    };
    let logs = logs.unwrap();
    let expected = LogSpec {
        file: PathBuf::from("T2.csv"),
        meter: 0,
        time_column: "time".into(),
        time_form: LogTime::Local,
        delimiter: b';',
        every: Some(Span::seconds(10)),
        columns: vec![
            column("Ua", Quantity::at(Measurand::VoltageLn, Place::A), 500.0, 0.0),
            column("PF", Quantity::whole(Measurand::PowerFactor), 0.01, 0.0),
            column("THD", Quantity::whole(Measurand::VoltageThd), 100.0, 0.0),
        ],
    };
    assert_eq!(logs[0], expected);
    assert_eq!((logs[1].meter, logs[1].delimiter, logs[1].every), (2, b',', None));
    let hot = &logs[1].columns[0];
    assert!((212.0 * hot.factor + hot.offset - 100.0).abs() < 1e-9);
    assert_eq!(logs.len(), 3);
    assert_eq!(logs[1].columns[1], column("Amb", Quantity::whole(Measurand::Ambient), 1.0, 0.0));
}

#[test]
fn a_list_of_conditions_is_any_of_them() {
    let one = "when = { on = \"loading_phase_percent\", above = 20 }";
    let list = "when = [{ on = \"loading_phase_percent\", above = 20 }, { on = \"neutral_loading_percent\", above = 80 }]";
    assert!(common::MAIN.contains(one));
    let (configuration, problems) = common::parse(&common::MAIN.replace(one, list));
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    let limits = configuration.expect("no problems, so a configuration").plant.limits;
    let above = |on, above| Condition { on, above };
    assert_eq!(
        limits[0].when,
        [above(Measurand::LoadingPhase, 20.0), above(Measurand::NeutralLoading, 80.0)]
    );
}
