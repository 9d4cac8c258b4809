//! Other ways to connect a unit, and a liquid-filled one, on the stand: healthy over load steps, then each fault.

use super::stand::{Heating, Into, Stand, Trouble};
use super::watch::{DAY, HOUR, Seen, THURSDAY, Watch, plant, side};
use kvarden_core::plant::{Cooling, Losses, SideOf, Target, Transformer, WiringForm};

const RISE_K: f64 = 115.0;
const DRY: Into = Into::Air { rise_k: 0.96 * RISE_K, tau_min: 46.0 };
const ON_T2: Target = Target::Transformer(0, SideOf::Secondary);

/// The day on which each fault stands, from its eighth hour to its twentieth.
const FAULTS: i64 = THURSDAY + 6 * DAY;

fn dry(kva: f64, primary: WiringForm, secondary: WiringForm) -> Transformer {
    Transformer {
        rated_rise_k: Some(RISE_K),
        insulation_class_c: Some(220),
        ..Transformer::new("T2", kva, side(480.0, primary), side(240.0, secondary))
    }
}

/// Faults, each on a day of its own, with the residuals that show it and how far.
type Faults<'a> = &'a [(Trouble, &'a [(&'a str, f64)])];

/// Four days of learning, two healthy days, then a day for each fault.
fn told(transformer: Transformer, mut stand: Stand, sensors: &str, all: &str, faults: Faults<'_>) {
    let line_currents = match transformer.secondary.form {
        WiringForm::SplitPhase => "current_a.A current_a.B",
        _ => "current_a.A current_a.B current_a.C",
    };
    let from = |day: usize| FAULTS + day as i64 * DAY + 8 * HOUR;
    stand.troubles = faults
        .iter()
        .enumerate()
        .map(|(day, (trouble, _))| (from(day), from(day) + 12 * HOUR, *trouble))
        .collect();
    let plant = plant(
        transformer,
        Vec::new(),
        &[("T2 secondary", ON_T2, line_currents), ("T2 sensors", ON_T2, sensors)],
    );
    let mut watch = Watch::new(stand, &plant, THURSDAY).learned(THURSDAY + 4 * DAY);
    let healthy: Seen = watch.until(FAULTS, THURSDAY + 4 * DAY);
    healthy.only(all, &[]);
    assert_eq!(healthy.raised, Vec::<String>::new());
    for (day, (_, own)) in faults.iter().enumerate() {
        // Hours of full load; then what was there before has gone by the next morning.
        let seen = watch.until(from(day) + 9 * HOUR, from(day) + 2 * HOUR);
        seen.only(all, own);
        watch.until(from(day + 1), from(day));
    }
}

/// In a closed delta without a neutral the lines tell what the windings carry: with `I_A + I_B + I_C = 0` and no current going
/// round, `I_AB = (I_A − I_B)/3`, so `|I_AB|² = (2·I_A² + 2·I_B² − I_C²)/9`, and rated it is a third of the line's square
/// (textbook).
const CLOSED_DELTA: Heating = |lines| {
    let [a, b, c] = lines.map(|line| line * line);
    [(2.0 * a + 2.0 * b - c) / 3.0, (2.0 * b + 2.0 * c - a) / 3.0, (2.0 * c + 2.0 * a - b) / 3.0]
};

const SENSORS: &str =
    "winding_c.A winding_c.B winding_c.C termination_c.A termination_c.B termination_c.C ambient_c";
const ALL: &str = "winding_residual_k.A winding_residual_k.B winding_residual_k.C termination_excess_k.A \
    termination_excess_k.B termination_excess_k.C";

#[test]
fn a_delta_tells_a_blocked_vent_a_hot_winding_and_a_hot_lug_apart() {
    let windings =
        [("winding_residual_k.A", 17.0), ("winding_residual_k.B", 17.0), ("winding_residual_k.C", 17.0)];
    let faults: Faults<'_> = &[
        (Trouble::Blocked(0.5), &windings),
        (Trouble::HotWinding(1, 1.4), &windings[1..2]),
        (Trouble::HotLug(2, 2.5), &[("termination_excess_k.C", 15.0)]),
    ];
    let stand = Stand::new(DRY, CLOSED_DELTA, 75_000.0 / 240.0 / 3f64.sqrt());
    told(dry(75.0, WiringForm::Delta, WiringForm::Delta), stand, SENSORS, ALL, faults);
}

