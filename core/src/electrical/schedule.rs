//! Load schedule: what loads on phases and between them make of amperes on the lines and in the neutral.
//!
//! Volts are taken as balanced and 120° apart. Source: circuit theory; a line-to-line load is shared half and half in VA, and
//! by phasors in amperes.

use crate::phases::{PerPhase, Place};

/// One load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Load {
    /// A phase, or two lines.
    pub place: Place,
    /// Active power in W.
    pub power_w: f64,
    /// Its power factor, above 0 to 1, lagging.
    pub power_factor: f64,
}

/// What the loads make.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Schedule {
    /// Line amperes.
    pub amperes: PerPhase<f64>,
    /// Amperes in the neutral.
    pub neutral_a: f64,
    /// VA by phase.
    pub apparent_va: PerPhase<f64>,
}

/// Adds up loads on a system of `volts` line to neutral. `None` where a load or the volts are not what they may be.
pub fn schedule(volts: f64, loads: &[Load]) -> Option<Schedule> {
    if !(volts > 0.0 && volts.is_finite()) {
        return None;
    }
    let (mut lines, mut apparent) = ([(0.0, 0.0); 3], [0.0; 3]);
    for load in loads {
        let fits = load.power_w >= 0.0 && load.power_factor > 0.0 && load.power_factor <= 1.0;
        let lag = if fits { load.power_factor.acos() } else { return None };
        let own = load.power_w / load.power_factor;
        match ends(load.place)? {
            (phase, None) => {
                apparent[phase] += own;
                add(&mut lines[phase], own / volts, angle(phase) - lag);
            }
            (from, Some(to)) => {
                apparent[from] += own / 2.0;
                apparent[to] += own / 2.0;
                let amperes = own / (3f64.sqrt() * volts);
                // The volts between two lines lead those of the first by 30°.
                let at = angle(from) + 30f64.to_radians() - lag;
                add(&mut lines[from], amperes, at);
                add(&mut lines[to], -amperes, at);
            }
        }
    }
    let [a, b, c] = lines.map(|(re, im): (f64, f64)| re.hypot(im));
    let neutral = lines.iter().fold((0.0, 0.0), |sum: (f64, f64), line| (sum.0 + line.0, sum.1 + line.1));
    let neutral_a = neutral.0.hypot(neutral.1);
    let finite = [a, b, c, neutral_a].into_iter().chain(apparent).all(f64::is_finite);
    let [va_a, va_b, va_c] = apparent;
    finite.then_some(Schedule {
        amperes: PerPhase { a, b, c },
        neutral_a,
        apparent_va: PerPhase { a: va_a, b: va_b, c: va_c },
    })
}

fn angle(phase: usize) -> f64 {
    (-120.0 * phase as f64).to_radians()
}

fn add(line: &mut (f64, f64), amperes: f64, at: f64) {
    line.0 += amperes * at.cos();
    line.1 += amperes * at.sin();
}

fn ends(place: Place) -> Option<(usize, Option<usize>)> {
    Some(match place {
        Place::A => (0, None),
        Place::B => (1, None),
        Place::C => (2, None),
        Place::AB => (0, Some(1)),
        Place::BC => (1, Some(2)),
        Place::CA => (2, Some(0)),
        Place::Whole | Place::N => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn load(place: Place, power_w: f64, power_factor: f64) -> Load {
        Load { place, power_w, power_factor }
    }

    #[test]
    fn a_load_between_lines_puts_nothing_on_the_neutral() {
        for place in Place::LINES {
            let got = schedule(120.0, &[load(place, 4160.0, 0.8)]).unwrap();
            assert!(got.neutral_a < 1e-9, "{place}");
        }
        assert_eq!(schedule(120.0, &[load(Place::N, 1.0, 1.0)]), None);
        assert_eq!(schedule(120.0, &[load(Place::A, 1.0, 0.0)]), None);
        assert_eq!(schedule(0.0, &[]), None);
    }

    proptest! {
        /// Turned by a phase, everything turns by a phase; the neutral stays.
        #[test]
        fn phases_are_alike(watts in prop::array::uniform3(0.0..5000.0f64), factor in 0.3..1.0f64) {
            let of = |places: [Place; 3]| {
                let loads: Vec<Load> = places.into_iter().zip(watts).map(|(place, watts)| load(place, watts, factor)).collect();
                schedule(120.0, &loads).unwrap()
            };
            let (plain, turned) = (of([Place::A, Place::B, Place::CA]), of([Place::B, Place::C, Place::AB]));
            prop_assert!((plain.amperes.a - turned.amperes.b).abs() < 1e-9);
            prop_assert!((plain.amperes.c - turned.amperes.a).abs() < 1e-9);
            prop_assert!((plain.neutral_a - turned.neutral_a).abs() < 1e-9);
        }

        #[test]
        fn never_a_number_that_is_none(volts in prop::num::f64::ANY, va in prop::num::f64::ANY, factor in prop::num::f64::ANY) {
            if let Some(got) = schedule(volts, &[load(Place::A, va, factor), load(Place::BC, va, 0.9)]) {
                prop_assert!(got.neutral_a.is_finite() && got.amperes.values().iter().all(|a| a.is_finite()));
            }
        }
    }
}
