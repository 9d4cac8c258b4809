//! Meters that describe themselves as SunSpec says: registers encoded by pysunspec2, served by pymodbus, read by the
//! real binary without a map. The numbers are those of a load on T2 of Larkspur Cannery, with other digits in each value.

use kvarden_core::measurand::Quantity;
use kvarden_tests::modbus_server::{Pymodbus, part, python};
use kvarden_tests::program::{Daemon, PATIENCE, kvarden, text};
use kvarden_tests::site::Site;
use kvarden_tests::wait::{run_to_end, wait_for};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::process::Command;

/// The registers of a device with these models, as pysunspec2 encodes them.
fn encoded(models: &Value) -> Vec<u16> {
    let output = run_to_end(python("sunspec2").arg(part("sunspec_registers.py")).arg(models.to_string()));
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("a list of registers")
}

fn serve(base: u16, models: &Value) -> Pymodbus {
    Pymodbus::start(&json!({ "holding": [[base, "words", encoded(models)]] }))
}

fn common() -> Value {
    json!([1, { "Mn": "Larkspur Works", "Md": "Kettle 3", "Vr": "1.7", "SN": "K-0042", "DA": 1 }])
}

/// What a meter with this configuration gives, by the names of its quantities.
fn read(port: u16, modbus: &str) -> BTreeMap<String, f64> {
    let config = format!(
        "\n[[meter]]\nname = \"T2 secondary\"\nmeasures = {{ transformer = \"T2\" }}\nfrozen_after = \"never\"\n\
         modbus = {{ address = \"127.0.0.1:{port}\", unit = 1, every = \"200ms\", {modbus} }}\n"
    );
    let site = Site::new(&config, &[]);
    let daemon = Daemon::watching(&site);
    wait_for("readings", PATIENCE, || (daemon.status().readings >= 3).then_some(()));
    let troubles = daemon.status().meters[0].troubles.clone();
    assert!(troubles.is_empty(), "{troubles:?}");
    daemon.stop();
    let points: Vec<Quantity> = site.configuration().plant.meters[0].points.clone();
    let last = site.readings().pop().expect("readings came");
    points.iter().zip(last).filter_map(|(point, value)| Some((point.to_string(), value?))).collect()
}

fn check(got: &BTreeMap<String, f64>, expected: &[(&str, f64)]) {
    let expected: BTreeMap<String, f64> =
        expected.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect();
    let names = |map: &BTreeMap<String, f64>| map.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(got), names(&expected));
    for (name, want) in &expected {
        assert!((got[name] - want).abs() <= 1e-6 * want.abs(), "{name}: {} for {want}", got[name]);
    }
}

#[test]
fn a_wye_meter_of_whole_numbers_is_read_with_its_scale_registers() {
    let values = json!({
        "A": 4170, "AphA": 1391, "AphB": 1402, "AphC": 1377, "A_SF": -1,
        "PhV": 1201, "PhVphA": 1203, "PhVphB": 1198, "PhVphC": 1205, "PPV": 2081, "PhVphAB": 2079, "PhVphBC": 2084,
        "PhVphCA": 2077, "V_SF": -1, "Hz": 6001, "Hz_SF": -2, "W": -4512, "W_SF": 1, "VA": 5013, "VA_SF": 1,
        "PF": -901, "PF_SF": -1, "TotWhExp": 0, "TotWhImp": 123_456_789, "TotWh_SF": 1,
    });
    let server = serve(40_000, &json!([common(), [203, values]]));
    let got = read(
        server.port(),
        "sunspec = 203, also = [\"apparent_power_va\", \"power_factor\", \"reactive_power_var\"]",
    );
    check(
        &got,
        &[
            ("current_a.A", 139.1),
            ("current_a.B", 140.2),
            ("current_a.C", 137.7),
            ("voltage_ln_v.A", 120.3),
            ("voltage_ln_v.B", 119.8),
            ("voltage_ln_v.C", 120.5),
            ("voltage_ll_v.AB", 207.9),
            ("voltage_ll_v.BC", 208.4),
            ("voltage_ll_v.CA", 207.7),
            ("frequency_hz", 60.01),
            ("power_w", -45_120.0),
            ("apparent_power_va", 50_130.0),
            // In percent before scaling; what was given back never moved, and reactive power is not implemented.
            ("power_factor", -0.901),
            ("energy_import_wh", 1_234_567_890.0),
        ],
    );
    assert!(server.functions().iter().all(|function| *function == 3), "only reads");
}

