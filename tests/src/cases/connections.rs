//! Connections, demand and schedules of loads.

use super::{Area, Case, number, one};
use kvarden_core::electrical::contact::{
    Action, allowed_temperature_c, corrected_difference_k, like_parts, over_ambient,
};
use kvarden_core::electrical::demand::{
    Demand, Interval, coincident_peak, demand_factor, diversity_factor, load_factor, peak,
};
use kvarden_core::electrical::joint::heat_w;
use kvarden_core::electrical::robust::{By, Point, fit};
use kvarden_core::electrical::schedule::{Load, schedule};
use kvarden_core::phases::Place;
use kvarden_core::time::{EventTime, Span};
use toml::{Table, Value};

pub(super) const AREA: Area = Area {
    computed: &[
        ("allowed_temperature", 1),
        ("connection_resistance", 1),
        ("delta_t_corrected", 2),
        ("demand_block", 1),
        ("demand_factors", 1),
        ("demand_sliding", 1),
        ("load_schedule", 2),
        ("neta_ambient", 2),
        ("neta_similar", 3),
    ],
    later: &[],
    got,
};

fn got(case: &Case) -> Option<Table> {
    let number = |key: &str| case.number(key);
    Some(match case.quantity.as_str() {
        "neta_similar" => action(like_parts(number("delta_k")).map(Action::key)),
        "neta_ambient" => action(over_ambient(number("delta_k")).map(Action::key)),
        "delta_t_corrected" => {
            let (measured, full) = (number("amps_measured"), number("amps_full"));
            one("delta_k", corrected_difference_k(number("delta_k"), measured, full, number("exponent")))
        }
        "allowed_temperature" => {
            let (amps, rated) = (number("amps"), number("amps_rated"));
            let (ambient, rise) = (number("ambient_c"), number("rated_rise_k"));
            one("t_c", allowed_temperature_c(ambient, rise, amps, rated, number("exponent")))
        }
        "connection_resistance" => connection_resistance(case),
        "demand_block" => one("peak_kw", demand_peak(case, |ended_on_clock| ended_on_clock)),
        "demand_sliding" => one("peak_kw", demand_peak(case, |_| true)),
        "demand_factors" => demand_factors(case),
        "load_schedule" => load_schedule(case),
        _ => return None,
    })
}

fn action(key: Option<&str>) -> Table {
    Table::from_iter([("action".to_owned(), key.unwrap_or("absent").into())])
}

/// The slope by the program's own regression. Its demands on the number of points (30) are those of a verdict; the case has
/// five, and asks for the slope.
fn connection_resistance(case: &Case) -> Table {
    let amps = case.numbers("amps");
    let point = |(amps, drop): (&f64, f64)| Point { x: [*amps, 0.0], y: drop };
    let points: Vec<Point> = amps.iter().zip(case.numbers("drop_v")).map(point).collect();
    let ohm = fit(&points, By::First).map(|plane| plane.slopes[0]);
    let watts = ohm.and_then(|ohm| heat_w(ohm, peak(&amps)?));
    let mut table = one("milliohm", ohm.map(|ohm| 1000.0 * ohm));
    table.extend(one("watts_at_max", watts));
    table
}

/// Each value of the case as power that stood for five minutes.
fn demand_peak(case: &Case, counts: impl Fn(bool) -> bool) -> Option<f64> {
    let interval = Interval { step: Span::minutes(5), steps: case.number("samples_per_block") as usize };
    let (mut demand, mut largest) = (Demand::default(), None::<f64>);
    for (index, kilowatts) in (0..).zip(case.numbers("kw")) {
        let from = EventTime(0) + interval.step.times(index);
        demand.spread(interval, (from, from + interval.step), kilowatts, |ended| {
            if let (true, Some(mean)) = (counts(ended.block), ended.mean.get()) {
                largest = Some(largest.map_or(mean, |largest| largest.max(mean)));
            }
        });
    }
    largest
}

fn demand_factors(case: &Case) -> Table {
    let groups = case.inputs["groups_kw"].as_array().expect("groups of loads");
    let groups: Vec<Vec<f64>> = groups
        .iter()
        .map(|group| group.as_array().expect("a load is a list").iter().filter_map(number).collect())
        .collect();
    let loads: Vec<&[f64]> = groups.iter().map(Vec::as_slice).collect();
    let together: Vec<f64> =
        (0..groups[0].len()).map(|moment| groups.iter().map(|group| group[moment]).sum()).collect();
    let coincident = coincident_peak(&loads);
    let demand = coincident.and_then(|peak| demand_factor(peak, case.number("connected_kw")));
    let mut table = one("coincident_peak", coincident);
    table.extend(one("load_factor", load_factor(&together)));
    table.extend(one("diversity_factor", diversity_factor(&loads)));
    table.extend(one("demand_factor", demand));
    table
}

fn load_schedule(case: &Case) -> Table {
    let load = |row: &Value| {
        let row = row.as_array().expect("a load is a place, watts and a power factor");
        let place = row[0].as_str().and_then(Place::from_key).expect("a phase or two lines");
        let of = |index: usize| number(&row[index]).expect("a number");
        Load { place, power_w: of(1), power_factor: of(2) }
    };
    let loads: Vec<Load> = case.inputs["loads"].as_array().expect("loads").iter().map(load).collect();
    let got = schedule(case.number("v_ln"), &loads);
    let mut table = one("neutral", got.map(|got| got.neutral_a));
    for (key, value) in [
        ("i_a", got.map(|got| got.amperes.a)),
        ("i_b", got.map(|got| got.amperes.b)),
        ("i_c", got.map(|got| got.amperes.c)),
        ("va_a", got.map(|got| got.apparent_va.a)),
        ("va_b", got.map(|got| got.apparent_va.b)),
        ("va_c", got.map(|got| got.apparent_va.c)),
    ] {
        table.extend(one(key, value));
    }
    table
}
