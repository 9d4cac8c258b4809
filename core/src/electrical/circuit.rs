//! How volts and amperes of a three-phase circuit go together: delta and wye, the neutral, the drop along a line, and what a
//! meter makes of leads that are not where they belong.

use super::phasors::{Phasor, Rotation, Sequence, between, phasor};
use crate::phases::Phase;

/// Amperes in the windings of a delta, AB, BC and CA, from those in its lines: `(I_A − I_B)/3` and so on; balanced it is
/// 1/√3 of the line's. What circulates in the delta does not show in the lines, so it is not in this.
///
/// Source: three-phase circuit theory, textbook.
pub fn delta_windings(lines: [Phasor; 3]) -> [Phasor; 3] {
    between(lines).map(|difference| difference / 3.0)
}

/// Volts to neutral on the wye side of a delta–wye unit, per unit, from the volts of the three lines of its delta side, per
/// unit: `V_a = (V_A − V_C)/√3` and so on. The wye side lags by 30°, the usual connection (IEEE C57.12.70, from memory).
/// Without load; it has no zero sequence, whatever the lines have.
pub fn wye_volts(delta: [Phasor; 3]) -> [Phasor; 3] {
    let [a, b, c] = delta;
    [a - c, b - a, c - b].map(|difference| difference / 3f64.sqrt())
}

/// Amperes in the lines of the delta side, per unit, from those of the phases of the wye side, per unit: `I_A = (I_a − I_b)/√3`
/// and so on, the connection as in [`wye_volts`]. A load on one phase shows in two lines; zero sequence and balanced
/// triplen current stay in the delta.
pub fn delta_amperes(wye: [Phasor; 3]) -> [Phasor; 3] {
    between(wye).map(|difference| difference / 3f64.sqrt())
}

/// Amperes in the neutral from those of the phases where all have the same power factor:
/// `I_N = √(A² + B² + C² − AB − BC − CA)`. Fundamental only: triplen orders add to it.
///
/// `None` for what is negative or not finite.
///
/// Source: derivation in a public forum, and public neutral current calculators.
pub fn neutral_of_magnitudes(amperes: [f64; 3]) -> Option<f64> {
    if amperes.iter().any(|value| *value < 0.0) {
        return None;
    }
    // Half the squares of the differences: the same sum, without taking nearly equal numbers from each other.
    let [a, b, c] = amperes;
    let neutral = (a - b).hypot(b - c).hypot(c - a) * std::f64::consts::FRAC_1_SQRT_2;
    neutral.is_finite().then_some(neutral)
}

/// Amperes in the neutral: the sum of the phases' phasors. Fundamental only. `None` for what is not finite.
pub fn neutral_of_phasors(amperes: [Phasor; 3]) -> Option<f64> {
    let neutral = (amperes[0] + amperes[1] + amperes[2]).norm();
    neutral.is_finite().then_some(neutral)
}

/// Volts at the end of a line: `|V − I·(R + jX)|`.
///
/// * `volts`: at its beginning, to neutral. * `amperes`: that flow, lagging these volts by `lag_degrees`.
/// * `ohms`: resistance and reactance of the line.
///
/// `None` for a negative magnitude or resistance and for what is not finite.
///
/// Source: circuit theory, textbook.
pub fn volts_after(volts: f64, amperes: f64, ohms: (f64, f64), lag_degrees: f64) -> Option<f64> {
    let (resistance, reactance) = ohms;
    let drop = phasor(amperes, -lag_degrees)? * Phasor::new(resistance, reactance);
    let after = (phasor(volts, 0.0)? - drop).norm();
    (resistance >= 0.0 && after.is_finite()).then_some(after)
}

/// Which true phase reaches each of a meter's three inputs, and by what factor: −1 is turned round, 0 a blown fuse, k a
/// wrong ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leads {
    /// By input A, B, C.
    pub from: [Phase; 3],
    /// By input A, B, C.
    pub factor: [f64; 3],
}

impl Leads {
    /// As drawn.
    pub const AS_DRAWN: Self = Self { from: [Phase::A, Phase::B, Phase::C], factor: [1.0; 3] };

