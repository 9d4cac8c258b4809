//! A day at the cannery: what each scenario shows on the meters, and that one seed always tells one story.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use kvarden_demo::cannery::{METERS, meters_of};
use kvarden_demo::csvlog::write_logs;
use kvarden_demo::scenario::{Fault, Scenario};
use kvarden_demo::site::Site;
use kvarden_demo::work::Working;

/// Tuesday 2026-03-03, 11:00 in Denver.
const TUESDAY_11: i64 = 1_772_560_800_000;
const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;

fn site(faults: Vec<Scenario>) -> Site {
    Site::new(42, TUESDAY_11, Working::Calendar, faults)
}

fn value(site: &Site, meter: &str, key: &str, place: &str) -> f64 {
    let reading = site.reading(meter).unwrap_or_else(|| panic!("{meter} is silent"));
    reading.value(key, place).unwrap_or_else(|| panic!("{meter} gives no {key} {place}"))
}

fn unbalance(site: &Site, meter: &str, key: &str, places: [&str; 3]) -> f64 {
    let values = places.map(|place| value(site, meter, key, place));
    let mean = values.iter().sum::<f64>() / 3.0;
    100.0 * values.iter().map(|v| (v - mean).abs()).fold(0.0, f64::max) / mean
}

#[test]
fn a_healthy_working_hall_is_loaded_warm_and_even() {
    let site = site(vec![]);
    for phase in ["A", "B", "C"] {
        let volts = value(&site, "T2 secondary", "voltage_ln_v", phase);
        assert!((114.0..123.0).contains(&volts), "{phase}: {volts} V");
        let winding = value(&site, "T2 sensors", "winding_c", phase);
        assert!((60.0..115.0).contains(&winding), "{phase}: {winding} °C");
        let lug = value(&site, "T2 sensors", "termination_c", phase);
        assert!((30.0..60.0).contains(&lug), "{phase}: {lug} °C");
    }
    let kva = value(&site, "T2 secondary", "apparent_power_va", "") / 1000.0;
    assert!((42.0..62.0).contains(&kva), "{kva} kVA of 75");
    let kva = value(&site, "T1 secondary", "apparent_power_va", "") / 1000.0;
    assert!((25.0..80.0).contains(&kva), "{kva} kVA of 112.5");
    assert!(unbalance(&site, "T2 secondary", "voltage_ll_v", ["AB", "BC", "CA"]) < 0.8);
    let thd = value(&site, "T2 secondary", "voltage_thd_percent", "A");
    assert!((1.0..5.0).contains(&thd), "{thd} %");
    assert!((59.9..60.1).contains(&value(&site, "MP-1", "frequency_hz", "")));
}

#[test]
fn night_and_weekend_are_quiet() {
    let night = Site::new(42, TUESDAY_11 - 8 * HOUR, Working::Calendar, vec![]);
    let sunday = Site::new(42, TUESDAY_11 - 48 * HOUR, Working::Calendar, vec![]);
    let shift = Site::new(42, TUESDAY_11 - 8 * HOUR, Working::MidShift, vec![]);
    assert!(value(&night, "T2 secondary", "apparent_power_va", "") < 12_000.0);
    assert!(value(&sunday, "T2 secondary", "apparent_power_va", "") < 12_000.0);
    assert!(value(&shift, "T2 secondary", "apparent_power_va", "") > 40_000.0);
}

#[test]
fn feeders_add_up_to_their_transformer() {
    let site = site(vec![]);
    for (unit, feeders) in
        [("T1", vec!["OF-1", "CS-1"]), ("T2", vec!["MP-1", "MP-2", "MP-3", "MP-4", "MP-5"])]
    {
        let sum: f64 = feeders.iter().map(|f| value(&site, f, "power_w", "")).sum();
        let whole = value(&site, &format!("{unit} secondary"), "power_w", "");
        assert!(whole > sum && whole < 1.03 * sum, "{unit}: {whole} W against {sum} W");
    }
}

