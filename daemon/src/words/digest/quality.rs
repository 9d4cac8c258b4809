//! How units in parallel shared, and distortion against IEEE 519, as the digest tells them.

use super::{Page, percent};
use crate::words::parallel::{and, shared};
use crate::words::subject::quantity_words;
use kvarden_core::digest::{LEAST_OF_QUALITY, QualityDay, SharingDay, VerdictDay};
use kvarden_core::measurand::Measurand;

impl Page<'_> {
    /// One paragraph for units on one bus: the minute of their largest load together.
    pub(super) fn sharing(&self) -> Vec<String> {
        let line = |day: &SharingDay| {
            let names: Vec<&str> = day.units.iter().map(|one| one.name.as_str()).collect();
            let units: Vec<_> = day.units.iter().map(|one| (one.name.as_str(), one.unit, one.part)).collect();
            format!(
                "{} side by side, most at {}: {} (known for {} of the day)",
                and(&names),
                self.clock(day.at),
                shared(&units),
                percent(day.measured)
            )
        };
        self.figures.sharing.iter().map(line).collect()
    }

    /// One paragraph for each statistic of each side.
    pub(super) fn quality(&self) -> Vec<String> {
        self.figures.quality.iter().flat_map(side).collect()
    }
}

fn side(day: &QualityDay) -> Vec<String> {
    let of = format!("{} {}", day.transformer, if day.load_side { "secondary" } else { "primary" });
    let bind = if day.at_coupling {
        "the point of common coupling, where the tables bind"
    } else {
        "guidance inside a building: the tables bind at the point of common coupling"
    };
    let ratio = match day.short_circuit_ratio {
        Some(ratio) => format!("currents by I_SC/I_L {ratio:.0}, from the impedance with a strong supply"),
        None => "currents are not held against their table: I_SC is not known here".to_owned(),
    };
    let mut lines = vec![format!("{of}: {bind}; {ratio}.")];
    if day.week < LEAST_OF_QUALITY {
        lines.push(format!(
            "{of}, the week: no verdict, {} of its 10-minute values are there and {} are needed.",
            percent(day.week),
            percent(LEAST_OF_QUALITY)
        ));
    }
    lines.extend(day.verdicts.iter().map(|one| format!("{of}, {}", verdict(one))));
    lines
}

fn verdict(one: &VerdictDay) -> String {
    let base = match one.quantity.what {
        Measurand::CurrentTdd | Measurand::CurrentHarmonic => " of the demand current",
        _ => "",
    };
    let over = if one.weekly { "the week's 10-minute values" } else { "the day's 3-second values" };
    let said = match one.holds() {
        Some(true) => "within",
        Some(false) => "beyond",
        None => "not told, since only mean, least and largest of each minute are kept",
    };
    let shown = |value: f64| format!("{value:.1}");
    let value = match one.at_least.map(shown) {
        Some(least) if one.at_most && least != shown(one.value) => {
            format!("between {least} and {}", shown(one.value))
        }
        None if one.at_most => format!("at most {}", shown(one.value)),
        _ => shown(one.value),
    };
    format!(
        "{}, {:.0} % of {over} are at or below: {value} %{base}, allowed {:.1} %: {said} ({} measured).",
        quantity_words(one.quantity),
        one.percent,
        one.allowed,
        percent(one.share)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::measurand::Quantity;
    use kvarden_core::phases::Place;

    #[test]
    fn each_verdict_says_what_over_which_time_and_how_much_was_measured() {
        let verdict = |what, weekly, percent, value, allowed| VerdictDay {
            quantity: Quantity::at(what, Place::B),
            weekly,
            percent,
            value,
            allowed,
            share: 0.98,
            at_most: !weekly,
            at_least: (!weekly).then_some(value - 3.0),
        };
        let day = QualityDay {
            transformer: "T2".to_owned(),
            load_side: true,
            at_coupling: false,
            short_circuit_ratio: Some(22.2),
            week: 0.98,
            verdicts: vec![
                verdict(Measurand::VoltageThd, true, 95.0, 8.4, 8.0),
                verdict(Measurand::CurrentTdd, true, 99.0, 7.1, 12.0),
                verdict(Measurand::VoltageThd, false, 99.0, 9.0, 12.0),
                verdict(Measurand::VoltageThd, false, 99.0, 14.0, 12.0),
                verdict(Measurand::CurrentTdd, false, 99.0, 19.2, 16.0),
                VerdictDay { at_least: None, ..verdict(Measurand::VoltageThd, false, 99.0, 4.0, 12.0) },
            ],
        };
        let little = QualityDay {
            at_coupling: true,
            load_side: false,
            short_circuit_ratio: None,
            week: 0.31,
            verdicts: Vec::new(),
            ..day.clone()
        };
        insta::assert_snapshot!([side(&day), side(&little)].concat().join("\n"), @r"
        T2 secondary: guidance inside a building: the tables bind at the point of common coupling; currents by I_SC/I_L 22, from the impedance with a strong supply.
        T2 secondary, voltage distortion (THD) phase B, 95 % of the week's 10-minute values are at or below: 8.4 %, allowed 8.0 %: beyond (98 % measured).
        T2 secondary, total demand distortion (TDD) phase B, 99 % of the week's 10-minute values are at or below: 7.1 % of the demand current, allowed 12.0 %: within (98 % measured).
        T2 secondary, voltage distortion (THD) phase B, 99 % of the day's 3-second values are at or below: between 6.0 and 9.0 %, allowed 12.0 %: within (98 % measured).
        T2 secondary, voltage distortion (THD) phase B, 99 % of the day's 3-second values are at or below: between 11.0 and 14.0 %, allowed 12.0 %: not told, since only mean, least and largest of each minute are kept (98 % measured).
        T2 secondary, total demand distortion (TDD) phase B, 99 % of the day's 3-second values are at or below: between 16.2 and 19.2 % of the demand current, allowed 16.0 %: beyond (98 % measured).
        T2 secondary, voltage distortion (THD) phase B, 99 % of the day's 3-second values are at or below: at most 4.0 %, allowed 12.0 %: within (98 % measured).
        T2 primary: the point of common coupling, where the tables bind; currents are not held against their table: I_SC is not known here.
        T2 primary, the week: no verdict, 31 % of its 10-minute values are there and 90 % are needed.
        ");
    }
}
