//! Fans on and off at several loads, on the stand: before fans the rise goes like load squared, in still air like its 1.6th
//! power, and the model must follow both.

use super::stand::{Into, Stand, Trouble};
use super::watch::{DAY, HOUR, THURSDAY, Watch, plant, side};
use kvarden_core::plant::{Cooling, Losses, SideOf, Target, Transformer, WiringForm};

const RISE_K: f64 = 115.0;
const ON_T2: Target = Target::Transformer(0, SideOf::Secondary);

/// Up to what fans allow, 4/3 of the rating, and back.
fn stairs(hour: f64) -> f64 {
    match hour {
        _ if !(4.0..22.0).contains(&hour) => 0.3,
        _ if hour < 7.0 => 0.6,
        _ if hour < 10.0 => 0.8,
        _ if hour < 13.0 => 1.0,
        _ if hour < 16.0 => 1.27,
        _ if hour < 19.0 => 0.9,
        _ => 0.6,
    }
}

#[test]
fn the_residual_stays_small_with_fans_on_and_off_at_every_load() {
    let transformer = Transformer {
        cooling: Cooling::DryFan,
        rated_rise_k: Some(RISE_K),
        insulation_class_c: Some(220),
        ..Transformer::new("T2", 75.0, side(480.0, WiringForm::Delta), side(208.0, WiringForm::Wye))
    };
    let into = Into::Air { rise_k: 0.97 * RISE_K, tau_min: 50.0 };
    let mut stand = Stand::new(into, |lines| lines.map(|line| line * line), 75_000.0 / 208.0 / 3f64.sqrt());
    stand.load = stairs;
    // Fans run from before the load that needs them until some time after it: 0.6 to 1.33 with, 0.3 and 0.6 without.
    stand.fans = Some((6.0, 20.5));
    let fails = THURSDAY + 6 * DAY + 14 * HOUR;
    stand.troubles = vec![(fails, fails + 2 * HOUR, Trouble::NoFans)];
    let sensors = "winding_c.A winding_c.B winding_c.C ambient_c fan_running";
    let meters =
        [("T2 secondary", ON_T2, "current_a.A current_a.B current_a.C"), ("T2 sensors", ON_T2, sensors)];
    let mut watch =
        Watch::new(stand, &plant(transformer, Vec::new(), &meters), THURSDAY).learned(THURSDAY + 4 * DAY);
    let all = "winding_residual_k.A winding_residual_k.B winding_residual_k.C fan_shortfall_k";
    let healthy = watch.until(fails, THURSDAY + 4 * DAY);
    healthy.only(all, &[]);
    let (coldest, warmest) = healthy.extremes["winding_expected_c.A"];
    assert!(warmest - coldest > 80.0, "the load made steps: {coldest} to {warmest} °C");
    let failed = watch.until(fails + 2 * HOUR, fails + HOUR);
    failed.only(all, &[("fan_shortfall_k", 0.25 * RISE_K)]);
}

/// Up to what its fans allow, 115 % of the rating, and back.
fn low_stairs(hour: f64) -> f64 {
    (stairs(hour) * 0.86).min(1.08)
}

/// The oil with its fans on and off, and without them at a load that needs them.
#[test]
fn the_oil_of_a_unit_with_fans_stays_near_what_is_expected_and_fans_that_stop_show() {
    let transformer = Transformer {
        cooling: Cooling::LiquidFan,
        rated_rise_k: Some(65.0),
        losses: Losses { no_load_w: Some(700.0), load_w: Some(3500.0), ..Losses::default() },
        ..Transformer::new("T2", 300.0, side(12_470.0, WiringForm::Delta), side(480.0, WiringForm::Wye))
    };
    let into = Into::Oil { oil_k: 53.0, spot_k: 24.0, ratio: 5.0 };
    let mut stand = Stand::new(into, |lines| lines.map(|line| line * line), 300_000.0 / 480.0 / 3f64.sqrt());
    stand.load = low_stairs;
    stand.fans = Some((9.0, 20.5));
    let fails = THURSDAY + 6 * DAY + 13 * HOUR;
    stand.troubles = vec![(fails, fails + 3 * HOUR, Trouble::NoFans)];
    let meters = [
        ("T2 secondary", ON_T2, "current_a.A current_a.B current_a.C"),
        ("T2 sensors", ON_T2, "top_oil_c ambient_c fan_running"),
    ];
    let mut watch =
        Watch::new(stand, &plant(transformer, Vec::new(), &meters), THURSDAY).learned(THURSDAY + 4 * DAY);
    let all = "top_oil_residual_k fan_shortfall_k";
    watch.until(fails, THURSDAY + 4 * DAY).only(all, &[]);
    watch.until(fails + 3 * HOUR, fails + 2 * HOUR).only(all, &[("fan_shortfall_k", 4.0)]);
}
