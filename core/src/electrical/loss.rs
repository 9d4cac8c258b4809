//! What harmonics do to a transformer's load losses: the weights of C57.110, K-factor and the European factor K, and what the
//! eddy loss of its windings is.

use super::spectrum::{Lacking, Spectrum, finite};

/// h^0.8 for the orders 1 to 50, the weight of other stray loss (IEEE C57.110-2018, exponent from memory). Written out
/// because a power is too slow for each order of each reading.
const STRAY: [f64; Spectrum::HIGHEST as usize] = [
    1.0,
    1.741_101_127,
    2.408_224_685,
    3.031_433_133,
    3.623_898_318,
    4.192_962_713,
    4.743_276_394,
    5.278_031_643,
    5.799_546_135,
    6.309_573_445,
    6.809_483_128,
    7.300_372_103,
    7.783_137_122,
    8.258_523_873,
    8.727_161_387,
    9.189_586_84,
    9.646_263_856,
    10.097_596_309,
    10.543_938_904,
    10.985_605_433,
    11.422_875_301,
    11.855_998_745,
    12.285_201_067,
    12.710_686_093,
    13.132_639_022,
    13.551_228_812,
    13.966_610_165,
    14.378_925_219,
    14.788_304_975,
    15.194_870_523,
    15.598_734_101,
    16.0,
    16.398_765_362,
    16.795_120_868,
    17.189_151_347,
    17.580_936_31,
    17.970_550_417,
    18.358_063_904,
    18.743_542_946,
    19.127_049_996,
    19.508_644_077,
    19.888_381_055,
    20.266_313_873,
    20.642_492_772,
    21.016_965_485,
    21.389_777_419,
    21.760_971_81,
    22.130_589_876,
    22.498_670_948,
    22.865_252_596,
];

/// How a loss grows with the order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// Eddy loss in the windings: h².
    Eddy,
    /// Other stray loss, in structure and bus bars: h^0.8.
    OtherStray,
}

impl Loss {
    fn weight(self, order: u8) -> f64 {
        match self {
            Self::Eddy => f64::from(order).powi(2),
            Self::OtherStray => STRAY[usize::from(order) - 1],
        }
    }
}

/// Without these there is no loss factor (common practice, no source).
const NEEDED: [u8; 4] = [1, 3, 5, 7];

/// The harmonic loss factor: `F_HL = Σ I_h²·h² / Σ I_h²` for eddy loss, `F_HL-STR = Σ I_h²·h^0.8 / Σ I_h²` for other stray loss.
/// A ratio: any unit gives the same, and a pure sine gives 1. Many meters call the first one "K-factor", which it is not:
/// see [`k_factor`].
///
/// * `floor`: least fundamental, in the spectrum's unit.
///
/// Orders that are absent are left out, so that a short list understates it: show [`Spectrum::reach`] beside it.
///
/// Source: a public conference paper's definition of the C57.110 factor; the exponent 0.8 from memory of IEEE C57.110-2018.
///
/// # Errors
/// What is lacking: orders 1, 3, 5 and 7 are needed.
pub fn loss_factor(spectrum: &Spectrum, of: Loss, floor: f64) -> Result<f64, Lacking> {
    spectrum.fundamental(floor)?;
    spectrum.needs(&NEEDED, 0)?;
    let largest = spectrum.largest();
    let (mut weighted, mut plain) = (0.0, 0.0);
    for (order, value) in spectrum.present() {
        let square = (value / largest).powi(2);
        plain += square;
        weighted += square * of.weight(order);
    }
    finite(weighted / plain)
}

/// The most that F_HL-STR can be where only `F_HL` is known: `F_HL^0.4`. `None` for a factor below 1.
///
/// Reasoning, no source: h^0.8 is (h²)^0.4, and the mean of a power below 1 is at most that power of the mean.
pub fn most_other_stray(factor: f64) -> Option<f64> {
    (factor >= 1.0 && factor.is_finite()).then(|| factor.powf(0.4))
}

/// The K-factor of a load: `K = Σ (I_h/I_R)²·h²`. It falls with the square of the load; at rated current it is the harmonic loss
/// factor.
///
/// * `spectrum`: in amperes. `rated`: rated r.m.s. amperes.
///
/// Source: UL 1561 and UL 1562 (from memory).
///
/// # Errors
/// What is lacking.
pub fn k_factor(spectrum: &Spectrum, rated: f64) -> Result<f64, Lacking> {
    if !(rated > 0.0 && rated.is_finite()) {
        return Err(Lacking::Base);
    }
    spectrum.needs(&NEEDED, 0)?;
    finite(spectrum.present().map(|(order, value)| (value / rated * f64::from(order)).powi(2)).sum())
}

