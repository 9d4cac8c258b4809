//! How units in parallel shared, and distortion against IEEE 519, as the digest tells them.

use super::{Page, percent};
use crate::words::parallel::{and, shared};
use crate::words::quantity as named;
use crate::words::speech::Speech;
use kvarden_core::digest::{LEAST_OF_QUALITY, QualityDay, SharingDay, VerdictDay};
use kvarden_core::measurand::Measurand;

impl Page<'_> {
    /// One paragraph for units on one bus: the minute of their largest load together.
    pub(super) fn sharing(&self) -> Vec<String> {
        let line = |day: &SharingDay| {
            let names: Vec<&str> = day.units.iter().map(|one| one.name.as_str()).collect();
            let units: Vec<_> = day.units.iter().map(|one| (one.name.as_str(), one.unit, one.part)).collect();
            let (names, at) = (and(&names, self.speech), self.clock(day.at));
            let (shared, known) = (shared(&units, self.speech), self.known(day.measured));
            let parts = [("names", names.as_str()), ("at", &at), ("shared", &shared), ("known", &known)];
            self.with("sharing-day", &parts)
        };
        self.figures.sharing.iter().map(line).collect()
    }

    /// One paragraph for each statistic of each side.
    pub(super) fn quality(&self) -> Vec<String> {
        self.figures.quality.iter().flat_map(|day| side(day, self.speech)).collect()
    }
}

fn side(day: &QualityDay, speech: Speech) -> Vec<String> {
    let name = [("name", day.transformer.as_str())];
    let of = if day.load_side {
        speech.with("quality-secondary", &name)
    } else {
        speech.with("quality-primary", &name)
    };
    let bind = if day.at_coupling { speech.say("quality-coupling") } else { speech.say("quality-inside") };
    let ratio = match day.short_circuit_ratio {
        Some(ratio) => speech.with("quality-ratio", &[("ratio", &format!("{ratio:.0}"))]),
        None => speech.say("quality-no-ratio"),
    };
    let mut lines = vec![format!("{of}: {bind}; {ratio}.")];
    if day.week < LEAST_OF_QUALITY {
        let (share, least) = (percent(day.week), percent(LEAST_OF_QUALITY));
        let parts = [("side", of.as_str()), ("share", &share), ("least", &least)];
        lines.push(speech.with("quality-no-verdict", &parts));
    }
    lines.extend(day.verdicts.iter().map(|one| format!("{of}, {}", verdict(one, speech))));
    lines
}

fn verdict(one: &VerdictDay, speech: Speech) -> String {
    let over = if one.weekly { speech.say("quality-week") } else { speech.say("quality-day") };
    let said = match one.holds() {
        Some(true) => speech.say("quality-within"),
        Some(false) => speech.say("quality-beyond"),
        None => speech.say("quality-untold"),
    };
    let shown = |value: f64| speech.digits(&format!("{value:.1}"));
    let most = shown(one.value);
    let value = match one.at_least.map(shown) {
        Some(least) if one.at_most && least != most => {
            speech.with("quality-between", &[("least", &least), ("most", &most)])
        }
        None if one.at_most => speech.with("quality-at-most", &[("most", &most)]),
        _ => most,
    };
    let value = [("value", value.as_str())];
    let value = match one.quantity.what {
        Measurand::CurrentTdd | Measurand::CurrentHarmonic => {
            speech.with("quality-percent-of-demand", &value)
        }
        _ => speech.with("quality-percent", &value),
    };
    let parts = [
        ("what", named(one.quantity, speech)),
        ("percent", format!("{:.0}", one.percent)),
        ("over", over),
        ("value", value),
        ("allowed", shown(one.allowed)),
        ("said", said),
        ("share", percent(one.share)),
    ];
    speech.with("quality-verdict", &parts.each_ref().map(|(name, words)| (*name, words.as_str())))
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
        insta::assert_snapshot!([side(&day, Speech::ENGLISH), side(&little, Speech::ENGLISH)].concat().join("\n"), @r"
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
