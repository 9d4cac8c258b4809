//! Phasors of the fundamental, and the three sequences into which any three of them fall.

use super::unbalance::NoUnbalance;
use num_complex::Complex;

/// A voltage or current of the fundamental: r.m.s. magnitude and angle, leading is positive.
pub type Phasor = Complex<f64>;

/// Where the negative sequence is more than so many times the positive one, the phases rotate backwards. Less is a fault: a
/// line lost before a delta–wye unit gives just as much of one as of the other (worked; the factor is common practice).
pub const BACKWARDS: f64 = 5.0;

/// A turn by 120°.
const TURN: Phasor = Complex::new(-0.5, 0.866_025_403_784_438_6);

/// A phasor from an r.m.s. magnitude (volts or amperes) and an angle in degrees. `None` for a negative magnitude and for what
/// is not finite.
pub fn phasor(magnitude: f64, degrees: f64) -> Option<Phasor> {
    let fit = magnitude.is_finite() && magnitude >= 0.0 && degrees.is_finite();
    fit.then(|| Phasor::from_polar(magnitude, (degrees % 360.0).to_radians()))
}

/// Three phasors from magnitudes and angles. `None` where one of them is none.
pub fn phasors(magnitudes: [f64; 3], degrees: [f64; 3]) -> Option<[Phasor; 3]> {
    let [a, b, c] = [0, 1, 2].map(|index| phasor(magnitudes[index], degrees[index]));
    Some([a?, b?, c?])
}

/// Three equal phasors, B behind A by 120° and C by 240°, A at 0°. `None` as with [`phasor`].
pub fn balanced(magnitude: f64) -> Option<[Phasor; 3]> {
    phasors([magnitude; 3], [0.0, -120.0, 120.0])
}

/// Between the lines: A − B, B − C, C − A.
pub fn between(phases: [Phasor; 3]) -> [Phasor; 3] {
    let [a, b, c] = phases;
    [a - b, b - c, c - a]
}

/// Symmetrical components: the three parts of any three phasors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sequence {
    /// X0: the same in each phase. It needs a neutral or earth to return by.
    pub zero: Phasor,
    /// X1: rotates A-B-C.
    pub positive: Phasor,
    /// X2: rotates A-C-B.
    pub negative: Phasor,
}

/// The unbalance of three phasors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratios {
    /// u2 = 100·|X2|/|X1|, in per cent.
    pub negative_percent: f64,
    /// u0 = 100·|X0|/|X1|, in per cent.
    pub zero_percent: f64,
}

/// How three phasors rotate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rotation {
    /// A-B-C, as usual.
    Abc,
    /// A-C-B: two leads are exchanged.
    Acb,
}

impl Sequence {
    /// The components of the phasors of A, B and C: X0 = (A + B + C)/3, X1 = (A + aB + a²C)/3, X2 = (A + a²B + aC)/3 with a
    /// turn a of 120°.
    ///
    /// From line-to-line phasors X0 is always 0: it needs those to neutral.
    ///
    /// Source: Fortescue, 1918; textbook, agrees with public worked examples.
    pub fn of(phases: [Phasor; 3]) -> Self {
        let [a, b, c] = phases;
        let (once, twice) = (TURN, TURN.conj());
        Self {
            zero: (a + b + c) / 3.0,
            positive: (a + once * b + twice * c) / 3.0,
            negative: (a + twice * b + once * c) / 3.0,
        }
    }

    /// The phasors of A, B and C again.
    pub fn phases(self) -> [Phasor; 3] {
        let (once, twice) = (TURN, TURN.conj());
        let Self { zero, positive, negative } = self;
        [
            zero + positive + negative,
            zero + twice * positive + once * negative,
            zero + once * positive + twice * negative,
        ]
    }

