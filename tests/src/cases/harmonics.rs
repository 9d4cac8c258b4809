//! Harmonics.

use super::{Area, Case};
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[],
    later: &[
        "current_limit_519",
        "eddy_loss_split",
        "factor_k_eu",
        "harmonic_loss_factor",
        "harmonic_sequence",
        "k_factor",
        "max_current_dry",
        "neutral_with_harmonics",
        "percentile_rank",
        "six_pulse_ideal",
        "tdd",
        "thd",
    ],
    got,
};

fn got(case: &Case) -> Option<Table> {
    let _ = case;
    None
}
