//! The plant of the benchmarks: meters that give as many quantities as one question can, each in two windows.

use kvarden_core::measurand::{Kind, Measurand, Quantity};
use kvarden_core::phases::Place;

/// Feeders of one transformer; each has one meter.
const FEEDERS: usize = 10;

/// Values of a meter: as many as one question of 125 registers can give as 32-bit floats, in round numbers.
const VALUES: usize = 60;

/// What a meter of the benchmarks gives: the first levels of the table, no counters, angles, states or single orders.
pub(crate) fn quantities() -> Vec<Quantity> {
    let measured = judged().filter(|what| !what.is_computed());
    let quantities = measured.flat_map(Measurand::quantities).filter(|quantity| quantity.number == 0);
    quantities.take(VALUES).collect()
}

/// What means over windows are made of.
fn judged() -> impl Iterator<Item = Measurand> {
    Measurand::ALL.iter().copied().filter(|what| what.facts().kind == Kind::Level)
}

/// The lines `measurand = "current_a"` and `place = "B"`.
pub(crate) fn key(quantity: Quantity) -> String {
    match quantity.to_string().split_once('.') {
        Some((measurand, place)) => format!("measurand = \"{measurand}\"\nplace = \"{place}\""),
        None => format!("measurand = \"{quantity}\""),
    }
}

/// A value that nothing is wrong with.
pub(crate) fn ordinary(quantity: Quantity) -> f64 {
    let turn = match quantity.place {
        Place::B | Place::BC => 1.002,
        Place::C | Place::CA => 0.999,
        _ => 1.0,
    };
    let value = match quantity.what {
        Measurand::VoltageLn => 120.2,
        Measurand::VoltageLl => 208.1,
        Measurand::Current => 81.7,
        Measurand::NeutralCurrent => 6.3,
        Measurand::Power => 9400.0,
        Measurand::ReactivePower => 2100.0,
        Measurand::ApparentPower => 9630.0,
        Measurand::PowerFactor => 0.976,
        Measurand::Frequency => 60.01,
        Measurand::VoltageThd => 2.1,
        Measurand::CurrentThd => 7.4,
        Measurand::Winding => 71.5,
        Measurand::Termination => 44.2,
        _ => 22.6,
    };
    value * turn
}

/// The main configuration of a site with `meters` meters. `source` gives what stands in each meter's section besides
/// its name, and `windows` the two lengths over which every measurand is judged.
pub(crate) fn config(meters: usize, windows: [&str; 2], source: impl Fn(usize) -> String) -> String {
    let mut text = String::from("[site]\nname = \"Larkspur Cannery\"\ntimezone = \"America/Denver\"\n");
    let mut add = |piece: String| text.push_str(&piece);
    for number in 0..meters.div_ceil(FEEDERS) {
        add(format!(
            "[[transformer]]\nname = \"T{number}\"\nkva = 75\nprimary = {{ volts = 480, form = \"delta\" }}\n\
             secondary = {{ volts = 208, form = \"wye\" }}\n"
        ));
    }
    for number in 0..meters {
        let transformer = number / FEEDERS;
        add(format!("[[feeder]]\nname = \"F{number}\"\nfed_by = \"T{transformer}\"\nrated_a = 200\n"));
        let source = source(number);
        add(format!("[[meter]]\nname = \"M{number}\"\nmeasures = {{ feeder = \"F{number}\" }}\n{source}\n"));
    }
    for what in judged() {
        // A configuration takes no number beyond that.
        let (key, high) = (what.key(), what.facts().range.1.min(1.0e9));
        let [short, long] = windows;
        // Far from any value: the limits are judged and nothing is told.
        add(format!(
            "[[limit]]\non = \"{key}\"\ndeadband = {}\non_delay = \"10s\"\noff_delay = \"10s\"\nrecurs = false\nlevels = [\
             {{ setpoint = {}, priority = \"journal\", over = \"{short}\" }},\
             {{ setpoint = {}, priority = \"low\", over = \"{long}\" }}]\n",
            high * 0.01,
            high * 0.8,
            high * 0.9
        ));
    }
    text + "[tell]\nmqtt = false\n[store]\nfolder = \"data\"\n"
}