#[test]
fn a_wye_meter_in_floating_point_is_read_wherever_it_stands() {
    let values = json!({
        "A": 417.0, "AphA": 139.12, "AphB": 140.25, "AphC": 137.5, "PhV": 120.1, "PhVphA": 120.31, "PhVphB": 119.84,
        "PhVphC": 120.53, "PPV": 208.1, "PPVphAB": 207.94, "PPVphBC": 208.42, "PPVphCA": 207.71, "Hz": 59.98,
        "W": 45_120.5, "VA": 50_133.9, "PF": 0.9, "TotWhExp": 17.0, "TotWhImp": 9_876_543.0,
    });
    // Off by one, as some devices are.
    let server = serve(40_001, &json!([common(), [213, values]]));
    let got = read(server.port(), "sunspec = 213, also = [\"apparent_power_va\", \"power_factor\"]");
    check(
        &got,
        &[
            ("current_a.A", 139.12),
            ("current_a.B", 140.25),
            ("current_a.C", 137.5),
            ("voltage_ln_v.A", 120.31),
            ("voltage_ln_v.B", 119.84),
            ("voltage_ln_v.C", 120.53),
            ("voltage_ll_v.AB", 207.94),
            ("voltage_ll_v.BC", 208.42),
            ("voltage_ll_v.CA", 207.71),
            ("frequency_hz", 59.98),
            ("power_w", 45_120.5),
            ("apparent_power_va", 50_133.9),
            ("power_factor", 0.9),
            ("energy_export_wh", 17.0),
            ("energy_import_wh", 9_876_543.0),
        ],
    );
}

#[test]
fn single_split_and_delta_meters_give_what_such_a_circuit_has() {
    let of = json!({
        "A": 31, "AphA": 16, "AphB": 15, "AphC": 14, "A_SF": 0, "PhV": 120, "PhVphA": 121, "PhVphB": 119,
        "PPV": 240, "PhVphAB": 241, "PhVphBC": 239, "PhVphCA": 238, "V_SF": 0, "Hz": 60, "Hz_SF": 0,
        "W": 71, "W_SF": 2, "TotWhExp": 3, "TotWhImp": 9, "TotWh_SF": 3,
    });
    let rest = [
        ("energy_export_wh", 3000.0),
        ("energy_import_wh", 9000.0),
        ("frequency_hz", 60.0),
        ("power_w", 7100.0),
    ];
    let single = [("current_a.A", 16.0)];
    let split = [
        ("current_a.A", 16.0),
        ("current_a.B", 15.0),
        ("voltage_ll_v.AB", 241.0),
        ("voltage_ln_v.A", 121.0),
        ("voltage_ln_v.B", 119.0),
    ];
    let delta = [
        ("current_a.A", 16.0),
        ("current_a.B", 15.0),
        ("current_a.C", 14.0),
        ("voltage_ll_v.AB", 241.0),
        ("voltage_ll_v.BC", 239.0),
        ("voltage_ll_v.CA", 238.0),
    ];
    // The standard names the voltages between lines of model 201 as those of the float models.
    let mut of_single = of.clone();
    let fields = of_single.as_object_mut().expect("points by name");
    fields.retain(|name, _| {
        !name.starts_with("PhVphAB") && !name.starts_with("PhVphBC") && !name.starts_with("PhVphCA")
    });
    for (model, own) in [(201, &single[..]), (202, &split), (204, &delta)] {
        let points = if model == 201 { &of_single } else { &of };
        let server = serve(50_000, &json!([common(), [model, points]]));
        check(&read(server.port(), &format!("sunspec = {model}")), &[own, &rest].concat());
    }
    let of = json!({
        "A": 31.5, "AphA": 16.25, "AphB": 15.5, "AphC": 14.75, "PhV": 120.5, "PhVphA": 121.5, "PhVphB": 119.5,
        "PPV": 240.5, "PPVphAB": 241.5, "PPVphBC": 239.5, "PPVphCA": 238.5, "Hz": 60.5, "W": 7100.5,
        "TotWhExp": 3000.0, "TotWhImp": 9000.0,
    });
    let rest = [
        ("energy_export_wh", 3000.0),
        ("energy_import_wh", 9000.0),
        ("frequency_hz", 60.5),
        ("power_w", 7100.5),
    ];
    let single = [("current_a.A", 16.25)];
    let split = [
        ("current_a.A", 16.25),
        ("current_a.B", 15.5),
        ("voltage_ll_v.AB", 241.5),
        ("voltage_ln_v.A", 121.5),
        ("voltage_ln_v.B", 119.5),
    ];
    let delta = [
        ("current_a.A", 16.25),
        ("current_a.B", 15.5),
        ("current_a.C", 14.75),
        ("voltage_ll_v.AB", 241.5),
        ("voltage_ll_v.BC", 239.5),
        ("voltage_ll_v.CA", 238.5),
    ];
    for (model, own) in [(211, &single[..]), (212, &split), (214, &delta)] {
        let server = serve(0, &json!([common(), [model, of]]));
        check(&read(server.port(), &format!("sunspec = {model}")), &[own, &rest].concat());
    }
}

