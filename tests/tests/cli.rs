//! The real binary as a person at a terminal, or a script, sees it.

use kvarden_demo::cannery::meters_of;
use kvarden_demo::config_text::{Sources, write_configuration};
use kvarden_demo::csvlog::write_logs;
use kvarden_demo::scenario::{Fault, Scenario};
use kvarden_demo::site::Site as Cannery;
use kvarden_demo::work::Working;
use kvarden_tests::program::{good, kvarden, text};
use kvarden_tests::site::Site;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::process::{Command, Output};
use std::time::Instant;

/// 08:00 on Monday, 23 November 2026, at the cannery.
const EIGHT: i64 = 1_795_446_000;

/// Runs the binary in a folder, so that no path of this machine gets into what it prints.
fn run(folder: &Path, words: &[&str]) -> Output {
    let mut command = Command::new(kvarden());
    command.args(words).current_dir(folder).env_remove("KVARDEN_LOG").env("TZ", "Asia/Tokyo");
    command.output().expect("the binary was just built")
}

const METERS: &str = r#"
[[meter]]
name = "T2 secondary"
measures = { transformer = "T2", side = "secondary" }

[[meter]]
name = "MP-3"
measures = { feeder = "MP-3" }

[[meter]]
name = "T2 heat"
measures = { transformer = "T2" }
"#;

/// Two hours of a small site: T2's meter each 10 s, MP-3's each minute, the sensors each five minutes.
///
/// Line AB sags to 190 V from 8:30:00 to 8:35:00; MP-3's phase B is at 130 A from 9:00 on; a sensor gives °F.
struct Log {
    rows: BTreeMap<i64, [String; 3]>,
}

impl Log {
    fn new() -> Self {
        let mut rows = BTreeMap::new();
        for second in (0..7200).step_by(10) {
            let sags = (1800..2100).contains(&second);
            let secondary =
                format!("{},208.0,208.0,0.1{:02}", if sags { "0.190" } else { "0.208" }, second % 97);
            let feeder = if second % 60 == 0 {
                format!("40.{},{},41.0", second / 60 % 7, if second >= 3600 { "130.0" } else { "42.0" })
            } else {
                ",,".to_owned()
            };
            let heat = match second {
                600 => "NaN,68".to_owned(),
                900 => "\"176,5\",n/a".to_owned(),
                _ if second % 300 == 0 => "176,68".to_owned(),
                _ => ",".to_owned(),
            };
            rows.insert(EIGHT + second, [secondary, feeder, heat]);
        }
        Self { rows }
    }

    /// One file for each meter, with rows only where the meter has values.
    fn one_each(&self) -> Vec<(String, String)> {
        let heads = ["ab,Ubc,Uca,IA", "A,B,C", "Wa,Amb"];
        let files = ["t2.csv", "mp3.csv", "heat.csv"];
        let mut written: Vec<(String, String)> = Vec::new();
        for (index, (file, head)) in files.iter().zip(heads).enumerate() {
            let mut text = format!("time,{head}\n");
            for (at, cells) in &self.rows {
                if cells[index].chars().any(|one| one != ',') {
                    let _ = writeln!(text, "{at},{}", cells[index]);
                }
            }
            written.push((format!("logs/{file}"), text));
        }
        written.push(("logs/columns.toml".to_owned(), columns(files)));
        written
    }

    /// One file for all, with empty cells where a meter has no value.
    fn all_in_one(&self) -> Vec<(String, String)> {
        let mut text = "time,ab,Ubc,Uca,IA,A,B,C,Wa,Amb\n".to_owned();
        for (at, cells) in &self.rows {
            let _ = writeln!(text, "{at},{}", cells.join(","));
        }
        vec![("logs/all.csv".to_owned(), text), ("logs/columns.toml".to_owned(), columns(["all.csv"; 3]))]
    }
}