/// The K-factor from the harmonic loss factor: `K = F_HL·(I/I_R)²`, I being the true r.m.s. current.
///
/// Source: from the two definitions.
///
/// # Errors
/// What is lacking.
pub fn k_of_loss_factor(factor: f64, current: f64, rated: f64) -> Result<f64, Lacking> {
    if !(rated > 0.0 && rated.is_finite()) {
        return Err(Lacking::Base);
    }
    if factor >= 0.0 && current >= 0.0 {
        finite(factor * (current / rated).powi(2))
    } else {
        Err(Lacking::Range)
    }
}

/// The factor by which a European unit's kVA is divided:
/// `K = √[1 + e/(1+e)·(I_1/I)²·Σ_{n≥2} n^q·(I_n/I_1)²]`.
///
/// * `eddy_share`: e, eddy loss at the fundamental per unit of the loss by resistance, 0.05 to 0.1 as a rule.
/// * `exponent`: q, 1.7 for round or rectangular wire, 1.5 for foil.
///
/// Source: EN 50464-3, formerly BS 7821-4 (from memory). The sum begins at 2, since a pure sine must give 1.
///
/// # Errors
/// What is lacking.
pub fn european_factor(spectrum: &Spectrum, eddy_share: f64, exponent: f64) -> Result<f64, Lacking> {
    spectrum.fundamental(0.0)?;
    spectrum.needs(&NEEDED, 0)?;
    if !(eddy_share >= 0.0 && eddy_share.is_finite() && (0.0..=2.0).contains(&exponent)) {
        return Err(Lacking::Range);
    }
    let largest = spectrum.largest();
    let (mut weighted, mut plain) = (0.0, 0.0);
    for (order, value) in spectrum.present() {
        let square = (value / largest).powi(2);
        plain += square;
        if order > 1 {
            weighted += square * f64::from(order).powf(exponent);
        }
    }
    finite((1.0 + eddy_share / (1.0 + eddy_share) * weighted / plain).sqrt())
}

/// What the test report says of a two-winding transformer. Resistances are measured between terminals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TestReport {
    /// Load loss in watts at rated current.
    pub load_loss_w: f64,
    /// Rated amperes and resistance in ohms of the high-voltage side.
    pub outer: (f64, f64),
    /// Rated amperes and resistance in ohms of the low-voltage side, whose winding lies inside.
    pub inner: (f64, f64),
    /// High over low volts.
    pub turns_ratio: f64,
    /// Three phases, else one.
    pub three_phases: bool,
    /// Which part of the stray loss is winding eddy loss: see [`eddy_part_of_stray`].
    pub eddy_part: f64,
}

/// The load loss taken apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossSplit {
    /// By resistance, in watts.
    pub copper_w: f64,
    /// All that is more, in watts.
    pub stray_w: f64,
    /// Eddy loss in the windings, in watts.
    pub eddy_w: f64,
    /// The rest of the stray loss, in watts.
    pub other_stray_w: f64,
    /// Winding eddy loss at the hottest place, per unit of the loss by resistance there.
    pub hottest_eddy_pu: f64,
}

/// Which part of the stray loss is winding eddy loss, if nothing is measured: 0.67 in dry types, 0.33 in liquid.
///
/// Source: IEEE C57.110-2018 (from memory).
pub fn eddy_part_of_stray(liquid: bool) -> f64 {
    if liquid { 0.33 } else { 0.67 }
}

