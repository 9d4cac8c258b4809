//! Export, backup, restore and verify with the real binary, beside a daemon that polls and writes.

use kvarden_tests::program::{Daemon, PATIENCE, good, kvarden, text};
use kvarden_tests::site::{Site, polled_feeder};
use kvarden_tests::wait::{run_to_end, wait_for};
use std::path::Path;
use std::process::{Command, Output};

fn run(name: &str, config: &Path, more: &[&str]) -> Output {
    run_to_end(Command::new(kvarden()).arg(name).arg(config).args(more))
}

/// A daemon that has told of a high current and stored the recording around it.
fn after_an_alarm() -> (Site, Daemon) {
    let (site, load) = polled_feeder("recording = { before = \"2s\", after = \"1s\" }");
    let daemon = Daemon::watching(&site);
    let readings = || daemon.status().meters.iter().map(|meter| meter.readings).sum::<u64>();
    wait_for("some readings", PATIENCE, || (readings() > 25).then_some(()));
    load.set_high(true);
    wait_for("the alarm is told", PATIENCE, || (!site.told_lines().is_empty()).then_some(()));
    load.set_high(false);
    wait_for("the recording is stored", PATIENCE, || {
        let ever = (kvarden_core::time::EventTime(0), kvarden_core::time::EventTime(i64::MAX));
        site.store().recordings(ever.0, ever.1).is_ok_and(|heads| !heads.is_empty()).then_some(())
    });
    (site, daemon)
}

#[test]
fn a_recording_is_exported_reading_by_reading_beside_the_running_daemon() {
    let (site, daemon) = after_an_alarm();
    let day = ["--from", "2020-01-01", "--to", "2120-01-01", "--meter", "MP-3", "--every", "reading"];
    // Years of nothing in pieces of a day take their time; a recording is found at once.
    let written = good(&run("export", &site.config(), &day));
    assert!(written.lines().count() > 10 && written.contains("\r\n"), "{written}");
    let mut reader = csv::Reader::from_reader(written.as_bytes());
    let head: Vec<String> = reader.headers().expect("a head").iter().map(str::to_owned).collect();
    assert_eq!(head, ["meter", "local_time", "utc_time", "recorded_for", "current_a.A", "current_a.B"]);
    let rows: Vec<csv::StringRecord> =
        reader.records().map(|row| row.expect("as wide as the head")).collect();
    let high = rows.iter().filter(|row| row[4].parse::<f64>().is_ok_and(|amps| amps > 100.0)).count();
    assert!(high > 0 && high < rows.len(), "before, high and after: {high} of {}", rows.len());
    for row in &rows {
        assert_eq!((&row[0], &row[5]), ("MP-3", ""), "absent is an empty cell");
        let (local, utc) = (row[1].parse::<jiff::Timestamp>(), row[2].parse::<jiff::Timestamp>());
        assert_eq!(local.expect("with an offset"), utc.expect("in UTC"));
        assert!(row[1].ends_with("-07:00") || row[1].ends_with("-06:00"), "{}", &row[1]);
        assert!(row[3].starts_with("T2/") && row[3].contains("current_a.A"), "{}", &row[3]);
    }
    let nobody =
        run("export", &site.config(), &["--from", "2020-01-01", "--to", "2120-01-01", "--meter", "MP-4"]);
    assert!(!nobody.status.success() && text(&nobody.stderr).contains("MP-3"), "{}", text(&nobody.stderr));
    daemon.stop();
}

#[test]
fn a_backup_made_while_the_daemon_writes_comes_back_and_nothing_is_written_over() {
    let (site, daemon) = after_an_alarm();
    let to = site.path("copy.db");
    let to = to.to_str().expect("a plain path");
    let said = good(&run("backup", &site.config(), &["--to", to]));
    assert!(said.contains("checked"), "{said}");
    let again = run("backup", &site.config(), &["--to", to]);
    assert!(
        !again.status.success() && text(&again.stderr).contains("exists already"),
        "{}",
        text(&again.stderr)
    );
    assert_eq!(good(&run("verify", &site.config(), &[])), "The store is whole.\n");
    let refused = run("restore", &site.config(), &["--from", to]);
    assert!(!refused.status.success(), "while the daemon runs");
    assert!(text(&refused.stderr).contains("in use by another Kvarden"), "{}", text(&refused.stderr));
    let told = site.told_lines().len();
    daemon.stop();

    let said = good(&run("restore", &site.config(), &["--from", to]));
    assert!(said.contains("kvarden.db.replaced-"), "{said}");
    assert!(site.store().alert("nobody").is_ok_and(|none| none.is_none()));
    assert!(site.store().newest_alerts().is_ok_and(|alerts| !alerts.is_empty()), "the alert is in the copy");
    let daemon = Daemon::watching(&site);
    daemon.wait_until_told();
    assert!(site.told_lines().len() >= told);
    daemon.stop();
    let kept = std::fs::read_dir(site.path("data")).expect("the store's folder").flatten();
    let replaced = kept.filter(|file| file.file_name().to_string_lossy().contains("replaced")).count();
    assert_eq!(replaced, 1, "the former store is kept");
}
