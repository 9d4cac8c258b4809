//! Unbalance, phasors and how a meter is wired.

use super::{Area, Case, one};
use kvarden_core::electrical::unbalance::largest_deviation_percent;
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[("unbalance_max_deviation", 4)],
    later: &[
        "delta_wye_relations",
        "motor_derating",
        "neutral_current",
        "sequence_components",
        "sequence_ratios",
        "unbalance_negative_ratio",
        "voltage_drop_phasor",
        "wiring_power",
    ],
    got,
};

fn got(case: &Case) -> Option<Table> {
    Some(match case.quantity.as_str() {
        "unbalance_max_deviation" => {
            let values = case.numbers("values");
            let values = <[f64; 3]>::try_from(values).expect("an unbalance is that of three values");
            one("pct", largest_deviation_percent(values, 0.0))
        }
        _ => return None,
    })
}
