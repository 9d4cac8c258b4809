//! Nameplates, supply voltage and events.

use super::{Area, Case, one};
use kvarden_core::electrical::ratings::{
    SERVICE_VOLTAGE, VoltageRange, rated_current_single_phase, rated_current_three_phase,
};
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[("rated_current_3ph", 2), ("rated_current_1ph", 1), ("c84_range", 3)],
    later: &[
        "ambient_altitude_capacity",
        "event_class",
        "fault_current_3ph",
        "insulation_budget",
        "rms_aggregate",
    ],
    got,
};

fn got(case: &Case) -> Option<Table> {
    Some(match case.quantity.as_str() {
        "rated_current_3ph" => {
            one("amps", rated_current_three_phase(case.number("kva"), case.number("v_ll")))
        }
        "rated_current_1ph" => {
            one("amps", rated_current_single_phase(case.number("kva"), case.number("volts")))
        }
        "c84_range" => {
            // The cases are of the service voltage, as their sources say.
            let range = SERVICE_VOLTAGE.range_of(case.number("volts"), case.number("nominal"));
            let word = range.map_or("absent", |range| match range {
                VoltageRange::A => "A",
                VoltageRange::B => "B",
                VoltageRange::Outside => "outside",
            });
            Table::from_iter([("range".to_owned(), word.into())])
        }
        _ => return None,
    })
}