#[test]
fn overload_takes_t2_above_its_plate_and_leaves_t1_alone() {
    let fault = Fault::named("overload").unwrap().unwrap();
    let (healthy, over) = (site(vec![]), site(vec![Scenario::from(TUESDAY_11 - 4 * HOUR, fault)]));
    let kva = value(&over, "T2 secondary", "apparent_power_va", "") / 1000.0;
    assert!((80.0..105.0).contains(&kva), "{kva} kVA of 75");
    let hotter =
        value(&over, "T2 sensors", "winding_c", "A") - value(&healthy, "T2 sensors", "winding_c", "A");
    assert!(hotter > 50.0, "{hotter} K hotter");
    assert!(
        (value(&over, "T1 secondary", "power_w", "") - value(&healthy, "T1 secondary", "power_w", "")).abs()
            < 1.0
    );
}

#[test]
fn unbalance_loads_phase_c_and_the_neutral() {
    let fault = Fault::named("unbalance").unwrap().unwrap();
    let (healthy, uneven) = (site(vec![]), site(vec![Scenario::from(TUESDAY_11, fault)]));
    let currents = |site: &Site| unbalance(site, "T2 secondary", "current_a", ["A", "B", "C"]);
    assert!(currents(&healthy) < 8.0, "{}", currents(&healthy));
    assert!(currents(&uneven) > 30.0, "{}", currents(&uneven));
    assert!(value(&uneven, "T2 secondary", "neutral_current_a", "") > 60.0);
    assert!(value(&uneven, "T2 secondary", "current_a", "C") > 180.0);
}

#[test]
fn a_loose_phase_b_drops_at_mp_3_for_two_to_nine_seconds_and_not_at_mp_1() {
    let fault = Fault::LoosePhase { every_s: 45 };
    let mut site = site(vec![Scenario::from(TUESDAY_11 + MINUTE, fault)]);
    let lug_before = value(&site, "T2 sensors", "termination_c", "B");
    let (mut lengths, mut low) = (Vec::new(), 0);
    for second in 0..16 * 60 {
        let b = value(&site, "MP-3", "voltage_ln_v", "B");
        let others = value(&site, "MP-3", "voltage_ln_v", "A").min(value(&site, "MP-1", "voltage_ln_v", "B"));
        assert!(others > 112.0, "second {second}: {others} V");
        if b < 108.0 {
            assert!(second >= 60, "before the scenario begins");
            assert!(unbalance(&site, "MP-3", "voltage_ll_v", ["AB", "BC", "CA"]) > 3.0);
            low += 1;
        } else if low > 0 {
            lengths.push(low);
            low = 0;
        }
        site.advance(site.at() + 1000);
    }
    assert!((18..=21).contains(&lengths.len()), "{lengths:?}");
    assert!(lengths.iter().all(|seconds| (1..=10).contains(seconds)), "{lengths:?}");
    let warmer = value(&site, "T2 sensors", "termination_c", "B") - lug_before;
    let other =
        value(&site, "T2 sensors", "termination_c", "A") - value(&site, "T2 sensors", "termination_c", "C");
    assert!(warmer > 8.0, "termination B is {warmer} K warmer");
    assert!(other.abs() < 4.0, "A and C differ by {other} K");
}

#[test]
fn covered_vents_raise_all_three_windings_and_no_current() {
    let fault = Fault::named("blocked-cooling").unwrap().unwrap();
    let (healthy, covered) = (site(vec![]), site(vec![Scenario::from(TUESDAY_11 - 4 * HOUR, fault)]));
    for phase in ["A", "B", "C"] {
        let at = |site| value(site, "T2 sensors", "winding_c", phase);
        assert!(at(&covered) - at(&healthy) > 25.0, "{phase}: {} from {}", at(&covered), at(&healthy));
        let amperes = |site| value(site, "T2 secondary", "current_a", phase);
        assert!((amperes(&covered) - amperes(&healthy)).abs() < 0.5);
    }
    let t1 = |site| value(site, "T1 sensors", "winding_c", "A");
    assert!((t1(&covered) - t1(&healthy)).abs() < 0.5);
}