fn columns(files: [&str; 3]) -> String {
    let log = |file: &str, meter: &str, every: &str, columns: &str| {
        format!(
            "[[log]]\nfile = \"{file}\"\nmeter = \"{meter}\"\ntime = {{ column = \"time\", form = \"unix-s\" }}\n\
             every = \"{every}\"\n{columns}\n"
        )
    };
    let column = |column: &str, measurand: &str, place: &str, more: &str| {
        let place = if place.is_empty() { String::new() } else { format!("place = \"{place}\"\n") };
        format!("[[log.column]]\ncolumn = \"{column}\"\nmeasurand = \"{measurand}\"\n{place}{more}\n")
    };
    let secondary = [
        column("ab", "voltage_ll_v", "AB", "unit = \"kV\""),
        column("Ubc", "voltage_ll_v", "BC", ""),
        column("Uca", "voltage_ll_v", "CA", ""),
        column("IA", "current_a", "A", "factor = 1000"),
    ];
    let feeder = ["A", "B", "C"].map(|phase| column(phase, "current_a", phase, ""));
    let heat =
        [column("Wa", "winding_c", "A", "unit = \"°F\""), column("Amb", "ambient_c", "", "unit = \"°F\"")];
    log(files[0], "T2 secondary", "10s", &secondary.concat())
        + &log(files[1], "MP-3", "1m", &feeder.concat())
        + &log(files[2], "T2 heat", "5m", &heat.concat())
}

fn site(files: &[(String, String)]) -> Site {
    let files: Vec<(&str, &str)> = files.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
    Site::new(METERS, &files)
}

const REPLAY: [&str; 4] = ["replay", "kvarden.toml", "--from", "logs"];

fn replay(site: &Site) -> Output {
    run(&site.path(""), &REPLAY)
}

fn replay_json(site: &Site) -> Output {
    run(&site.path(""), &[&REPLAY[..], &["--json"]].concat())
}

#[test]
fn help_of_every_command_has_an_example_and_plain_words() {
    let here = std::env::temp_dir();
    let page = good(&run(&here, &["--help"]));
    let listed = page.split_once("Commands:").expect("commands are listed").1;
    let listed = listed.split_once("Options:").expect("then options").0;
    let commands: Vec<&str> = listed
        .lines()
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .collect();
    assert!(commands.len() >= 10, "{commands:?}");
    let mut pages = vec![page.clone()];
    for command in commands {
        let page = good(&run(&here, &[command, "--help"]));
        assert!(page.contains(&format!("Example: kvarden {command}")), "{command} has no example:\n{page}");
        pages.push(page);
    }
    for word in
        ["firing", "pending", "resolved", "silence", "inhibit", "mute", "snooze", "downtime", "receiver"]
    {
        assert!(pages.iter().all(|page| !page.to_lowercase().contains(word)), "help says {word:?}");
    }
    insta::assert_snapshot!("help", pages.join("\n==========\n"));
}

#[test]
fn check_of_a_good_configuration_prints_the_plan_and_every_limit_with_its_origin() {
    let map = "[[point]]\nmeasurand = \"current_a\"\nplace = \"A\"\naddress = 0\nkind = \"f32\"\n";
    let more = r#"
[[meter]]
name = "T2 secondary"
measures = { transformer = "T2", side = "secondary" }
modbus = { address = "192.0.2.20:502", unit = 7, every = "1s", map = "maps/main.toml" }

[[meter]]
name = "MP-3"
measures = { feeder = "MP-3" }
mqtt = { topic = "cannery/mp3/values", every = "10s", map = "maps/mp3.toml" }

[[limit]]
on = "loading_phase_percent"
of = "MP-3"
levels = [{ setpoint = 95, priority = "low" }, { setpoint = 120, priority = "high", on_delay = "5m" }]
deadband = 3
on_delay = "30m"
off_delay = "10m"

[broker]
address = "127.0.0.1:1883"

[tell]
file = "alerts.jsonl"
"#;
    let main: String = ["AB", "BC", "CA"]
        .iter()
        .enumerate()
        .map(|(at, place)| {
            let address = 2 * at;
            format!("[[point]]\nmeasurand = \"voltage_ll_v\"\nplace = \"{place}\"\naddress = {address}\nkind = \"f32\"\n")
        })
        .chain([map.replace("address = 0", "address = 10")])
        .collect();
    let mp3 = "[[point]]\nmeasurand = \"current_a\"\nplace = \"A\"\npointer = \"/i/a\"\n";
    let site = Site::new(more, &[("maps/main.toml", &main), ("maps/mp3.toml", mp3)]);
    let page = good(&run(&site.path(""), &["check", "kvarden.toml"]));
    assert!(!page.contains("/tmp"), "{page}");
    assert!(page.contains("ANSI C84.1"), "a default limit names its source");
    insta::assert_snapshot!("check", page);
}

