//! How transformers share that run in parallel, in words.

use super::speech::Speech;
use kvarden_core::diagnosis::{NotShared, Part};
use kvarden_core::electrical::parallel::{Unit, capacity_kva, circulating_kva, share_without_kva};
use kvarden_core::parallel::{BusNow, ParallelNow, UnitNow};
use std::fmt::Write;

/// What is told at the box is told in English.
const ENGLISH: Speech = Speech::ENGLISH;

/// Lines of the status: how each bus shares now, with the forecast when one unit is lost.
pub fn lines(now: &ParallelNow) -> Vec<String> {
    let names: Vec<&str> = now.units.iter().map(|unit| unit.name.as_str()).collect();
    if !now.unknown.is_empty() {
        let unknown = now.unknown.join(", ");
        return vec![format!(
            "{}: not known whether they stand side by side ({unknown} not known)",
            and(&names, ENGLISH)
        )];
    }
    if now.buses.is_empty() {
        return vec![format!("{}: not side by side now, the tie is open", and(&names, ENGLISH))];
    }
    now.buses.iter().map(|bus| line(&now.units, bus)).collect()
}

fn line(units: &[UnitNow], bus: &BusNow) -> String {
    let units: Vec<&UnitNow> = bus.units.iter().filter_map(|index| units.get(*index)).collect();
    let names: Vec<&str> = units.iter().map(|unit| unit.name.as_str()).collect();
    match &bus.shares {
        Ok(parts) => {
            let known = units
                .iter()
                .zip(parts)
                .filter_map(|(unit, part)| Some((unit.name.as_str(), unit.unit?, *part)));
            format!("{} side by side: {}", and(&names, ENGLISH), shared(&known.collect::<Vec<_>>(), ENGLISH))
        }
        Err(why) => {
            format!("{} side by side: shares are not told, {}", and(&names, ENGLISH), why_not(*why, &names))
        }
    }
}

/// How units share, and what each would carry if another were lost: each with its name, its nameplate and its part.
pub fn shared(units: &[(&str, Unit, Part)], speech: Speech) -> String {
    let total: f64 = units.iter().map(|(.., part)| part.kva).sum();
    let whole = |value: f64| format!("{value:.0}");
    let mut text = speech.with("sharing-together", &[("kva", &whole(total))]);
    for (name, unit, part) in units {
        let (kva, rated) = (whole(part.kva), whole(unit.kva));
        let (share, due) = (whole(100.0 * part.share), whole(100.0 * part.by_impedance));
        let parts = [("name", *name), ("kva", &kva), ("rated", &rated), ("share", &share), ("due", &due)];
        let _ = write!(text, ", {}", speech.with("sharing-unit", &parts));
    }
    let nameplates: Vec<Unit> = units.iter().map(|(_, unit, _)| *unit).collect();
    if let Some(capacity) = capacity_kva(&nameplates) {
        let _ = write!(text, "; {}", speech.with("sharing-full", &[("kva", &whole(capacity))]));
    }
    for (lost, (name, ..)) in units.iter().enumerate() {
        let left = units.iter().enumerate().filter_map(|(which, (other, unit, _))| {
            let kva = share_without_kva(total, &nameplates, which, lost)?;
            let percent = whole(100.0 * kva / unit.kva);
            let parts = [("name", *other), ("kva", &*whole(kva)), ("percent", &percent)];
            Some(speech.with("sharing-left", &parts))
        });
        let left = left.collect::<Vec<String>>().join(", ");
        let _ = write!(text, "; {}", speech.with("sharing-without", &[("name", name), ("left", &left)]));
    }
    text
}

