//! Temperatures and ageing of windings and oil.

use super::{Area, Case};
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[],
    later: &[
        "dry_ageing_rate",
        "dry_hot_spot_steady",
        "dry_hot_spot_step",
        "dry_life_hours",
        "dry_time_constant",
        "faa",
        "feqa",
        "iec_ageing_rate",
        "iec_difference",
        "iec_step",
        "liquid_steady",
        "liquid_step",
        "oil_time_constant",
    ],
    got,
};

fn got(case: &Case) -> Option<Table> {
    let _ = case;
    None
}
