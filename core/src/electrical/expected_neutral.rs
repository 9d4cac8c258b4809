//! What the neutral carries by the spectra of the phases, and what of that can't be known from magnitudes.

use super::spectrum::{Lacking, Sequence, Spectrum, finite};

/// The current that a neutral should carry, in amperes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// If the three phases draw their harmonics alike, which is how loads of one kind behave.
    pub amps: f64,
    /// No less, whatever the angles that nobody measured.
    pub least: f64,
    /// No more.
    pub most: f64,
}

/// Orders 3 and 9 carry nearly all of it (common practice, no source).
const NEEDED: [u8; 3] = [1, 3, 9];

/// The current in the neutral of a balanced load of which one phase is given: `3·√Σ I_h²` over the orders that all three phases
/// draw in step; the others cancel.
///
/// Source: Masters, Renewable and Efficient Electric Power Systems, eq. 2.102, for the third; likewise 6, 9, 12 and so on.
///
/// # Errors
/// What is lacking.
pub fn balanced(spectrum: &Spectrum) -> Result<f64, Lacking> {
    spectrum.fundamental(0.0)?;
    spectrum.needs(&NEEDED, 0)?;
    finite(3.0 * spectrum.root_sum(|order| Sequence::of_order(order) == Some(Sequence::Zero)))
}

/// The current in the neutral of three phases of any size.
///
/// * `phases`: spectra of A, B and C in amperes. Only orders that all three give are counted.
/// * `angles`: of the fundamental currents in degrees, positive leading; without them equal power factors are assumed.
///
/// In each order: those that turn add as `√(A² + B² + C² − AB − BC − CA)`, those that swing in step as `A + B + C`; the orders as
/// the root of the sum of squares. The bounds take any angles in the orders whose angles are not measured: from what the largest
/// has over the other two to all three together.
///
/// Source: forum derivation and calculator pages for the fundamental, Masters eq. 2.102 for the orders in step; the bounds by
/// the triangle's rule.
///
/// # Errors
/// What is lacking.
pub fn expected(phases: [&Spectrum; 3], angles: Option<[f64; 3]>) -> Result<Expected, Lacking> {
    for phase in phases {
        phase.needs(&NEEDED, 0)?;
    }
    let largest = phases.iter().map(|phase| phase.largest()).fold(0.0, f64::max);
    if largest <= 0.0 {
        return Ok(Expected { amps: 0.0, least: 0.0, most: 0.0 });
    }
    let mut squares = [0.0; 3];
    for order in 1..=Spectrum::HIGHEST {
        let [Some(a), Some(b), Some(c)] = phases.map(|phase| phase.get(order)) else { continue };
        let three = [a / largest, b / largest, c / largest];
        let parts = match angles.filter(|_| order == 1) {
            Some(angles) => [phasor_sum(three, angles); 3],
            None => of_order(order, three),
        };
        for (sum, part) in squares.iter_mut().zip(parts) {
            *sum += part * part;
        }
    }
    let [amps, least, most] = squares.map(|sum| finite(largest * sum.sqrt()));
    Ok(Expected { amps: amps?, least: least?, most: most? })
}

/// What three currents of one order make: usually, at least and at most.
fn of_order(order: u8, [a, b, c]: [f64; 3]) -> [f64; 3] {
    let all = a + b + c;
    let least = (2.0 * a.max(b).max(c) - all).max(0.0);
    if Sequence::of_order(order) == Some(Sequence::Zero) {
        return [all, least, all];
    }
    // By differences, so that three equal ones make exactly nothing.
    let turning = (0.5 * ((a - b).powi(2) + (b - c).powi(2) + (c - a).powi(2))).sqrt();
    [turning, least, all]
}

fn phasor_sum(amps: [f64; 3], degrees: [f64; 3]) -> f64 {
    let parts = amps.into_iter().zip(degrees).map(|(amps, degrees)| (amps, degrees.to_radians()));
    let (re, im) =
        parts.fold((0.0, 0.0), |(re, im), (amps, angle)| (re + amps * angle.cos(), im + amps * angle.sin()));
    f64::hypot(re, im)
}

/// A measured neutral this much above the expected one, and by so many amperes, means something (common practice, no source).
const EXCESS: (f64, f64) = (0.20, 5.0);

/// By how many amperes a measured neutral exceeds the expected one, where that means something: more than a fifth and more than
/// 5 A. It points to a wrong current transformer, to orders that are not given, or to a load that returns elsewhere.
///
/// Source: common practice, no source.
pub fn excess_a(measured: f64, expected: f64) -> Option<f64> {
    let (share, least) = EXCESS;
    let excess = measured - expected;
    (excess > share * expected && excess > least && excess.is_finite()).then_some(excess)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Typical electronic load, worked in the handbook: 100, 66, 38, 13, 5 A at 1, 3, 5, 7, 9: neutral 198.6 A.
    fn electronic(scale: f64) -> Spectrum {
        Spectrum::whole(
            [(1, 100.0), (3, 66.0), (5, 38.0), (7, 13.0), (9, 5.0)]
                .map(|(order, amps)| (order, scale * amps)),
        )
    }

    #[test]
    fn balanced_phases_leave_only_the_orders_in_step() {
        let phase = electronic(1.0);
        let got = expected([&phase; 3], None).unwrap();
        assert!((got.amps - 198.567).abs() < 0.001 && (balanced(&phase).unwrap() - got.amps).abs() < 1e-9);
        assert!(got.least < 1e-9, "with angles of any kind three equal currents may cancel");
        assert!((got.most - 3.0 * 126.467).abs() < 0.01);
        let turned = expected([&phase; 3], Some([-20.0, -140.0, 100.0])).unwrap();
        assert!((turned.amps - got.amps).abs() < 1e-9 && turned.most < got.most);
    }

    /// 10, 15 and 20 A: 8.66 A (public calculator); 50, 40, 30 A at −10, −145, 115°: 5.838 A (check case).
    #[test]
    fn pure_sines_leave_what_their_phasors_leave() {
        let sine = |amps| Spectrum::whole([(1, amps)]);
        let [a, b, c] = [10.0, 15.0, 20.0].map(sine);
        assert!((expected([&a, &b, &c], None).unwrap().amps - 8.660).abs() < 0.001);
        let [a, b, c] = [50.0, 40.0, 30.0].map(sine);
        let got = expected([&a, &b, &c], Some([-10.0, -145.0, 115.0])).unwrap();
        assert!((got.amps - 5.838).abs() < 0.001 && (got.least - got.most).abs() < 1e-12);
    }

    #[test]
    fn one_phase_alone_comes_back_through_the_neutral_whole() {
        let (alone, none) = (electronic(1.0), electronic(0.0));
        let got = expected([&alone, &none, &none], None).unwrap();
        assert!((got.amps - 126.467).abs() < 0.001 && (got.least - got.most).abs() < 1e-9, "{got:?}");
        let dead = expected([&none; 3], None).unwrap();
        assert_eq!((dead.amps, dead.most), (0.0, 0.0));
        assert_eq!(expected([&alone, &none, &Spectrum::EMPTY], None), Err(Lacking::Order(1)));
    }

    #[test]
    fn only_a_neutral_well_above_the_expected_one_means_something() {
        assert_eq!(excess_a(130.0, 100.0), Some(30.0));
        assert_eq!(
            (excess_a(119.0, 100.0), excess_a(14.0, 10.0), excess_a(f64::NAN, 1.0)),
            (None, None, None)
        );
    }
}
