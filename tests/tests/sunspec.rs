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

/// Energies of a wye meter by quadrant and by phase, each with digits of its own.
fn energies(names: impl Fn(&str) -> String) -> Value {
    let raw = [
        ("TotWhExp", 4000),
        ("TotWhExpPhA", 1100),
        ("TotWhExpPhB", 1200),
        ("TotWhExpPhC", 1700),
        ("TotWhImp", 90_000),
        ("TotWhImpPhA", 31_000),
        ("TotWhImpPhB", 29_500),
        ("TotWhImpPhC", 29_500),
        ("TotVAhExp", 777),
        ("TotVAhImp", 95_000),
        ("TotVAhImpPhA", 33_000),
        ("TotVAhImpPhB", 31_000),
        ("TotVAhImpPhC", 31_000),
        ("TotVArhImpQ1", 20_000),
        ("TotVArhImpQ1PhA", 7000),
        ("TotVArhImpQ1PhB", 6500),
        ("TotVArhImpQ1PhC", 6500),
        ("TotVArhImpQ2", 300),
        ("TotVArhImpQ2PhA", 110),
        ("TotVArhImpQ2PhB", 90),
        ("TotVArhImpQ2PhC", 100),
        ("TotVArhExpQ3", 50),
        ("TotVArhExpQ3PhA", 20),
        ("TotVArhExpQ3PhB", 17),
        ("TotVArhExpQ3PhC", 13),
        ("TotVArhExpQ4", 6000),
        ("TotVArhExpQ4PhA", 2100),
        ("TotVArhExpQ4PhB", 1900),
        ("TotVArhExpQ4PhC", 2000),
    ];
    raw.into_iter().map(|(name, value)| (names(name), json!(value))).collect()
}

/// What is taken is the first and the second quadrant, what is given back the third and the fourth, as the models name
/// them: imported Q1 and Q2, exported Q3 and Q4.
#[test]
fn reactive_energy_is_the_sum_of_its_quadrants_and_energies_come_by_phase() {
    let also = [
        "energy_export_wh",
        "energy_import_wh",
        "apparent_energy_vah",
        "reactive_energy_import_varh",
        "reactive_energy_export_varh",
    ];
    let phases = ["A", "B", "C"];
    let by_phase = also.iter().flat_map(|what| phases.map(|phase| format!("{what}.{phase}")));
    let names: Vec<String> = also[2..].iter().map(ToString::to_string).chain(by_phase).collect();
    let expected = [
        ("energy_export_wh", [4000.0, 1100.0, 1200.0, 1700.0]),
        ("energy_import_wh", [90_000.0, 31_000.0, 29_500.0, 29_500.0]),
        ("apparent_energy_vah", [95_000.0, 33_000.0, 31_000.0, 31_000.0]),
        ("reactive_energy_import_varh", [20_300.0, 7110.0, 6590.0, 6600.0]),
        ("reactive_energy_export_varh", [6050.0, 2120.0, 1917.0, 2013.0]),
    ];
    let mut whole = energies(str::to_owned);
    for (scale, power) in [("TotWh_SF", 0), ("TotVAh_SF", 1), ("TotVArh_SF", 2)] {
        whole[scale] = json!(power);
    }
    // The float models write the phase of a quadrant with a small letter.
    let float =
        energies(|name| if name.contains("VArh") { name.replace("Ph", "ph") } else { name.to_owned() });
    for (model, values, scales) in [(203, whole, [1.0, 10.0, 100.0]), (213, float, [1.0; 3])] {
        let server = serve(40_000, &json!([common(), [model, values]]));
        let got = read(server.port(), &format!("sunspec = {model}, also = {names:?}"));
        for (what, values) in expected {
            let scale = match what {
                "apparent_energy_vah" => scales[1],
                _ if what.starts_with("reactive") => scales[2],
                _ => scales[0],
            };
            let places = [String::new(), ".A".to_owned(), ".B".to_owned(), ".C".to_owned()];
            for (place, value) in places.iter().zip(values) {
                let name = format!("{what}{place}");
                assert_eq!(got.get(&name), Some(&(value * scale)), "{name} of model {model}");
            }
        }
        assert!(server.functions().iter().all(|function| *function == 3), "only reads");
    }
}

/// A quadrant that a float model calls not implemented makes the sum unknown: a part of it is not counted.
#[test]
fn a_sum_without_one_of_its_quadrants_is_no_value() {
    let values = json!({ "Hz": 60.0, "TotWhImp": 5.0, "TotVArhImpQ1": 20.0, "TotVArhExpQ3": 3.0, "TotVArhExpQ4": 4.0 });
    let server = serve(40_000, &json!([common(), [213, values]]));
    let got = read(
        server.port(),
        "sunspec = 213, also = [\"reactive_energy_import_varh\", \"reactive_energy_export_varh\"]",
    );
    check(&got, &[("frequency_hz", 60.0), ("energy_import_wh", 5.0), ("reactive_energy_export_varh", 7.0)]);
}

