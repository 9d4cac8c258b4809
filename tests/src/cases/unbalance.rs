//! Unbalance, phasors and how a meter is wired.

use super::{Area, Case, one};
use kvarden_core::electrical::circuit::{
    Leads, delta_windings, neutral_of_magnitudes, neutral_of_phasors, shown, volts_after,
};
use kvarden_core::electrical::motors::derating;
use kvarden_core::electrical::phasors::{Phasor, Rotation, Sequence, balanced, between, phasors};
use kvarden_core::electrical::unbalance::{largest_deviation_percent, negative_ratio_percent};
use kvarden_core::phases::Phase;
use toml::{Table, Value};

pub(super) const AREA: Area = Area {
    computed: &[
        ("unbalance_max_deviation", 4),
        ("unbalance_negative_ratio", 3),
        ("sequence_components", 1),
        ("sequence_ratios", 1),
        ("motor_derating", 2),
        ("delta_wye_relations", 1),
        ("neutral_current", 3),
        ("voltage_drop_phasor", 1),
        ("wiring_power", 3),
    ],
    later: &[],
    got,
};

fn got(case: &Case) -> Option<Table> {
    Some(match case.quantity.as_str() {
        "unbalance_max_deviation" => one("pct", largest_deviation_percent(three(case, "values"), 0.0)),
        "unbalance_negative_ratio" => {
            one("pct", negative_ratio_percent(three(case, "v12_v23_v31"), 0.0).ok())
        }
        "sequence_components" => {
            let Sequence { zero, positive, negative } = sequence(case);
            let parts = [("zero", zero), ("positive", positive), ("negative", negative)];
            let members = parts.into_iter().flat_map(|(name, part)| {
                [(name.to_owned(), part.norm()), (format!("{name}_deg"), part.arg().to_degrees())]
            });
            members.map(|(key, value)| (key, Value::Float(value))).collect()
        }
        "sequence_ratios" => {
            let ratios = sequence(case).ratios(0.0).ok();
            let negative = one("u2_pct", ratios.map(|ratios| ratios.negative_percent));
            negative.into_iter().chain(one("u0_pct", ratios.map(|ratios| ratios.zero_percent))).collect()
        }
        "motor_derating" => one("factor", derating(case.number("unbalance_pct")).ok()),
        "delta_wye_relations" => {
            let volts = balanced(case.number("v_ln")).expect("volts are a magnitude");
            let line = between(volts)[0];
            let amperes = balanced(case.number("i_line")).expect("amperes are a magnitude");
            Table::from_iter([
                ("v_ll".to_owned(), line.norm().into()),
                ("v_ll_lead_deg".to_owned(), (line / volts[0]).arg().to_degrees().into()),
                ("i_winding".to_owned(), delta_windings(amperes)[0].norm().into()),
            ])
        }
        "neutral_current" => {
            let amperes = three(case, "amps");
            let with_angles = case.inputs.contains_key("deg");
            let neutral = if with_angles {
                phasors(amperes, three(case, "deg")).and_then(neutral_of_phasors)
            } else {
                neutral_of_magnitudes(amperes)
            };
            one("amps", neutral)
        }
        "voltage_drop_phasor" => {
            let volts = case.number("v_up");
            let ohms = (case.number("r_ohm"), case.number("x_ohm"));
            let after = volts_after(volts, case.number("amps"), ohms, case.number("lag_deg"));
            let drop = one("drop_v", after.map(|after| volts - after));
            one("v_down", after).into_iter().chain(drop).collect()
        }
        "wiring_power" => wiring_power(case),
        _ => return None,
    })
}

fn three(case: &Case, key: &str) -> [f64; 3] {
    case.numbers(key).try_into().expect("a value for each phase")
}

fn sequence(case: &Case) -> Sequence {
    Sequence::of(phasors(three(case, "mag"), three(case, "deg")).expect("magnitudes and angles"))
}

/// The case's meter: leads as drawn where it says nothing else.
fn wiring_power(case: &Case) -> Table {
    let order = |key: &str| {
        case.inputs
            .contains_key(key)
            .then(|| three(case, key).map(|index| [Phase::A, Phase::B, Phase::C][index as usize]))
    };
    let drawn = Leads::AS_DRAWN;
    let voltage = Leads { from: order("voltage_order").unwrap_or(drawn.from), ..drawn };
    let factor =
        if case.inputs.contains_key("current_sign") { three(case, "current_sign") } else { drawn.factor };
    let current = Leads { from: order("current_order").unwrap_or(drawn.from), factor };
    let volts = balanced(case.number("v_ln")).expect("volts are a magnitude");
    let lag = Phasor::from_polar(1.0, -case.number("lag_deg").to_radians());
    let amperes = balanced(case.number("amps")).expect("amperes are a magnitude").map(|phase| phase * lag);
    let shown = shown(volts, amperes, (&voltage, &current)).expect("the case is of numbers");
    let [a, b, c] = shown.powers.map(|power| power.re);
    let rotation = match shown.rotation {
        Some(Rotation::Abc) => "ABC",
        Some(Rotation::Acb) => "ACB",
        None => "absent",
    };
    let mut members = Table::from_iter([("rotation".to_owned(), Value::from(rotation))]);
    for (key, value) in
        [("p_a", a), ("p_b", b), ("p_c", c), ("p_total", shown.total.re), ("q_total", shown.total.im)]
    {
        members.insert(key.to_owned(), value.into());
    }
    members
}