    /// What reaches the inputs.
    pub fn carry(&self, phases: [Phasor; 3]) -> [Phasor; 3] {
        [0, 1, 2].map(|input| phases[self.from[input] as usize] * self.factor[input])
    }
}

/// What a meter makes of its inputs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Watts and vars of each input, S = V·I*: lagging current has positive vars.
    pub powers: [Phasor; 3],
    /// Their sum.
    pub total: Phasor,
    /// How its volts rotate; `None` where that can't be told.
    pub rotation: Option<Rotation>,
}

/// What a meter shows of a circuit through its leads. `None` for what is not finite.
///
/// Source: complex power of phasors, textbook.
pub fn shown(
    volts: [Phasor; 3],
    amperes: [Phasor; 3],
    (voltage, current): (&Leads, &Leads),
) -> Option<Shown> {
    let (volts, amperes) = (voltage.carry(volts), current.carry(amperes));
    let powers = [0, 1, 2].map(|input| volts[input] * amperes[input].conj());
    let total = powers[0] + powers[1] + powers[2];
    let rotation = Sequence::of(volts).rotation(0.0);
    total.is_finite().then_some(Shown { powers, total, rotation })
}

#[cfg(test)]
mod tests {
    use super::super::phasors::{balanced, phasors};
    use super::*;
    use std::f64::consts::SQRT_2;

    fn near(got: f64, want: f64, within: f64) {
        assert!((got - want).abs() <= within, "{got} is not {want}");
    }

    /// Balanced: √3 between the lines, 30° ahead; 1/√3 in a delta's windings (three-phase circuit theory).
    #[test]
    fn balanced_delta_and_wye() {
        let phases = balanced(277.0).unwrap();
        let [ab, ..] = between(phases);
        near(ab.norm(), 479.778, 0.001);
        near(ab.arg().to_degrees(), 30.0, 1e-9);
        near(delta_windings(balanced(90.2).unwrap())[1].norm(), 52.077, 0.001);
        // The wye side lags by 30°.
        let [a, ..] = wye_volts(phases);
        near(a.norm(), 277.0, 1e-9);
        near(a.arg().to_degrees(), -30.0, 1e-9);
        near(delta_amperes(phases)[0].norm(), 277.0, 1e-9);
    }

    /// The faces that the guide names: a primary line that floats gives ½, 1, ½ to neutral and 0.87, 0.87, 0 between the
    /// lines (worked there).
    #[test]
    fn a_lost_line_before_a_delta_wye_unit() {
        let [_, b, c] = balanced(1.0).unwrap();
        let volts = wye_volts([(b + c) / 2.0, b, c]);
        for (got, want) in volts.into_iter().zip([0.5, 0.5, 1.0]) {
            near(got.norm(), want, 1e-12);
        }
        for (got, want) in between(volts).into_iter().zip([0.0, 0.866, 0.866]) {
            near(got.norm() / 3f64.sqrt(), want, 0.0005);
        }
    }

    /// The wye side's zero sequence does not show in the delta's lines, its negative one passes, turned.
    #[test]
    fn unbalance_passes_a_delta_wye_unit_and_zero_sequence_does_not() {
        let amperes = phasors([100.0, 60.0, 80.0], [-20.0, -150.0, 110.0]).unwrap();
        let (wye, delta) = (Sequence::of(amperes), Sequence::of(delta_amperes(amperes)));
        near(delta.zero.norm(), 0.0, 1e-12);
        near(delta.positive.norm(), wye.positive.norm(), 1e-12);
        near(delta.negative.norm(), wye.negative.norm(), 1e-12);
        // A load on one phase shows in two lines.
        let one = phasors([100.0, 0.0, 0.0], [0.0; 3]).unwrap();
        let lines = delta_amperes(one).map(Phasor::norm);
        near(lines[0], 57.735, 0.001);
        near(lines[1], 0.0, 1e-12);
        near(lines[2], 57.735, 0.001);
    }