    /// Unbalance in per cent of the positive sequence. `floor`: least |X1| that is more than noise, in the unit of the
    /// phasors.
    ///
    /// Source: IEC 61000-4-30:2015, 5.7.1 (from memory); for currents by the same definition.
    ///
    /// # Errors
    /// [`NoUnbalance::NotMeasured`], [`NoUnbalance::BelowFloor`] and [`NoUnbalance::Backwards`].
    pub fn ratios(self, floor: f64) -> Result<Ratios, NoUnbalance> {
        let [zero, positive, negative] = self.magnitudes()?;
        if self.rotation(floor) == Some(Rotation::Acb) {
            return Err(NoUnbalance::Backwards);
        }
        let negative_percent = 100.0 * (negative / positive);
        let zero_percent = 100.0 * (zero / positive);
        let enough = positive >= floor && negative_percent.is_finite() && zero_percent.is_finite();
        enough.then_some(Ratios { negative_percent, zero_percent }).ok_or(NoUnbalance::BelowFloor)
    }

    /// How they rotate. `None` where it can't be told: little is there, or much of both sequences, as after the loss of a
    /// line. `floor`: least of the larger sequence that is more than noise.
    pub fn rotation(self, floor: f64) -> Option<Rotation> {
        let [_, positive, negative] = self.magnitudes().ok()?;
        if negative >= floor && negative > BACKWARDS * positive {
            Some(Rotation::Acb)
        } else if positive >= floor && positive > BACKWARDS * negative {
            Some(Rotation::Abc)
        } else {
            None
        }
    }

    /// |X0|, |X1| and |X2|.
    ///
    /// # Errors
    /// [`NoUnbalance::NotMeasured`] where one is not finite.
    pub fn magnitudes(self) -> Result<[f64; 3], NoUnbalance> {
        let magnitudes = [self.zero, self.positive, self.negative].map(Phasor::norm);
        let finite = magnitudes.iter().all(|magnitude| magnitude.is_finite());
        finite.then_some(magnitudes).ok_or(NoUnbalance::NotMeasured)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn balanced_phasors_are_all_positive_sequence() {
        let sequence = Sequence::of(balanced(120.0).unwrap());
        let [zero, positive, negative] = sequence.magnitudes().unwrap();
        assert!(zero < 1e-12 && negative < 1e-12 && (positive - 120.0).abs() < 1e-12, "{sequence:?}");
        assert_eq!(sequence.rotation(12.0), Some(Rotation::Abc));
    }

    // Seen to fail without the question after the rotation.
    #[test]
    fn exchanged_leads_rotate_backwards_and_give_no_unbalance() {
        let [a, b, c] = balanced(120.0).unwrap();
        let sequence = Sequence::of([b, a, c]);
        assert_eq!(sequence.rotation(12.0), Some(Rotation::Acb));
        assert_eq!(sequence.ratios(12.0), Err(NoUnbalance::Backwards));
    }

    /// A lost line before a delta–wye unit: 60 V, 120 V and 60 V, the two alike and the third against them (worked in the
    /// guide): as much negative as positive sequence is a fault and no exchange of leads.
    #[test]
    fn a_lost_line_is_not_taken_for_exchanged_leads() {
        let sequence = Sequence::of(phasors([60.0, 120.0, 60.0], [180.0, 0.0, 180.0]).unwrap());
        let ratios = sequence.ratios(12.0).unwrap();
        assert!((ratios.negative_percent - 100.0).abs() < 1e-9 && ratios.zero_percent < 1e-9, "{ratios:?}");
        assert_eq!(sequence.rotation(12.0), None);
    }

    #[test]
    fn nothing_or_only_zero_sequence_has_no_ratio() {
        let dead = Sequence::of([Phasor::default(); 3]);
        assert_eq!(dead.ratios(0.0), Err(NoUnbalance::BelowFloor));
        let triplen = Sequence::of(phasors([5.0; 3], [10.0; 3]).unwrap());
        assert_eq!(triplen.ratios(0.1), Err(NoUnbalance::BelowFloor));
        let absurd = Sequence::of(phasors([f64::MAX; 3], [0.0; 3]).unwrap());
        assert_eq!(absurd.ratios(0.0), Err(NoUnbalance::NotMeasured));
        assert_eq!(phasor(-1.0, 0.0), None);
        assert_eq!(phasor(1.0, f64::NAN), None);
        assert_eq!(phasor(f64::INFINITY, 0.0), None);
    }
}
