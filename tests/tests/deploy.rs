//! What is shipped in `deploy/`: the service unit is as closed as systemd itself measures, and the first configuration
//! is read without a problem and shows the whole nameplate.

use kvarden_core::plan::Plan;
use kvarden_tests::wait::run_to_end;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The most exposure that the unit may have, in tenths, as `systemd-analyze security` counts it.
const MOST_EXPOSURE: &str = "10";

fn shipped(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy").join(name)
}

/// What systemd itself says of the unit. Seen to fail without `IPAddressDeny=`, and that of its settings below without
/// `UMask=`.
#[test]
fn the_unit_is_as_closed_as_systemd_can_tell() {
    let mut ask = Command::new("systemd-analyze");
    ask.args(["security", "--offline=true", &format!("--threshold={MOST_EXPOSURE}")])
        .arg(shipped("kvarden.service"));
    let here = Command::new("systemd-analyze").arg("--version").output().is_ok();
    assert!(here, "systemd-analyze is not on this machine: run tests/install-parts.sh (package systemd)");
    let said = run_to_end(&mut ask);
    let table = String::from_utf8_lossy(&said.stdout);
    assert!(said.status.success(), "the unit is open further than {MOST_EXPOSURE} tenths:\n{table}");
    assert!(table.contains("Overall exposure level"), "systemd-analyze measured nothing:\n{table}");
}

/// The value of each setting of the unit, in order.
fn settings(unit: &str) -> Vec<(&str, &str)> {
    unit.lines().filter(|line| !line.starts_with('#')).filter_map(|line| line.split_once('=')).collect()
}

#[test]
fn the_unit_may_write_one_folder_and_speak_over_ip_and_its_own_socket() {
    let unit = std::fs::read_to_string(shipped("kvarden.service")).unwrap();
    let settings = settings(&unit);
    let all = |key: &str| -> Vec<&str> {
        settings.iter().filter(|(known, _)| *known == key).map(|(_, value)| *value).collect()
    };
    assert_eq!(all("StateDirectory"), ["kvarden"], "the one folder");
    assert_eq!(all("ProtectSystem"), ["strict"], "all else is read-only");
    for other in
        ["ReadWritePaths", "CacheDirectory", "LogsDirectory", "ConfigurationDirectory", "RuntimeDirectory"]
    {
        assert!(all(other).is_empty(), "{other} opens another folder");
    }
    assert_eq!(all("RestrictAddressFamilies"), ["AF_INET AF_INET6 AF_UNIX"]);
    assert_eq!(all("UMask"), ["0077"]);
    assert_eq!(all("SystemCallFilter"), ["@system-service", "~@privileged @resources"]);
    assert_eq!(all("CapabilityBoundingSet"), [""]);
    assert_eq!(all("ExecStart"), ["/usr/local/bin/kvarden run /etc/kvarden/kvarden.toml"]);
    assert_eq!(all("ExecReload"), ["/usr/local/bin/kvarden reload --config /etc/kvarden/kvarden.toml"]);
}

#[test]
fn the_first_configuration_is_good_and_shows_the_whole_nameplate() {
    let path = shipped("kvarden.toml");
    let (configuration, problems) = kvarden_config::load(&path);
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    let configuration = configuration.unwrap();
    let plan = Plan::new(&configuration.plant).unwrap();
    let page = kvarden::check::page(&configuration, &plan);
    assert!(
        page.contains("call: Electrical shop, extension 204") && page.contains("Utility (utility)"),
        "{page}"
    );
    // Nothing that it keeps lies outside the folder that the service may write.
    assert!(configuration.store.folder.starts_with("/var/lib/kvarden"));
    assert!(configuration.digest.folder.starts_with("/var/lib/kvarden"));
    assert!(configuration.tell.file.as_ref().unwrap().starts_with("/var/lib/kvarden"));
    let text = std::fs::read_to_string(path).unwrap();
    let transformer =
        kvarden_config::SECTIONS.iter().find(|section| section.name == "[[transformer]]").unwrap();
    // A plain transformer has its kind and phases from its sides; this one stands alone, within the building.
    let others = ["kind", "phases", "parallel_with", "point_of_common_coupling"];
    for key in transformer.keys.iter().filter(|key| !others.contains(key)) {
        assert!(text.contains(&format!("\n{key} = ")), "`{key}` of the nameplate is not shown");
    }
}
