//! Who draws the harmonics, by the spectrum, in words: suspects with their reasons, never a verdict.

use kvarden_core::electrical::signature::{Finding, HABITS, Load, NAMED, Pattern, Suspect};
use kvarden_core::values_now::SignatureNow;
use std::fmt::Write;

/// `T2 secondary, phase B, THD 37 %: like six-pulse converters 80 % (order 5 leads; 33 % of the fundamental, 95 % of all harmonics)`. Nothing
/// where there is too little distortion to point to anybody.
pub fn signature(now: &SignatureNow<'_>) -> Option<String> {
    let of = &now.signature;
    let mut text = format!("{}, phase {}, THD {:.0} %: ", now.meter, now.place.key(), of.thd);
    match of.finding() {
        Finding::Slight => return None,
        Finding::FitsNothing => {
            let _ = write!(
                text,
                "like none of the usual loads; {:.0} % of it is explained by no pattern",
                100.0 * of.unexplained
            );
        }
        Finding::Suspects => {
            let named: Vec<String> =
                of.suspects.iter().filter(|one| one.likelihood >= NAMED).map(suspect).collect();
            text.push_str(&named.join(", "));
            let best = HABITS.iter().zip(of.habits).max_by(|(_, one), (_, other)| one.total_cmp(other));
            if let Some((habit, fit)) = best.filter(|(_, fit)| *fit >= NAMED) {
                let joint = if named.is_empty() { "" } else { "; " };
                let _ = write!(
                    text,
                    "{joint}of single loads most like {} ({:.0} %)",
                    load(habit.load),
                    100.0 * fit
                );
            }
        }
    }
    Some(text)
}

fn suspect(one: &Suspect) -> String {
    let who = match one.pattern {
        Pattern::SinglePhase => "single-phase electronics and lighting",
        Pattern::SixPulse => "six-pulse drives",
        Pattern::TwelvePulse => "twelve-pulse drives",
        Pattern::Even => "half-wave load or a core with direct flux",
        Pattern::Resonance => "capacitors that resonate at low load",
    };
    let mut text = format!(
        "{who} {:.0} % (order {} tells; {:.1} % of the fundamental is laid to them",
        100.0 * one.likelihood,
        one.order,
        one.percent
    );
    if !matches!(one.pattern, Pattern::Even | Pattern::Resonance) {
        let _ = write!(text, "; part of all harmonics {:.1}", one.part);
    }
    let _ = write!(text, "; shape {:.1}, size {:.1} of 1)", one.shape, one.size);
    text
}

fn load(of: Load) -> &'static str {
    match of {
        Load::SixPulseReactor => "a six-pulse drive with a reactor",
        Load::SixPulseBare => "a six-pulse drive without a reactor",
        Load::SixPulseStiff => "a six-pulse converter with a stiff direct current",
        Load::TwelvePulse => "a twelve-pulse converter",
        Load::Electronic => "electronics without power-factor correction",
        Load::ElectronicCorrected => "electronics with power-factor correction",
        Load::LedDrivers => "LED lighting with larger drivers",
        Load::LedLamps => "small LED lamps",
        Load::Fluorescent => "fluorescent lamps",
        Load::VehicleSinglePhase => "vehicles that charge on one phase",
        Load::VehicleDirect => "vehicles that charge with direct current",
        Load::SupplySixPulse => "an older uninterruptible supply",
        Load::SupplyActive => "a modern uninterruptible supply",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::electrical::signature::{Seen, signature as of_spectrum};
    use kvarden_core::electrical::spectrum::Spectrum;
    use kvarden_core::phases::Place;

    fn told(orders: &[(u8, f64)]) -> Option<String> {
        let current = Spectrum::whole(orders.iter().copied());
        let signature = of_spectrum(Seen { current: &current, voltage: None, load_pu: Some(0.6) });
        let signature = signature.expect("a fundamental");
        super::signature(&SignatureNow { meter: "MP-3", place: Place::B, signature })
    }

    /// Figures within the guide's table of loads, of the drive within those of no other load (common practice, no source).
    #[test]
    fn a_drive_and_a_mixture_are_told_with_their_reasons_and_a_little_is_not() {
        let drive = told(&[(1, 100.0), (5, 38.0), (7, 17.0), (11, 7.5), (13, 5.0)]).expect("a suspect");
        assert!(drive.starts_with("MP-3, phase B, THD 43 %: six-pulse drives"), "{drive}");
        assert!(
            drive.contains("order 5 tells") && drive.contains("a six-pulse drive with a reactor"),
            "{drive}"
        );
        let electronics =
            told(&[(1, 100.0), (3, 72.0), (5, 48.0), (7, 22.0), (9, 12.0), (11, 6.0), (13, 5.0)]);
        let electronics = electronics.expect("a suspect");
        assert!(electronics.contains("single-phase electronics and lighting"), "{electronics}");
        assert_eq!(told(&[(1, 100.0), (3, 1.0), (5, 1.0), (7, 0.5)]), None);
    }
}
