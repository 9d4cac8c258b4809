//! Nameplates, supply voltage and events.

use super::{Area, Case, one};
use kvarden_core::electrical::events::{EventClass, rms_aggregate};
use kvarden_core::electrical::ratings::{
    SERVICE_VOLTAGE, VoltageRange, fault_current, hot_room_share, hot_spot_limit_c,
    rated_current_single_phase, rated_current_three_phase,
};
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[
        ("rated_current_3ph", 2),
        ("rated_current_1ph", 1),
        ("fault_current_3ph", 1),
        ("insulation_budget", 1),
        ("ambient_altitude_capacity", 1),
        ("c84_range", 3),
        ("event_class", 4),
        ("rms_aggregate", 1),
    ],
    later: &[],
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
        "fault_current_3ph" => {
            let rated = rated_current_three_phase(case.number("kva"), case.number("v_ll"));
            one("amps", rated.and_then(|rated| fault_current(rated, case.number("z_pct"))))
        }
        "insulation_budget" => {
            let allowance = case.number("hot_spot_allowance_k");
            let limit = hot_spot_limit_c(case.number("ambient_max_c"), case.number("rise_k"), allowance);
            one("hot_spot_limit_c", limit)
        }
        "ambient_altitude_capacity" => {
            let (ambient, altitude) = (case.number("ambient_avg_c"), case.number("altitude_m"));
            one("pu_kva", hot_room_share(ambient, altitude, case.number("pct_per_c")))
        }
        "event_class" => {
            let class = EventClass::of(case.number("retained_pu"), case.number("seconds"), case.number("hz"));
            let words = class.map_or("absent", EventClass::words);
            Table::from_iter([("category".to_owned(), words.into())])
        }
        "rms_aggregate" => one("value", rms_aggregate(&case.numbers("values"))),
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