/// Takes the load loss apart: `copper = k·(I1²R1 + I2²R2)`, `stray = load loss − copper`, and the eddy loss in the inner winding
/// as densest there: `c·P_EC/(k·I2²R2)`, k = 1.5 for three phases and 1 for one, c = 2.8 where the turns ratio is above 4 and a
/// winding carries more than 1000 A, else 2.4.
///
/// Source: IEEE C57.110-2018, annex (from memory).
///
/// # Errors
/// [`Lacking::Base`] for what is not above zero, [`Lacking::Range`] where the loss by resistance exceeds the load loss: the
/// report's resistances are then at another temperature, or not between terminals.
pub fn split(report: &TestReport) -> Result<LossSplit, Lacking> {
    let ((outer_a, outer_ohm), (inner_a, inner_ohm)) = (report.outer, report.inner);
    let all = [report.load_loss_w, outer_a, outer_ohm, inner_a, inner_ohm, report.turns_ratio];
    if !all.iter().all(|value| *value > 0.0 && value.is_finite()) {
        return Err(Lacking::Base);
    }
    let phases = if report.three_phases { 1.5 } else { 1.0 };
    let inner_w = phases * inner_a.powi(2) * inner_ohm;
    let copper_w = phases * outer_a.powi(2) * outer_ohm + inner_w;
    let stray_w = report.load_loss_w - copper_w;
    if !(stray_w >= 0.0 && (0.0..=1.0).contains(&report.eddy_part)) {
        return Err(Lacking::Range);
    }
    let eddy_w = report.eddy_part * stray_w;
    let heavy = report.turns_ratio > 4.0 && outer_a.max(inner_a) > 1000.0;
    let density = if heavy { 2.8 } else { 2.4 };
    let hottest_eddy_pu = finite(density * eddy_w / inner_w)?;
    Ok(LossSplit { copper_w, stray_w, eddy_w, other_stray_w: stray_w - eddy_w, hottest_eddy_pu })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_written_weights_are_the_powers_that_they_stand_for() {
        for (order, weight) in (1u8..).zip(STRAY) {
            assert!((weight - f64::from(order).powf(0.8)).abs() < 1e-8, "{order}");
        }
    }

    /// From the definitions: at rated r.m.s. current K is the loss factor, at half of it a quarter.
    #[test]
    fn k_falls_with_the_square_of_the_load() {
        let spectrum = Spectrum::whole([(1, 100.0), (3, 30.0), (5, 20.0), (7, 10.0)]);
        let factor = loss_factor(&spectrum, Loss::Eddy, 0.0).unwrap();
        let current = 106.770_783;
        let at_rated = k_factor(&spectrum, current).unwrap();
        assert!((at_rated - factor).abs() < 1e-6, "{at_rated} {factor}");
        assert!((k_factor(&spectrum, 2.0 * current).unwrap() - factor / 4.0).abs() < 1e-6);
        assert!((k_of_loss_factor(factor, current / 2.0, current).unwrap() - factor / 4.0).abs() < 1e-9);
        assert_eq!(k_factor(&spectrum, 0.0), Err(Lacking::Base));
        assert_eq!(k_of_loss_factor(f64::NAN, 1.0, 1.0), Err(Lacking::Range));
    }

    // Seen to fail when only the fundamental was needed.
    #[test]
    fn without_the_leading_orders_there_is_no_factor() {
        let spectrum = Spectrum::given([(1, 100.0), (3, 30.0), (5, 20.0)]);
        assert_eq!(loss_factor(&spectrum, Loss::Eddy, 0.0), Err(Lacking::Order(7)));
        assert_eq!(k_factor(&spectrum, 10.0), Err(Lacking::Order(7)));
        assert_eq!(european_factor(&spectrum, 0.1, 1.7), Err(Lacking::Order(7)));
        let light = Spectrum::whole([(1, 1.0)]);
        assert_eq!(loss_factor(&light, Loss::Eddy, 2.0), Err(Lacking::Fundamental));
    }

    /// A report whose resistances alone lose more than the load loss contradicts itself.
    #[test]
    fn a_report_that_contradicts_itself_gives_no_split() {
        let report = TestReport {
            load_loss_w: 2600.0,
            outer: (90.21, 0.085),
            inner: (208.18, 0.016),
            turns_ratio: 2.3077,
            three_phases: true,
            eddy_part: eddy_part_of_stray(false),
        };
        assert!(split(&report).is_ok());
        assert_eq!(split(&TestReport { load_loss_w: 2000.0, ..report }), Err(Lacking::Range));
        assert_eq!(split(&TestReport { inner: (208.18, 0.0), ..report }), Err(Lacking::Base));
        // The greater density counts only above 4:1 and above 1000 A together (IEEE C57.110, from memory).
        let large = TestReport { inner: (1200.0, 0.0004), turns_ratio: 5.0, ..report };
        let heavy = split(&large).unwrap().hottest_eddy_pu;
        let near = split(&TestReport { turns_ratio: 4.0, ..large }).unwrap().hottest_eddy_pu;
        assert!((heavy / near - 2.8 / 2.4).abs() < 1e-12);
    }
}