#[test]
fn check_of_a_broken_configuration_names_every_problem_with_file_line_cause_and_mend() {
    let broken = r#"
[[meter]]
name = "T2 secondary"
measures = { transformer = "T3" }

[[limit]]
on = "voltage_unbalance"
levels = [{ setpoint = "2 %", priority = "medium" }]
deadband = 0.3
on_delay = "60"
off_delay = "2m"

[digest]
at = "25:00"
"#;
    let site = Site::new(broken, &[]);
    let output = run(&site.path(""), &["check", "kvarden.toml"]);
    assert!(!output.status.success());
    assert_eq!(text(&output.stdout), "", "no plan of a broken configuration");
    let page = text(&output.stderr);
    for words in ["T3", "voltage_unbalance_percent", "medium", "25:00", "kvarden.toml:"] {
        assert!(page.contains(words), "{words} is not named:\n{page}");
    }
    insta::assert_snapshot!("check_broken", page);
}

#[test]
fn replay_with_json_prints_one_line_for_each_alarm_finding_and_recording_and_nothing_else() {
    let site = site(&Log::new().one_each());
    let page = good(&replay_json(&site));
    assert!(page.lines().count() >= 5, "{page}");
    for line in page.lines() {
        let line: serde_json::Value =
            serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
        assert_eq!(line["format"], 1, "{line}");
        let kinds = ["alarm", "recording", "finding"];
        assert!(kinds.iter().any(|kind| line["kind"] == *kind), "{line}");
    }
    // Level 3 rises at 08:30:30: two minutes on both sides of it. Level 1 rises at 08:34:30: its two adjoin.
    let recording = "{\"format\":1,\"kind\":\"recording\",\"from\":\"2026-11-23T08:28:30-07:00\",\
        \"to\":\"2026-11-23T08:32:30-07:00\",\"scope\":\"T2\",\"priority\":\"urgent\",\
        \"alarm\":\"T2/T2 secondary/voltage_unbalance_percent/high level 3#1\"}";
    assert!(page.lines().any(|line| line == recording), "{page}");
    // 190 V of a mean of 202 V is 5.94 % off; level 3 waits 30 s, and 2 min for the way back.
    let expected = "{\"format\":1,\"kind\":\"alarm\",\"raised\":\"2026-11-23T08:30:30-07:00\",\
        \"cleared\":\"2026-11-23T08:37:00-07:00\",\"transformer\":\"T2\",\
        \"measurand\":\"voltage_unbalance_percent\",\"phase\":null,\"place\":null,\"number\":null,\"feeder\":null,\
        \"meter\":\"T2 secondary\",\"limit\":\"high level 3\",\"priority\":\"urgent\",\
        \"peak\":5.9405940594059405,\"setpoint\":5.0,\"unit\":\"%\",\"times\":null,\
        \"alarm\":\"T2/T2 secondary/voltage_unbalance_percent/high level 3#1\"}";
    let lines: Vec<&str> = page
        .lines()
        .filter(|line| line.contains("\"alarm\",") && line.contains("unbalance") && line.contains("level 3"))
        .collect();
    assert_eq!(lines, [expected]);
    // MP-3 stands at 130 A of its 100 A when the log ends.
    let standing: Vec<&str> = page.lines().filter(|line| line.contains("\"cleared\":null")).collect();
    assert!(standing.iter().any(|line| line.contains("loading_phase_percent/high level 4#1")), "{page}");
    insta::assert_snapshot!("replay_json", page);
}