#[test]
fn a_silent_meter_gives_nothing_until_it_speaks_again() {
    let silent = Fault::Silent { meter: "MP-2".to_owned() };
    let mut site = site(vec![Scenario::between(TUESDAY_11 + MINUTE, TUESDAY_11 + 3 * MINUTE, silent)]);
    assert!(site.reading("MP-2").is_some());
    site.advance(TUESDAY_11 + 2 * MINUTE);
    assert!(site.reading("MP-2").is_none());
    assert_eq!(site.readings().len(), METERS.len() - 1);
    site.advance(TUESDAY_11 + 3 * MINUTE);
    assert_eq!(site.readings().len(), METERS.len());
}

#[test]
fn a_frozen_meter_repeats_itself_while_time_goes_on() {
    let frozen = Fault::Frozen { meter: "MP-5".to_owned() };
    let mut site = site(vec![Scenario::between(TUESDAY_11 + MINUTE, TUESDAY_11 + 3 * MINUTE, frozen)]);
    site.advance(TUESDAY_11 + MINUTE);
    let first = site.reading("MP-5").unwrap();
    let moving = site.reading("MP-4").unwrap();
    site.advance(TUESDAY_11 + 2 * MINUTE);
    let later = site.reading("MP-5").unwrap();
    assert_eq!(first.values, later.values);
    assert!(later.unix_ms > first.unix_ms);
    assert_ne!(moving.values, site.reading("MP-4").unwrap().values);
    site.advance(TUESDAY_11 + 4 * MINUTE);
    assert_ne!(first.values, site.reading("MP-5").unwrap().values);
}

fn logged(seed: u64, folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let fault = Scenario::from(TUESDAY_11, Fault::LoosePhase { every_s: 60 });
    let mut site = Site::new(seed, TUESDAY_11, Working::Calendar, vec![fault]);
    let logged = write_logs(folder, &mut site, &meters_of("T2"), TUESDAY_11 + HOUR, 10_000)
        .expect("the folder is there");
    assert_eq!((logged.files, logged.rows), (7, 7 * 360));
    let files =
        fs::read_dir(folder).expect("the folder is there").map(|entry| entry.expect("it can be read"));
    files
        .map(|file| {
            let name = file.file_name().into_string().expect("names are plain text");
            (name, fs::read(file.path()).expect("it can be read"))
        })
        .collect()
}

#[test]
fn one_seed_writes_the_same_bytes_and_another_seed_others() {
    let folders = [0, 1, 2].map(|_| tempfile::tempdir().unwrap());
    let first = logged(7, folders[0].path());
    assert_eq!(first.len(), 8);
    assert!(first == logged(7, folders[1].path()), "the same seed wrote other bytes");
    let other = logged(8, folders[2].path());
    assert!(first["mp-3.csv"] != other["mp-3.csv"]);
    assert_eq!(first["columns.toml"], other["columns.toml"]);
}

#[test]
fn a_log_has_a_column_for_each_line_of_its_description() {
    let folder = tempfile::tempdir().unwrap();
    let files = logged(7, folder.path());
    let described = String::from_utf8(files["columns.toml"].clone()).unwrap();
    for log in described.split("[[log]]").skip(1) {
        let file = log.split('"').nth(1).unwrap();
        let text = String::from_utf8(files[file].clone()).unwrap();
        let heads: Vec<&str> = text.lines().next().unwrap().split(',').collect();
        let named: Vec<&str> =
            log.split("\ncolumn = \"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
        assert_eq!(heads[0], "time");
        assert_eq!(heads[1..], named, "{file}");
        assert!(text.lines().all(|line| line.split(',').count() == heads.len()), "{file}");
    }
}

#[test]
fn an_unknown_meter_is_named_with_those_there_are() {
    let folder = tempfile::tempdir().unwrap();
    let error =
        write_logs(folder.path(), &mut site(vec![]), &["MP-9"], TUESDAY_11 + HOUR, 10_000).unwrap_err();
    assert!(error.to_string().contains("MP-9") && error.to_string().contains("MP-5"), "{error}");
}
