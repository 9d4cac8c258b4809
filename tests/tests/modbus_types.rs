//! All kinds of numbers in all orders, packed by Python's struct and served by pymodbus, read by the real binary; and
//! coils, discrete inputs, bit fields, scale registers and blocks of harmonics.

use kvarden_tests::modbus_server::{Pymodbus, part, python};
use kvarden_tests::program::{Daemon, PATIENCE, text};
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::{run_to_end, wait_for};
use serde_json::{Value, json};

const WORD_ORDERS: [&str; 4] = ["high first", "low first", "low first in pairs", "low pair first"];
const BYTE_ORDERS: [&str; 2] = ["high first", "low first"];

/// No number is the same in any wrong order: each of its bytes is another one.
fn numbers() -> Vec<(&'static str, Value)> {
    vec![
        ("u16", json!(0xA1B2)),
        ("i16", json!(-0x5E4D)),
        ("u32", json!(0xA1B2_C3D4_u32)),
        ("i32", json!(-0x5E4D_3C2B)),
        ("f32", json!(-238.39)),
        ("u64", json!(0x0002_B3C4_D5E6_F708_u64)),
        ("i64", json!(-0x0002_B3C4_D5E6_F708_i64)),
        ("f64", json!(-1_234.567_8)),
    ]
}

fn packed(cases: &[Value]) -> Vec<Vec<u16>> {
    let output = run_to_end(python("struct").arg(part("packed_registers.py")).arg(json!(cases).to_string()));
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("lists of registers")
}

fn config(port: u16) -> String {
    format!(
        r#"
[[meter]]
name = "T2 secondary"
measures = {{ transformer = "T2", side = "secondary" }}
modbus = {{ address = "127.0.0.1:{port}", unit = 1, map = "maps/t2.toml", every = "200ms" }}
frozen_after = "never"
"#
    )
}

/// Reads a server through a map with the real daemon; gives the values of its readings, in the order of the map's
/// points, and the functions that the server was asked.
fn read(registers: &Value, map: &str) -> (Vec<Vec<Option<f64>>>, Vec<u8>) {
    let server = Pymodbus::start(registers);
    let site = Site::new(&config(server.port()), &[("maps/t2.toml", map)]);
    let daemon = Daemon::watching(&site);
    wait_for("readings", PATIENCE, || (daemon.status().readings >= 3).then_some(()));
    let troubles = daemon.status().meters[0].troubles.clone();
    assert!(troubles.is_empty(), "{troubles:?}");
    daemon.stop();
    (site.readings(), server.functions())
}

#[test]
fn every_kind_in_every_order_is_read_as_another_language_packs_it() {
    let mut cases = Vec::new();
    for (kind, value) in numbers() {
        for words in WORD_ORDERS {
            cases.extend(BYTE_ORDERS.map(|bytes| json!([kind, value, words, bytes])));
        }
    }
    let packed = packed(&cases);
    for (case, registers) in cases.iter().zip(&packed) {
        let same = |other: &&[u16]| *other == registers.as_slice();
        let twins = packed.iter().map(Vec::as_slice).filter(same).count();
        // Of one register there is one order of words, of two there are two.
        let expected = [4, 2, 0, 1][registers.len() - 1];
        assert_eq!(twins, expected, "{case} would not show a wrong order");
    }
    let (mut map, mut blocks, mut address) = (String::new(), Vec::new(), 100);
    for (nth, (case, registers)) in cases.iter().zip(&packed).enumerate() {
        let place = ["A", "B"][nth / 50];
        let (kind, words, bytes) = (&case[0], &case[2], &case[3]);
        let lines = format!(
            "order = {}\naddress = {address}\nkind = {kind}\nword_order = {words}\nbyte_order = {bytes}",
            nth % 50 + 1
        );
        map.push_str(&point(&format!("voltage_harmonic_v.{place}"), &lines));
        blocks.push(json!([address, "words", registers]));
        address += registers.len();
    }
    let (readings, functions) = read(&json!({ "holding": blocks }), &map);
    for values in readings {
        for (case, got) in cases.iter().zip(values) {
            let meant = case[1].as_f64().expect("a number");
            let meant = if case[0] == "f32" { f64::from(meant as f32) } else { meant };
            assert_eq!(got, Some(meant), "{case}");
        }
    }
    assert!(functions.iter().all(|function| *function == 3), "{functions:?}");
}

#[test]
fn bits_scale_registers_and_blocks_are_read_and_only_by_functions_that_read() {
    let map = [
        point("fan_running", "registers = \"coils\"\naddress = 19"),
        point("breaker_closed", "registers = \"discrete inputs\"\naddress = 7\nscale = -1\noffset = 1"),
        point("generator_running", "registers = \"input\"\naddress = 5\nkind = \"u16\"\nbit = 3"),
        point("transfer_to_emergency", "registers = \"input\"\naddress = 5\nkind = \"u16\"\nbit = 4"),
        point("current_a.A", "address = 10\nkind = \"i16\"\nscale_register = { address = 11 }"),
        point("current_a.B", "address = 12\nkind = \"i16\"\nscale_register = { address = 900 }"),
        point(
            "voltage_ll_v.AB",
            "address = 13\nkind = \"u16\"\nscale = 0.1\nscale_register = { address = 14, kind = \"f32\", says = \"factor\" }",
        ),
        point("power_w", "address = 20\nkind = \"i32\"\nabsent = [-2147483648]"),
        point("power_factor", "address = 22\nkind = \"f32\"\nabsent = [-9999.0]"),
        point(
            "current_harmonic_percent.A",
            "orders = [3, 7]\norders_by = 2\nstep = 2\naddress = 30\nkind = \"u16\"\nscale = 0.01",
        ),
    ];
    let registers = json!({
        "coils": [[18, 0], [19, 1], [20, 0]],
        "discrete": [[6, 1], [7, 0], [8, 1]],
        "input": [[5, "uint16", 0b0000_1000]],
        "holding": [
            [10, "int16", -1234], [11, "int16", -1], [12, "int16", 77], [13, "uint16", 2080], [14, "float32", 1.5],
            [20, "int32", -2_147_483_648_i64], [22, "float32", -9999.0],
            [30, "uint16", 310], [32, "uint16", 520], [34, "uint16", 730], [900, "int16", 1],
        ],
    });
    let (readings, functions) = read(&registers, &map.concat());
    for values in readings {
        let expected = [1.0, 1.0, 1.0, 0.0, -123.4, 770.0].map(Some).into_iter().chain([
            Some(2080.0 * 1.5 * 0.1),
            None,
            None,
        ]);
        let harmonics = [310.0, 520.0, 730.0].map(|raw| Some(raw * 0.01));
        assert_eq!(values, expected.chain(harmonics).collect::<Vec<_>>());
    }
    for function in 1..=4 {
        assert!(functions.contains(&function), "{function} was asked: {functions:?}");
    }
    assert!(functions.iter().all(|function| (1..=4).contains(function)), "only reads: {functions:?}");
}
