//! What only the disk can show: files that are not there, and a password file that is open to all.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]
#![cfg(unix)]

mod common;

use common::{MAIN, folder, good};
use kvarden_config::{load, load_columns, render};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

const COLUMNS: &str = include_str!("good/columns.toml");

/// The good files in a folder of their own, with the password file's mode.
fn site(mode: u32) -> tempfile::TempDir {
    let site = tempfile::tempdir().unwrap();
    fs::create_dir(site.path().join("maps")).unwrap();
    for name in ["maps/main-meter.toml", "maps/mp3.toml", "maps/heat.toml", "broker.secret"] {
        fs::copy(folder("good").join(name), site.path().join(name)).unwrap();
    }
    fs::write(site.path().join("kvarden.toml"), MAIN).unwrap();
    fs::set_permissions(site.path().join("broker.secret"), fs::Permissions::from_mode(mode)).unwrap();
    site
}

#[test]
fn a_good_site_loads_with_its_paths_under_its_folder() {
    let site = site(0o640);
    let (configuration, problems) = load(&site.path().join("kvarden.toml"));
    assert!(problems.is_empty(), "{}", render(&problems));
    let configuration = configuration.unwrap();
    assert_eq!(configuration.store.folder, site.path().join("data"));
    assert_eq!(configuration.plant.limits[0].origin, "kvarden.toml line 54");
    assert_eq!(configuration.broker.unwrap().password.unwrap().expose(), "correct horse");
}

#[test]
fn a_password_file_that_everyone_may_read_is_refused_and_not_shown() {
    let site = site(0o644);
    let (configuration, problems) = load(&site.path().join("kvarden.toml"));
    assert_eq!(configuration, None);
    let words = render(&problems);
    assert!(
        words.contains("every user of this machine may read the password file \"broker.secret\""),
        "{words}"
    );
    assert!(words.contains("chmod 640"), "{words}");
    assert!(!words.contains("correct horse") && !format!("{problems:?}").contains("correct horse"));
}

#[test]
fn a_main_file_that_is_not_there_is_a_problem_with_its_name() {
    let (configuration, problems) = load(Path::new("nowhere/kvarden.toml"));
    assert_eq!(configuration, None);
    let words = render(&problems);
    assert!(words.contains("nowhere/kvarden.toml can't be read: there is no such file"), "{words}");
    assert!(words.contains("help:"), "{words}");
}

#[test]
fn columns_are_found_in_their_folder_and_want_their_files() {
    let logs = tempfile::tempdir().unwrap();
    fs::write(logs.path().join("columns.toml"), COLUMNS).unwrap();
    let plant = good().plant;
    let (none, problems) = load_columns(logs.path(), &plant);
    assert_eq!(none, None);
    assert!(render(&problems).contains("there is no file \"T2.csv\""), "{}", render(&problems));
    fs::write(logs.path().join("T2.csv"), "time;Ua\n").unwrap();
    let (found, problems) = load_columns(&logs.path().join("columns.toml"), &plant);
    assert!(problems.is_empty(), "{}", render(&problems));
    assert_eq!(found.unwrap()[0].file, logs.path().join("T2.csv"));
}