#[test]
fn replay_for_a_person_tells_the_alerts_then_the_digest_of_the_day() {
    let site = site(&Log::new().one_each());
    let output = replay(&site);
    let page = good(&output);
    let told = text(&output.stderr);
    assert!(told.contains("2 cells are not numbers"), "\"176,5\" and n/a: {told}");
    // 176 °F and 68 °F; a cell of "176,5" is absent, not 1765 °F.
    assert!(page.contains("peak 80.0 °C"), "{page}");
    assert!(page.contains("peak 20.0 °C"), "{page}");
    insta::assert_snapshot!("replay", format!("{page}\n========== on standard error\n{told}"));
}

#[test]
fn one_file_for_all_meters_and_one_for_each_give_the_same_alarms() {
    let log = Log::new();
    let (each, all) = (site(&log.one_each()), site(&log.all_in_one()));
    let page = good(&replay_json(&each));
    assert!(page.lines().count() >= 6, "{page}");
    assert_eq!(page, good(&replay_json(&all)));
}

#[test]
fn a_file_without_a_named_column_or_a_readable_time_is_refused_with_the_words_to_mend_it() {
    let mut files = Log::new().one_each();
    files[0].1 = files[0].1.replacen("ab,Ubc", "Uab,Ubc", 1);
    let output = replay(&site(&files));
    assert!(!output.status.success());
    let page = text(&output.stderr);
    assert!(page.contains("has no column \"ab\"; its first line has: time, Uab, Ubc, Uca, IA"), "{page}");

    let mut files = Log::new().one_each();
    files[3].1 = files[3].1.replacen("unix-s", "rfc3339", 1);
    let page = text(&replay(&site(&files)).stderr);
    assert!(page.contains("the first is \"1795446000\", the form in columns.toml is rfc3339"), "{page}");

    let site = Site::new(METERS, &[]);
    let output = replay(&site);
    assert!(!output.status.success());
    let page = text(&output.stderr);
    assert!(page.contains("columns.toml"), "{page}");
}

#[test]
fn a_week_of_ten_second_data_of_a_transformer_and_five_feeders_is_replayed_in_seconds() {
    kvarden();
    let folder = tempfile::tempdir().expect("there is room for a folder");
    write_configuration(folder.path(), Sources::Logged, "").expect("the folder can be written");
    let meters = meters_of("T2");
    let from = EIGHT * 1000 - 8 * 3_600_000;
    let day = 86_400_000;
    let loose = Fault::LoosePhase { every_s: 600 };
    let faults = vec![Scenario::between(from + 3 * day, from + 4 * day, loose)];
    let mut cannery = Cannery::new(5, from, Working::Calendar, faults);
    let began = Instant::now();
    let logged = write_logs(&folder.path().join("logs"), &mut cannery, &meters, from + 7 * day, 10_000)
        .expect("the folder can be written");
    println!(
        "a week of {} meters, {} rows, written in {:.1} s",
        meters.len(),
        logged.rows,
        began.elapsed().as_secs_f64()
    );
    let began = Instant::now();
    let page = good(&run(folder.path(), &[&REPLAY[..], &["--json"]].concat()));
    println!("replayed in {:.1} s, {} lines", began.elapsed().as_secs_f64(), page.lines().count());
    let loose = page.lines().find(|line| {
        line.contains("voltage_unbalance_percent/high recurrence") && line.contains("\"feeder\":\"MP-3\"")
    });
    let loose = loose.unwrap_or_else(|| panic!("the loose phase of Thursday is not found:\n{page}"));
    assert!(loose.contains("\"raised\":\"2026-11-26T"), "{loose}");
    let began = Instant::now();
    let told = good(&run(folder.path(), &REPLAY));
    println!("told to a person in {:.1} s", began.elapsed().as_secs_f64());
    assert_eq!(told.matches(": digest of ").count(), 7, "a digest for each local day");
    assert!(logged.rows >= 60_480 * 6, "{} rows", logged.rows);
}
