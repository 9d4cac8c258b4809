//! Connections, demand and schedules of loads.

use super::{Area, Case};
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[],
    later: &[
        "allowed_temperature",
        "connection_resistance",
        "delta_t_corrected",
        "demand_block",
        "demand_factors",
        "demand_sliding",
        "load_schedule",
        "neta_ambient",
        "neta_similar",
    ],
    got,
};

fn got(case: &Case) -> Option<Table> {
    let _ = case;
    None
}