#[test]
fn a_look_shows_the_device_its_values_and_the_line_to_write() {
    let values = json!({
        "A": 4170, "AphA": 1391, "AphB": 1402, "AphC": 1377, "A_SF": -1, "PhVphA": 1203, "PhVphB": 1198, "PhVphC": 1205,
        "V_SF": -1, "Hz": 6001, "Hz_SF": -2, "W": 4512, "W_SF": 1, "VA": 5013, "VA_SF": 1, "PF": 901, "PF_SF": -1,
        "TotWhExp": 0, "TotWhImp": 1234, "TotWh_SF": 1,
    });
    let server = serve(40_000, &json!([common(), [203, values]]));
    let address = format!("127.0.0.1:{}", server.port());
    let output = run_to_end(Command::new(kvarden()).args(["look", &address, "--unit", "1"]));
    let page = text(&output.stdout);
    assert!(output.status.success(), "{page}{}", text(&output.stderr));
    for line in [
        "It says of itself: maker Larkspur Works, model Kettle 3, version 1.7, serial number K-0042",
        "  model 203 at 40070, 105 registers: three-phase meter, wye",
        "  current_a.A                  139.1 A",
        "  voltage_ll_v.AB              no value, though every such meter should have one",
        "  reactive_power_var           not given",
        "  power_factor                 0.90",
    ] {
        assert!(page.contains(line), "{line}\n{page}");
    }
    let modbus = page.lines().find(|line| line.starts_with("modbus = ")).expect("a line to write");
    assert!(
        modbus.ends_with("sunspec = 203, also = [\"apparent_power_va\", \"power_factor\"] }"),
        "{modbus}"
    );
    // The line is one that the configuration takes.
    let config =
        format!("\n[[meter]]\nname = \"T2 secondary\"\nmeasures = {{ transformer = \"T2\" }}\n{modbus}\n");
    Site::new(&config, &[]).configuration();
    assert!(server.functions().iter().all(|function| *function == 3), "only reads");
}

#[test]
fn a_look_at_nothing_says_what_to_check() {
    let address = format!("127.0.0.1:{}", kvarden_tests::wait::free_port());
    let output = run_to_end(Command::new(kvarden()).args(["look", &address]));
    assert!(!output.status.success());
    let told = text(&output.stderr);
    assert!(told.contains("no connection; check the address and port"), "{told}");
}
