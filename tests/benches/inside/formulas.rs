//! What the formulas of one reading cost: a meter of 60 values, angles and orders among them.

use crate::figures::{Figures, RUNS, heading, line, short_or};
use crate::panes;
use kvarden_core::formula::Gathered;
use kvarden_core::measurand::{Kind, Measurand, Quantity};
use kvarden_core::phases::Place;
use kvarden_core::plan::{MeterPlan, Plan};
use kvarden_core::reading::Sample;
use std::fmt::Write;
use std::hint::black_box;
use std::time::Instant;

/// Readings that differ; they come again and again.
const DIFFERENT: usize = 97;

/// 21 values of the whole and the phases, and the odd orders 1 to 25 of each current.
pub(crate) fn quantities() -> Vec<Quantity> {
    let whole = [Measurand::NeutralCurrent, Measurand::Power, Measurand::Frequency].map(Quantity::whole);
    let phases = [
        Measurand::VoltageLn,
        Measurand::Current,
        Measurand::VoltageAngle,
        Measurand::CurrentAngle,
        Measurand::Power,
    ];
    let of_phases = phases.into_iter().flat_map(|what| Place::PHASES.map(|place| Quantity::at(what, place)));
    let lines = Place::LINES.map(|place| Quantity::at(Measurand::VoltageLl, place));
    let orders = Place::PHASES.into_iter().flat_map(|place| {
        (1..=25)
            .step_by(2)
            .map(move |order| Quantity::numbered(Measurand::CurrentHarmonicAmperes, place, order))
    });
    whole.into_iter().chain(of_phases).chain(lines).chain(orders).collect()
}

/// The map of a meter that gives these by a JSON list.
pub(crate) fn map(quantities: &[Quantity]) -> String {
    let mut map = String::new();
    for (at, quantity) in quantities.iter().enumerate() {
        let _ = writeln!(map, "[[point]]\npointer = \"/{at}\"\nmeasurand = \"{}\"", quantity.what.key());
        if quantity.place != Place::Whole {
            let _ = writeln!(map, "place = \"{}\"", quantity.place);
        }
        if quantity.number > 0 {
            let _ = writeln!(map, "order = {}", quantity.number);
        }
    }
    map
}

fn plan() -> Plan {
    let config = "[site]\nname = \"Larkspur Cannery\"\ntimezone = \"America/Denver\"\n\
        [[transformer]]\nname = \"T2\"\nkva = 75\nprimary = { volts = 480, form = \"delta\" }\n\
        secondary = { volts = 208, form = \"wye\" }\n\
        [[meter]]\nname = \"T2 secondary\"\nmeasures = { transformer = \"T2\", side = \"secondary\" }\n\
        mqtt = { topic = \"a\", map = \"map.toml\" }\n[broker]\naddress = \"127.0.0.1:1883\"\n[tell]\nmqtt = false\n\
        [store]\nfolder = \"data\"\n";
    let (configuration, problems) =
        kvarden_config::parse("kvarden.toml", config, &|_| Ok(map(&quantities())));
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    Plan::new(&configuration.expect("without a problem there is one").plant).expect("it was checked")
}

/// What a sound transformer at a middling load shows.
pub(crate) fn value(quantity: Quantity) -> f64 {
    let turn = match quantity.place {
        Place::B => -120.0,
        Place::C => 120.0,
        _ => 0.0,
    };
    match quantity.what {
        Measurand::CurrentHarmonicAmperes => 80.0 / f64::from(quantity.number),
        Measurand::VoltageAngle => turn,
        Measurand::CurrentAngle => turn - 25.0,
        Measurand::VoltageLl => 208.0,
        Measurand::VoltageLn => 120.1,
        Measurand::Current => 85.0,
        Measurand::Frequency => 60.0,
        Measurand::Winding => 71.0,
        Measurand::Termination => 44.0,
        Measurand::Ambient => 24.0,
        what if what.facts().kind == Kind::Level => 9000.0,
        _ => 1.0,
    }
}

/// Such values again and again, a little moved.
pub(crate) fn readings(quantities: &[Quantity]) -> Vec<Vec<f64>> {
    let ordinary: Vec<f64> = quantities.iter().copied().map(value).collect();
    let swing = |at: usize| 1.0 + 0.005 * (at as f64).sin();
    (0..DIFFERENT).map(|at| ordinary.iter().map(|value| value * swing(at)).collect()).collect()
}

fn evaluate(meter: &MeterPlan, gathered: &mut Gathered, row: &mut [Sample]) {
    gathered.forget();
    for (index, formula) in meter.formulas.iter().enumerate() {
        row[meter.first_slot + meter.points + index] = formula.evaluate_with(row, gathered);
    }
}

pub(crate) fn run() {
    let rounds = short_or(50_000, 400_000);
    let plan = plan();
    let meter = &plan.scopes[0].meters[0];
    let readings = readings(&quantities());
    heading(&format!(
        "formulas: {} of a reading of {} values, angles and orders among them, ns a reading",
        meter.formulas.len(),
        meter.points
    ));
    let timed = |work: &mut dyn FnMut()| {
        let begun = Instant::now();
        work();
        begun.elapsed().as_secs_f64() * 1e9 / rounds as f64
    };
    let floor: Figures = (0..RUNS).map(|_| timed(&mut || panes::run(&readings, rounds, &[60]))).collect();
    line("floor: each value into one pane of a minute", format!("{floor:.0} ns"));
    let rows: Vec<Vec<Sample>> =
        readings.iter().map(|values| values.iter().copied().map(Sample::new).collect()).collect();
    let mut row = vec![Sample::ABSENT; plan.scopes[0].slots];
    let mut gathered = Gathered::default();
    let mut work = || {
        for values in rows.iter().cycle().take(rounds) {
            row[meter.first_slot..meter.first_slot + meter.points].copy_from_slice(black_box(values));
            evaluate(meter, &mut gathered, &mut row);
            black_box(&row);
        }
    };
    let all: Figures = (0..RUNS).map(|_| timed(&mut work)).collect();
    line("all formulas of a reading", format!("{all:.0} ns"));
    line("the formulas against the floor", all.over(&floor));
    let quiet = allocation_counter::measure(|| {
        for values in &rows {
            row[meter.first_slot..meter.first_slot + meter.points].copy_from_slice(values);
            evaluate(meter, &mut gathered, &mut row);
        }
    });
    line("allocations in as many readings as differ", quiet.count_total);
}
