//! `kvarden explain` over the store of a simulated quarter of an hour: every alert of it is told in full.

use kvarden::store::Store;
use kvarden::words::code;
use kvarden_tests::program::{kvarden, text};
use kvarden_tests::story::Story;
use std::path::Path;
use std::process::{Command, Output};

fn explain(folder: &Path, alert: &str) -> Output {
    let mut command = Command::new(kvarden());
    command.args(["explain", alert, "--config"]).arg(folder.join("kvarden.toml"));
    command.output().expect("the binary was just built")
}

#[test]
fn each_alert_is_told_with_its_time_line_its_recording_and_what_to_check() {
    let folder = tempfile::tempdir().expect("there is room for a folder");
    let end = Story::QuarterHour.seconds().to_string();
    let made = Command::new(env!("CARGO_BIN_EXE_simulate"))
        .arg(folder.path())
        .args([Story::QuarterHour.name(), "7", "0", &end])
        .output()
        .expect("the binary of this package starts");
    assert!(made.status.success(), "{}", text(&made.stderr));
    let store = Store::open_for_reading(&folder.path().join("data")).expect("the store is there");
    let alerts = store.newest_alerts().expect("it can be read");
    assert!(alerts.len() >= 5, "{} alerts", alerts.len());
    let mut drawn = 0;
    for alert in &alerts {
        let output = explain(folder.path(), &code(&alert.alert));
        let page = text(&output.stdout);
        assert!(output.status.success(), "{page}{}", text(&output.stderr));
        for part in
            ["Cause", "Time line", "raised", "What to check next", "1. ", "Before anyone acts on this"]
        {
            assert!(page.contains(part), "{part}: {page}");
        }
        assert!(page.contains(if alert.open { "  open, " } else { "  closed, " }), "{page}");
        assert!(page.lines().all(|line| line.chars().count() <= 100), "a terminal shows it whole: {page}");
        drawn += usize::from(page.contains("\nRecording\n") && page.contains('*'));
    }
    assert!(drawn >= 3, "only {drawn} have a chart");
    let output = explain(folder.path(), "MP-99");
    assert!(!output.status.success() && text(&output.stderr).contains("MP-99"), "{}", text(&output.stderr));
}
