//! Harmonics.

use super::{Area, Case, one};
use kvarden_core::electrical::distortion::{self, Orders};
use kvarden_core::electrical::expected_neutral as neutral;
use kvarden_core::electrical::loss::{self, Loss, TestReport};
use kvarden_core::electrical::permissible::{Bounded, LiquidUnit, Weights};
use kvarden_core::electrical::spectrum::{Sequence, Spectrum, six_pulse_ideal_percent};
use kvarden_core::electrical::standard::{CurrentLimits, Edition, percentile};
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[
        ("current_limit_519", 3),
        ("eddy_loss_split", 1),
        ("factor_k_eu", 1),
        ("harmonic_loss_factor", 3),
        ("harmonic_sequence", 3),
        ("k_factor", 2),
        ("liquid_with_harmonics", 1),
        ("max_current_dry", 2),
        ("neutral_with_harmonics", 2),
        ("percentile_rank", 2),
        ("six_pulse_ideal", 1),
        ("tdd", 1),
        ("thd", 3),
    ],
    later: &[],
    got,
};

fn got(case: &Case) -> Option<Table> {
    Some(match case.quantity.as_str() {
        "thd" => {
            let spectrum = case.spectrum();
            many([
                ("thd_pct", distortion::percent(&spectrum, Orders::All, 0.0).ok()),
                ("total_rms", distortion::total(&spectrum).ok()),
                ("distortion_pf", distortion::distortion_factor(&spectrum).ok()),
            ])
        }
        "tdd" => {
            let harmonics = distortion::amount(&case.spectrum(), Orders::All);
            one(
                "tdd_pct",
                harmonics.and_then(|amps| distortion::demand_percent(amps, case.number("i_l"))).ok(),
            )
        }
        "current_limit_519" => {
            let row = CurrentLimits::for_ratio(case.number("isc_over_il"));
            let order = case.number("order") as u8;
            many([
                ("harmonic_pct", row.and_then(|row| row.order_percent(order, Edition::Y2014))),
                ("tdd_pct", row.map(|row| row.tdd)),
            ])
        }
        "percentile_rank" => {
            let mut values = if case.inputs.contains_key("ramp_to") {
                (1..=case.number("ramp_to") as i64).map(|value| value as f64).collect()
            } else {
                case.numbers("values")
            };
            one("value", percentile(&mut values, case.number("p")))
        }
        "harmonic_sequence" => {
            let word =
                Sequence::of_order(case.number("order") as u8).map_or("absent", |sequence| match sequence {
                    Sequence::Positive => "positive",
                    Sequence::Negative => "negative",
                    Sequence::Zero => "zero",
                });
            Table::from_iter([("sequence".to_owned(), word.into())])
        }
        "six_pulse_ideal" => one("pct", six_pulse_ideal_percent(case.number("order") as u8)),
        "neutral_with_harmonics" => {
            let spectrum = case.spectrum();
            let (neutral, phase) = (neutral::balanced(&spectrum).ok(), distortion::total(&spectrum).ok());
            let ratio = neutral.zip(phase).map(|(neutral, phase)| neutral / phase);
            many([("neutral", neutral), ("phase", phase), ("ratio", ratio)])
        }
        "harmonic_loss_factor" => {
            let weights = case.weights();
            many([
                ("f_hl", weights.map(|both| both.eddy)),
                ("f_hl_str", weights.map(|both| both.other_stray)),
            ])
        }
        "k_factor" => one("k", loss::k_factor(&case.spectrum(), case.number("i_rated")).ok()),
        "factor_k_eu" => {
            let factor = loss::european_factor(&case.spectrum(), case.number("e"), case.number("q"));
            one("factor", factor.ok())
        }
        "max_current_dry" => {
            let (weights, unit) = (case.weights(), Bounded::Dry { eddy_pu: case.number("p_ec_r") });
            let permissible = weights.and_then(|weights| unit.permissible_pu(weights).ok());
            many([("f_hl", weights.map(|both| both.eddy)), ("i_max_pu", permissible)])
        }
        "eddy_loss_split" => {
            let report = TestReport {
                load_loss_w: case.number("load_loss_w"),
                outer: (case.number("i1"), case.number("r1_ohm")),
                inner: (case.number("i2"), case.number("r2_ohm")),
                turns_ratio: case.number("turns_ratio"),
                three_phases: true,
                eddy_part: case.number("eddy_share"),
            };
            let split = loss::split(&report).ok();
            many([
                ("copper_w", split.map(|split| split.copper_w)),
                ("stray_w", split.map(|split| split.stray_w)),
                ("p_ec_w", split.map(|split| split.eddy_w)),
                ("p_osl_w", split.map(|split| split.other_stray_w)),
                ("max_p_ec_r_pu", split.map(|split| split.hottest_eddy_pu)),
            ])
        }
        "liquid_with_harmonics" => {
            let unit = LiquidUnit {
                eddy_pu: case.number("p_ec_r"),
                other_stray_pu: case.number("p_osl_r"),
                loss_ratio: case.number("r_loss_ratio"),
                top_oil_rise_k: case.number("top_oil_r"),
                gradient_k: case.number("gradient_r"),
            };
            let current = distortion::total(&case.spectrum()).ok();
            let rises =
                current.zip(case.weights()).and_then(|(current, both)| unit.rises(current, both).ok());
            let ambient = case.number("ambient");
            many([
                ("i_rms_pu", current),
                ("p_ll_pu", rises.map(|rises| rises.load_loss_pu)),
                ("top_oil_rise", rises.map(|rises| rises.top_oil_rise_k)),
                ("gradient", rises.map(|rises| rises.gradient_k)),
                ("hot_spot", rises.map(|rises| ambient + rises.top_oil_rise_k + rises.gradient_k)),
            ])
        }
        _ => return None,
    })
}

fn many<const N: usize>(members: [(&str, Option<f64>); N]) -> Table {
    members.into_iter().flat_map(|(key, value)| one(key, value)).collect()
}

impl Case {
    /// The orders of a case are all that there are.
    fn spectrum(&self) -> Spectrum {
        let orders = self.numbers("orders").into_iter().map(|order| order as u8);
        Spectrum::whole(orders.zip(self.numbers("rms")))
    }

    fn weights(&self) -> Option<Weights> {
        let spectrum = self.spectrum();
        let of = |loss| loss::loss_factor(&spectrum, loss, 0.0).ok();
        Some(Weights { eddy: of(Loss::Eddy)?, other_stray: of(Loss::OtherStray)? })
    }
}