fn why_not(why: NotShared, names: &[&str]) -> String {
    let name = |index: usize| names.get(index).copied().unwrap_or_default();
    match why {
        NotShared::NoImpedance(index) => {
            format!("{} has no impedance_percent in the configuration", name(index))
        }
        NotShared::NotMeasured(index) => format!("what {} carries is not measured just now", name(index)),
        NotShared::Idle(index) => {
            format!(
                "{} carries next to nothing while the others are loaded: it may be open somewhere",
                name(index)
            )
        }
        NotShared::VoltsApart => "their volts differ by more than those of one bus do".to_owned(),
        NotShared::LittleLoad => "there is too little load to tell".to_owned(),
    }
}

/// What goes round between units whose taps in use differ, for `check`; nothing where they do not.
pub fn circulating(units: &[(&str, Unit)]) -> Vec<String> {
    let mut lines = Vec::new();
    for (index, (one, unit)) in units.iter().enumerate() {
        for (other, beside) in &units[index + 1..] {
            if let Some(kva) = circulating_kva(*unit, *beside).filter(|kva| *kva > 0.01 * unit.kva) {
                lines.push(format!(
                    "the taps in use of {one} and {other} differ: about {kva:.0} kVA go round between them without any load"
                ));
            }
        }
    }
    lines
}

/// Names in a row.
pub fn and(names: &[&str], speech: Speech) -> String {
    match names {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [first @ .., last] => speech.with("list-and", &[("first", &first.join(", ")), ("last", last)]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now(shares: Result<Vec<Part>, NotShared>) -> ParallelNow {
        let unit = |name: &str, impedance_percent| UnitNow {
            name: name.to_owned(),
            rated_kva: Some(500.0),
            unit: Some(Unit { kva: 500.0, impedance_percent, open_volts: 1.0 }),
            kva: None,
        };
        let buses = vec![BusNow { units: vec![0, 1], shares }];
        ParallelNow { units: vec![unit("T2", 4.0), unit("T3", 5.0)], buses, unknown: Vec::new() }
    }

    /// Worked: 900 kVA on 500 kVA of 4 % and 500 kVA of 5 % part as 5 to 4; without one the other has it all, 180 %.
    #[test]
    fn shares_and_the_forecast_of_a_lost_unit_stand_in_one_line() {
        let part = |kva: f64, by_impedance| Part {
            kva,
            share: kva / 900.0,
            by_impedance,
            most: 0.7,
            by_rating: 0.5,
            all_of_rated: 0.9,
        };
        let shared = now(Ok(vec![part(500.0, 5.0 / 9.0), part(400.0, 4.0 / 9.0)]));
        let unknown = ParallelNow { buses: Vec::new(), unknown: vec!["Tie".to_owned()], ..shared.clone() };
        let apart = ParallelNow { buses: Vec::new(), ..shared.clone() };
        let all =
            [lines(&shared), lines(&now(Err(NotShared::NotMeasured(1)))), lines(&unknown), lines(&apart)];
        insta::assert_snapshot!(all.concat().join("\n"), @r"
        T2 and T3 side by side: 900 kVA together, T2 500 kVA of 500 (56 %; by kVA and impedance 56 %), T3 400 kVA of 500 (44 %; by kVA and impedance 44 %); the first is full at 900 kVA together; without T2: T3 900 kVA, 180 % of its rating; without T3: T2 900 kVA, 180 % of its rating
        T2 and T3 side by side: shares are not told, what T3 carries is not measured just now
        T2 and T3: not known whether they stand side by side (Tie not known)
        T2 and T3: not side by side now, the tie is open
        ");
    }

    /// Worked: two units of 1000 kVA and 5 %, 2.5 % apart: a quarter of a rating goes round.
    #[test]
    fn unlike_taps_are_told_with_what_goes_round() {
        let unit = |open_volts| Unit { kva: 1000.0, impedance_percent: 5.0, open_volts };
        let told = circulating(&[("T2", unit(1.025)), ("T3", unit(1.0))]);
        assert!(told.len() == 1 && told[0].contains("about 250 kVA"), "{told:?}");
        assert!(circulating(&[("T2", unit(1.0)), ("T3", unit(1.0))]).is_empty());
    }
}