/// Lines a tenth apart: one winding carries a third more heat than another.
#[test]
fn a_delta_with_unequal_lines_shows_nothing_while_it_is_sound() {
    let mut stand = Stand::new(DRY, CLOSED_DELTA, 75_000.0 / 240.0 / 3f64.sqrt());
    stand.lines = [1.05, 0.95, 1.0];
    told(dry(75.0, WiringForm::Delta, WiringForm::Delta), stand, SENSORS, ALL, &[]);
}

/// Without the third unit each of the two carries a line's current whole: AB that of line A, BC that of line C (textbook).
const OPEN_DELTA: Heating = |lines| [lines[0].powi(2), lines[2].powi(2), 0.0];

#[test]
fn an_open_delta_tells_a_blocked_vent_a_hot_winding_and_a_hot_lug_apart() {
    let sensors = "winding_c.A winding_c.B termination_c.A termination_c.B termination_c.C ambient_c";
    let all = ALL.replace("winding_residual_k.C", "");
    let windings = [("winding_residual_k.A", 17.0), ("winding_residual_k.B", 17.0)];
    let faults: Faults<'_> = &[
        (Trouble::Blocked(0.5), &windings),
        (Trouble::HotWinding(1, 1.4), &windings[1..]),
        (Trouble::HotLug(0, 2.5), &[("termination_excess_k.A", 15.0)]),
    ];
    // Each of the two is made for a third of the closed bank's kVA: 25 kVA at 240 V.
    let stand = Stand::new(DRY, OPEN_DELTA, 25_000.0 / 240.0);
    let open = WiringForm::OpenDelta { high: None };
    told(dry(75.0, open, open), stand, sensors, &all, faults);
}

/// Both halves of a winding lie around one core: what warms it is the mean of their squares.
const TWO_HALVES: Heating = |lines| [f64::midpoint(lines[0].powi(2), lines[1].powi(2)), 0.0, 0.0];

#[test]
fn one_phase_tells_a_blocked_vent_and_a_hot_lug_apart() {
    let sensors = "winding_c.A termination_c.A termination_c.B ambient_c";
    let all = "winding_residual_k.A termination_excess_k.A termination_excess_k.B";
    let faults: Faults<'_> = &[
        (Trouble::Blocked(0.5), &[("winding_residual_k.A", 17.0)]),
        (Trouble::HotLug(1, 2.5), &[("termination_excess_k.B", 15.0)]),
    ];
    let mut stand = Stand::new(DRY, TWO_HALVES, 50_000.0 / 240.0);
    stand.lines = [1.0, 0.8, 0.0];
    told(dry(50.0, WiringForm::SinglePhase, WiringForm::SplitPhase), stand, sensors, all, faults);
}

const OWN_LINES: Heating = |lines| lines.map(|line| line * line);

/// A radiator that gives less shows in the oil; a winding that gives less to its oil shows in itself.
#[test]
fn a_liquid_filled_unit_tells_its_oil_its_windings_and_its_terminations_apart() {
    let sensors = SENSORS.to_owned() + " top_oil_c";
    let all = ALL.to_owned() + " top_oil_residual_k";
    let faults: Faults<'_> = &[
        (Trouble::Blocked(0.6), &[("top_oil_residual_k", 12.0)]),
        (Trouble::HotWinding(1, 1.8), &[("winding_residual_k.B", 10.0)]),
        (Trouble::HotLug(2, 2.5), &[("termination_excess_k.C", 15.0)]),
    ];
    let transformer = Transformer {
        cooling: Cooling::Liquid,
        rated_rise_k: Some(65.0),
        losses: Losses { no_load_w: Some(700.0), load_w: Some(3500.0), ..Losses::default() },
        ..Transformer::new("T2", 300.0, side(12_470.0, WiringForm::Delta), side(480.0, WiringForm::Wye))
    };
    let into = Into::Oil { oil_k: 53.0, spot_k: 24.0, ratio: 5.0 };
    let mut stand = Stand::new(into, OWN_LINES, 300_000.0 / 480.0 / 3f64.sqrt());
    stand.lines = [1.0, 0.9, 1.05];
    told(transformer, stand, &sensors, &all, faults);
}