/// Two wye meters in one device, each behind a model 1 of its own, and a delta meter between them.
fn three_in_one() -> Value {
    let other =
        json!([1, { "Mn": "Larkspur Works", "Md": "Kettle 3", "Vr": "1.7", "SN": "K-0043", "DA": 1 }]);
    let wye = |amps: i32| json!([203, { "AphA": amps, "A_SF": -1, "Hz": 6000, "Hz_SF": -2 }]);
    let delta = json!([204, { "AphA": 444, "A_SF": 0, "Hz": 6000, "Hz_SF": -2 }]);
    json!([common(), wye(1391), delta, other, wye(272)])
}

#[test]
fn each_of_several_meters_in_one_device_is_read_by_its_number_the_first_if_none_is_said() {
    let server = serve(40_000, &three_in_one());
    let amps = |modbus: &str| read(server.port(), modbus)["current_a.A"];
    assert!((amps("sunspec = 203") - 139.1).abs() < 1e-9);
    assert!((amps("sunspec = 203, which = 1") - 139.1).abs() < 1e-9);
    assert!((amps("sunspec = 203, which = 2") - 27.2).abs() < 1e-9);
    assert!((amps("sunspec = 204") - 444.0).abs() < 1e-9);
}

#[test]
fn a_number_that_the_device_does_not_have_is_a_wrong_map_and_the_meters_beside_it_are_read() {
    let server = serve(40_000, &three_in_one());
    let meter = |name: &str, which: u8| {
        format!(
            "\n[[meter]]\nname = \"{name}\"\nmeasures = {{ transformer = \"T2\" }}\nfrozen_after = \"never\"\n\
             modbus = {{ address = \"127.0.0.1:{}\", every = \"200ms\", sunspec = 203, which = {which} }}\n",
            server.port()
        )
    };
    let site = Site::new(&[meter("first", 1), meter("second", 2), meter("third", 3)].concat(), &[]);
    let page = text(&run_to_end(Command::new(kvarden()).arg("check").arg(site.config())).stdout);
    for (name, which) in [("first", 1), ("second", 2), ("third", 3)] {
        let source = format!(
            "  {name} (Modbus TCP 127.0.0.1:{} unit 1, SunSpec model 203, number {which} of its kind in the device,",
            server.port()
        );
        assert!(page.contains(&source), "{source}\n{page}");
    }
    let daemon = Daemon::watching(&site);
    wait_for("two are read and the third is told of", PATIENCE, || {
        let meters = daemon.status().meters;
        let [first, second, third] = &meters[..] else { panic!("three meters: {meters:?}") };
        let missing = third.troubles.iter().any(|(what, _)| what == "SunSpec model not found");
        (first.readings >= 3 && second.readings >= 3 && missing).then_some(())
    });
    let third = &daemon.status().meters[2];
    assert_eq!(third.readings, 0);
    wait_for("its map is an alarm", PATIENCE, || {
        (!daemon.status().meters[2].in_trouble.is_empty()).then_some(())
    });
    daemon.stop();
}

#[test]
fn a_look_lists_every_meter_of_a_device_with_a_line_of_its_own() {
    let server = serve(40_000, &three_in_one());
    let address = format!("127.0.0.1:{}", server.port());
    let output = run_to_end(Command::new(kvarden()).args(["look", &address]));
    let page = text(&output.stdout);
    for line in [
        "  model 1 at 40002, 66 registers: what follows is of maker Larkspur Works, model Kettle 3, version 1.7, serial number K-0042",
        "  model 1 at 40284, 66 registers: what follows is of maker Larkspur Works, model Kettle 3, version 1.7, serial number K-0043",
        "Model 203 at 40070, number 1 of its kind, three-phase meter, wye",
        "Model 204 at 40177, three-phase meter, delta",
        "Model 203 at 40352, number 2 of its kind, three-phase meter, wye",
        "  current_a.A                  27.2 A",
    ] {
        assert!(page.contains(line), "{line}\n{page}");
    }
    let written: Vec<&str> = page.lines().filter(|line| line.starts_with("modbus = ")).collect();
    let ends = ["sunspec = 203, which = 1 }", "sunspec = 204 }", "sunspec = 203, which = 2 }"];
    assert_eq!(written.len(), ends.len(), "{page}");
    let meter = |(nth, (line, end)): (usize, (&&str, &str))| {
        assert!(line.ends_with(end), "{line}");
        format!("\n[[meter]]\nname = \"M{nth}\"\nmeasures = {{ transformer = \"T2\" }}\n{line}\n")
    };
    // Together they are a configuration that is taken.
    let config: String = written.iter().zip(ends).enumerate().map(meter).collect();
    Site::new(&config, &[]).configuration();
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