    #[test]
    fn the_neutral_by_magnitudes_is_that_by_phasors_at_equal_power_factor() {
        let by_phasors =
            neutral_of_phasors(phasors([10.0, 15.0, 20.0], [-25.0, -145.0, 95.0]).unwrap()).unwrap();
        near(neutral_of_magnitudes([10.0, 15.0, 20.0]).unwrap(), by_phasors, 1e-12);
        // One phase alone returns whole by the neutral.
        near(neutral_of_magnitudes([12.0, 0.0, 0.0]).unwrap(), 12.0, 1e-12);
        assert_eq!(neutral_of_magnitudes([f64::NAN, 1.0, 1.0]), None);
        assert_eq!(neutral_of_magnitudes([-1.0, 1.0, 1.0]), None);
        assert_eq!(neutral_of_magnitudes([f64::MAX, 0.0, 0.0]), None);
    }

    #[test]
    fn no_line_has_less_than_no_resistance() {
        assert_eq!(volts_after(277.0, 200.0, (-0.01, 0.0), 0.0), None);
        assert_eq!(volts_after(277.0, f64::NAN, (0.01, 0.0), 0.0), None);
        near(volts_after(277.0, 200.0, (0.01, 0.0), 0.0).unwrap(), 275.0, 1e-9);
        near(volts_after(1.0, 1.0, (0.0, 1.0), 0.0).unwrap(), SQRT_2, 1e-12);
    }

    /// The whole table of the guide, "Is the meter wired as drawn", for a balanced load lagging by 25° (worked there by
    /// phasors): factors of V·I by input, and the total in parts of the true one.
    #[test]
    fn every_way_of_wrong_leads_shows_its_powers() {
        use Phase::{A, B, C};
        let (volts, amperes) = (balanced(1.0).unwrap(), phasors([1.0; 3], [-25.0, -145.0, 95.0]).unwrap());
        let drawn = Leads::AS_DRAWN;
        let (good, one, two) = (0.906, -0.819, -0.087);
        let turned = |factor| (drawn, Leads { factor, ..drawn });
        let moved = |from| (drawn, Leads { from, ..drawn });
        let rows = [
            ("as drawn", (drawn, drawn), [good, good, good], 1.0, Some(Rotation::Abc)),
            ("one reversed", turned([-1.0, 1.0, 1.0]), [-good, good, good], 1.0 / 3.0, Some(Rotation::Abc)),
            (
                "two reversed",
                turned([-1.0, -1.0, 1.0]),
                [-good, -good, good],
                -1.0 / 3.0,
                Some(Rotation::Abc),
            ),
            ("all reversed", turned([-1.0; 3]), [-good; 3], -1.0, Some(Rotation::Abc)),
            ("amperes A and B exchanged", moved([B, A, C]), [one, two, good], 0.0, Some(Rotation::Abc)),
            ("amperes moved on", moved([B, C, A]), [one; 3], one / good, Some(Rotation::Abc)),
            ("amperes moved back", moved([C, A, B]), [two; 3], two / good, Some(Rotation::Abc)),
            (
                "volts A and B exchanged",
                (Leads { from: [B, A, C], ..drawn }, drawn),
                [two, one, good],
                0.0,
                Some(Rotation::Acb),
            ),
            (
                "a ratio of one half",
                turned([1.0, 1.0, 0.5]),
                [good, good, 0.453],
                2.5 / 3.0,
                Some(Rotation::Abc),
            ),
            (
                "a fuse blown",
                (Leads { factor: [0.0, 1.0, 1.0], ..drawn }, drawn),
                [0.0, good, good],
                2.0 / 3.0,
                None,
            ),
        ];
        for (name, (voltage, current), powers, total, rotation) in rows {
            let got = shown(volts, amperes, (&voltage, &current)).unwrap();
            for (power, want) in got.powers.iter().zip(powers) {
                assert!((power.re - want).abs() < 0.001, "{name}: {got:?}");
            }
            assert!((got.total.re / (3.0 * 0.906_308) - total).abs() < 0.001, "{name}: {got:?}");
            assert_eq!(got.rotation, rotation, "{name}");
        }
    }
}
