//! What the simulator writes is what the configuration's readers take, without a single complaint.

use std::net::SocketAddr;

use kvarden_config::{load, load_columns, render};
use kvarden_demo::cannery::METERS;
use kvarden_demo::config_text::{Sources, write_configuration};
use kvarden_demo::csvlog::write_logs;
use kvarden_demo::site::Site;
use kvarden_demo::work::Working;

const START: i64 = 1_772_560_800_000;

#[test]
fn the_living_sites_configuration_and_maps_have_no_problem() {
    let folder = tempfile::tempdir().unwrap();
    let at = |port| SocketAddr::from(([127, 0, 0, 1], port));
    let sources = Sources::Live { modbus: at(15_020), broker: at(18_830) };
    let path = write_configuration(folder.path(), sources, "[tell]\nfile = \"alerts.jsonl\"").unwrap();
    let (configuration, problems) = load(&path);
    assert!(problems.is_empty(), "{}", render(&problems));
    assert!(configuration.is_some());
}

#[test]
fn logged_files_and_their_columns_fit_the_configuration_for_replay() {
    let folder = tempfile::tempdir().unwrap();
    let path = write_configuration(folder.path(), Sources::Logged, "").unwrap();
    let (configuration, problems) = load(&path);
    assert!(problems.is_empty(), "{}", render(&problems));
    let logs = folder.path().join("logs");
    let names: Vec<&str> = METERS.iter().map(|plan| plan.name).collect();
    let mut site = Site::new(5, START, Working::Calendar, vec![]);
    write_logs(&logs, &mut site, &names, START + 60_000, 10_000).unwrap();
    let plant = configuration.unwrap().plant;
    let (specs, problems) = load_columns(&logs.join("columns.toml"), &plant);
    assert!(problems.is_empty(), "{}", render(&problems));
    assert_eq!(specs.unwrap().len(), METERS.len());
}
