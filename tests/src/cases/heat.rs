//! Temperatures and ageing of windings and oil.

use super::{Area, Case, one};
use kvarden_core::thermal::ageing::{DryClass, Paper, acceleration, equivalent, iec_rate};
use kvarden_core::thermal::dry_type::{
    LoadStep, WindingMass, hot_spot_steady_c, hot_spot_step_c, time_constant_min,
};
use kvarden_core::thermal::iec_liquid::{IecConstants, IecUnit};
use kvarden_core::thermal::liquid::{Exponents, LiquidUnit, Temperatures, oil_time_constant_min};
use toml::Table;

pub(super) const AREA: Area = Area {
    computed: &[
        ("dry_ageing_rate", 2),
        ("dry_hot_spot_steady", 1),
        ("dry_hot_spot_step", 1),
        ("dry_life_hours", 2),
        ("dry_time_constant", 1),
        ("faa", 3),
        ("feqa", 1),
        ("iec_ageing_rate", 1),
        ("iec_difference", 1),
        ("iec_step", 1),
        ("liquid_steady", 1),
        ("liquid_step", 1),
        ("oil_time_constant", 1),
    ],
    later: &[],
    got,
};

fn got(case: &Case) -> Option<Table> {
    let number = |key| case.number(key);
    Some(match case.quantity.as_str() {
        "dry_hot_spot_steady" => {
            let [ambient, rise] = [number("ambient_c"), number("rated_hot_spot_rise_k")];
            one("hot_spot_c", hot_spot_steady_c(ambient, rise, number("load_pu"), number("m")))
        }
        "dry_hot_spot_step" => {
            let [ambient, rise] = [number("ambient_c"), number("rated_hot_spot_rise_k")];
            one("hot_spot_c", hot_spot_step_c(ambient, rise, number("m"), number("tau_min"), step(case)))
        }
        "dry_time_constant" => {
            let mass = WindingMass {
                aluminium_kg: number("al_kg"),
                copper_kg: number("cu_kg"),
                insulation_kg: number("insulation_kg"),
            };
            one("minutes", time_constant_min(mass, number("loss_w"), number("rated_hot_spot_rise_k")))
        }
        "dry_life_hours" => one("hours", class(case)?.life_h(number("hot_spot_c"))),
        "dry_ageing_rate" => one("rate", class(case)?.rate(number("hot_spot_c"))),
        "faa" => {
            let plain = case.inputs.contains_key("ref_c");
            let paper = if plain { Paper::Plain } else { Paper::Upgraded };
            assert!(!plain || (number("ref_c") - paper.reference_c()).abs() < 1e-9, "{}", case.name);
            one("f_aa", acceleration(number("hot_spot_c"), paper))
        }
        "feqa" => {
            let hot_spots = case.numbers("hot_spot_c").into_iter();
            let rates = hot_spots.map(|celsius| acceleration(celsius, Paper::Upgraded).expect("a rate"));
            let aged = equivalent(rates.zip(case.numbers("hours")))?;
            Table::from_iter([
                ("f_eqa".to_owned(), aged.factor.into()),
                ("aged_hours".to_owned(), aged.hours.into()),
                ("loss_of_life_pct".to_owned(), aged.loss_percent.into()),
            ])
        }
        "iec_ageing_rate" => one("v", iec_rate(number("hot_spot_c"))),
        "iec_step" => temperatures(iec_unit(case).step(number("ambient_c"), step(case))?),
        "iec_difference" => {
            let (loads, airs, unit) = (case.numbers("load_pu"), case.numbers("ambient_c"), iec_unit(case));
            let mut state = unit.steady(airs[0], loads[0])?;
            for (load, air) in loads.iter().zip(&airs).skip(1) {
                state = unit.next(state, *air, *load, number("dt_min"))?;
            }
            temperatures(state.temperatures())
        }
        "liquid_steady" => temperatures(liquid_unit(case).steady(number("ambient_c"), number("load_pu"))?),
        "liquid_step" => {
            let (oil, winding) = (number("tau_oil_min"), number("tau_w_min"));
            temperatures(liquid_unit(case).step(number("ambient_c"), step(case), oil, winding)?)
        }
        "oil_time_constant" => {
            let rises = (number("ultimate_k"), number("initial_k"), number("rated_k"));
            let tau = number("tau_rated_min");
            one("minutes", oil_time_constant_min(tau, rises.0, rises.1, rises.2, number("n")))
        }
        _ => return None,
    })
}

fn class(case: &Case) -> Option<DryClass> {
    DryClass::of(case.number("class") as u16)
}

fn step(case: &Case) -> LoadStep {
    LoadStep {
        from_pu: case.number("initial_load_pu"),
        to_pu: case.number("load_pu"),
        minutes: case.number("minutes"),
    }
}

fn liquid_unit(case: &Case) -> LiquidUnit {
    LiquidUnit {
        top_oil_rise_k: case.number("top_oil_r"),
        gradient_k: case.number("gradient_r"),
        loss_ratio: case.number("r_loss_ratio"),
        exponents: Exponents { oil: case.number("n"), winding: case.number("m") },
    }
}

fn iec_unit(case: &Case) -> IecUnit {
    let number = |key| case.number(key);
    IecUnit {
        top_oil_rise_k: number("top_oil_r"),
        gradient_k: number("hot_spot_gradient_r"),
        loss_ratio: number("r_loss_ratio"),
        constants: IecConstants {
            x: number("x"),
            y: number("y"),
            k11: number("k11"),
            k21: number("k21"),
            k22: number("k22"),
            oil_min: number("tau_oil_min"),
            winding_min: number("tau_w_min"),
        },
    }
}

fn temperatures(temperatures: Temperatures) -> Table {
    Table::from_iter([
        ("top_oil_c".to_owned(), temperatures.top_oil_c.into()),
        ("hot_spot_c".to_owned(), temperatures.hot_spot_c.into()),
    ])
}
