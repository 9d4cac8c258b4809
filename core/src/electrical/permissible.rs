//! How much current of a given spectrum a transformer may carry, and how hot a liquid-filled one gets with it.

use super::loss::eddy_part_of_stray;
use super::spectrum::Lacking;

/// The two weights of a spectrum, see [`loss_factor`](super::loss::loss_factor).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// Of winding eddy loss: `F_HL`.
    pub eddy: f64,
    /// Of other stray loss: F_HL-STR.
    pub other_stray: f64,
}

/// Winding eddy loss per unit of the loss by resistance, if nothing is known (common practice, no source): dry types up to
/// 300 kVA, larger ones, liquid-filled.
const USUAL_EDDY: [f64; 3] = [0.08, 0.12, 0.05];

/// Between these it usually lies (common practice, no source).
pub const USUAL_EDDY_RANGE: (f64, f64) = (0.02, 0.15);

/// Winding eddy loss per unit of the loss by resistance that is taken if nothing is known.
pub fn usual_eddy_pu(kva: f64, liquid: bool) -> f64 {
    let [small, large, in_liquid] = USUAL_EDDY;
    match (liquid, kva > 300.0) {
        (true, _) => in_liquid,
        (false, true) => large,
        (false, false) => small,
    }
}

/// By what a transformer's load with harmonics is bounded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bounded {
    /// A dry type: winding eddy loss at rated load, per unit of the loss by resistance, at the hottest place (P_EC-R).
    Dry {
        /// P_EC-R.
        eddy_pu: f64,
    },
    /// Liquid-filled: likewise, and other stray loss (P_OSL-R), which heats the liquid.
    Liquid {
        /// P_EC-R.
        eddy_pu: f64,
        /// P_OSL-R.
        other_stray_pu: f64,
    },
    /// Built for a K-factor at rated current.
    KRated {
        /// Its K-rating.
        k: f64,
    },
}

/// By what a load is bounded, and where that comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownBound {
    /// The bound.
    pub bounded: Bounded,
    /// Where it comes from.
    pub by: BoundBy,
}

/// Where the share of eddy loss, or what stands in its place, comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BoundBy {
    /// The K-rating on the nameplate.
    KRating,
    /// The share that its maker or owner gives.
    Given,
    /// Load loss and winding resistances of the test report.
    TestReport,
    /// Nothing of it is known: the usual share is taken.
    Usual,
}

impl BoundBy {
    /// Words for where a limit's numbers come from.
    pub fn words(self) -> &'static str {
        match self {
            Self::KRating => "its K-rating",
            Self::Given => "its eddy loss as given",
            Self::TestReport => "eddy loss by its test report",
            Self::Usual => "eddy loss not known, so the usual share is taken (common practice)",
        }
    }
}

/// From this K-rating on a unit is built for harmonics; less says nothing more than an unrated one (UL 1561, from memory:
/// the ratings begin at 4).
const LEAST_K_RATING: f64 = 4.0;

impl Bounded {
    /// What is taken of a unit of which no losses by winding are known: its K-rating, else the usual eddy share; of a liquid-
    /// filled one other stray loss stands to it as C57.110 divides stray loss.
    pub fn usual(kva: f64, liquid: bool, k_rating: Option<f64>) -> Self {
        Self::k_rated(k_rating).unwrap_or_else(|| Self::of_eddy(usual_eddy_pu(kva, liquid), liquid))
    }

    /// Of a unit built for harmonics; nothing for one that is not.
    pub fn k_rated(k_rating: Option<f64>) -> Option<Self> {
        k_rating.filter(|k| *k >= LEAST_K_RATING).map(|k| Self::KRated { k })
    }

    /// Of a unit whose winding eddy loss is known per unit of the loss by resistance; other stray loss as C57.110 divides it.
    pub fn of_eddy(eddy_pu: f64, liquid: bool) -> Self {
        if liquid {
            let part = eddy_part_of_stray(true);
            Self::Liquid { eddy_pu, other_stray_pu: eddy_pu * (1.0 - part) / part }
        } else {
            Self::Dry { eddy_pu }
        }
    }

    /// The largest r.m.s. current of this spectrum, per unit of the rated current, at most 1:
    ///
    /// * dry: `√[(1 + P_EC-R)/(1 + F_HL·P_EC-R)]`;
    /// * liquid-filled: that, and no more load loss than at rated sine current,
    ///   `√[(1 + P_EC-R + P_OSL-R)/(1 + F_HL·P_EC-R + F_HL-STR·P_OSL-R)]`; the lesser of the two;
    /// * K-rated: it may carry its rated current up to its K-rating, so `min(1, √(K/F_HL))`, beyond which `F_HL·(I/I_R)² > K`.
    ///
    /// Source: IEEE C57.110-2018 clause 5 (from memory); for K-rated units UL 1561 (from memory), the root by reasoning.
    ///
    /// # Errors
    /// [`Lacking::Range`] for weights below 1 or shares below 0.
    pub fn permissible_pu(self, weights: Weights) -> Result<f64, Lacking> {
        let share =
            |value: f64| if value >= 0.0 && value.is_finite() { Ok(value) } else { Err(Lacking::Range) };
        let eddy = weight(weights.eddy)?;
        let square = match self {
            Self::Dry { eddy_pu } => dry_square(eddy, share(eddy_pu)?),
            Self::Liquid { eddy_pu, other_stray_pu } => {
                let (eddy_pu, other_pu) = (share(eddy_pu)?, share(other_stray_pu)?);
                let other = weight(weights.other_stray)?;
                let losses = (1.0 + eddy_pu + other_pu) / (1.0 + eddy * eddy_pu + other * other_pu);
                dry_square(eddy, eddy_pu).min(losses)
            }
            Self::KRated { k } if k > 0.0 && k.is_finite() => k / eddy,
            Self::KRated { .. } => return Err(Lacking::Range),
        };
        Ok(square.min(1.0).sqrt())
    }
}

/// A weight of a spectrum is at least 1; what rounding takes from it is given back.
fn weight(value: f64) -> Result<f64, Lacking> {
    if value > 1.0 - 1e-9 && value.is_finite() { Ok(value.max(1.0)) } else { Err(Lacking::Range) }
}

fn dry_square(factor: f64, eddy_pu: f64) -> f64 {
    (1.0 + eddy_pu) / (1.0 + factor * eddy_pu)
}

/// A liquid-filled unit as C57.110 sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LiquidUnit {
    /// Winding eddy loss at rated load per unit of the loss by resistance (P_EC-R).
    pub eddy_pu: f64,
    /// Other stray loss likewise (P_OSL-R).
    pub other_stray_pu: f64,
    /// Load loss at rated load over no-load loss.
    pub loss_ratio: f64,
    /// Rated top oil rise over ambient, in kelvin.
    pub top_oil_rise_k: f64,
    /// Rated rise of the winding's hottest place over the oil, in kelvin.
    pub gradient_k: f64,
}

/// How hot it gets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LiquidRises {
    /// Load loss per unit of the loss by resistance at rated load.
    pub load_loss_pu: f64,
    /// Top oil over ambient, in kelvin.
    pub top_oil_rise_k: f64,
    /// Hottest place of the winding over the oil, in kelvin.
    pub gradient_k: f64,
}

/// Both exponents of C57.110 for the rise of oil and of the winding over it.
const EXPONENT: f64 = 0.8;

impl LiquidUnit {
    /// The steady rises at a current of `current_pu` (true r.m.s. per unit of rated) with this spectrum:
    ///
    /// `P_LL = I²·(1 + F_HL·P_EC-R + F_HL-STR·P_OSL-R)`, top oil `ΔΘ_TO-R·[(P_LL + P_NL)/(P_LL-R + P_NL)]^0.8`, winding over oil
    /// `ΔΘ_g-R·[I²·(1 + F_HL·P_EC-R)/(1 + P_EC-R)]^0.8`.
    ///
    /// Source: IEEE C57.110-2018, clause for liquid-immersed units (from memory).
    ///
    /// # Errors
    /// [`Lacking::Range`] for weights below 1, negative values and a loss ratio not above 0.
    pub fn rises(&self, current_pu: f64, weights: Weights) -> Result<LiquidRises, Lacking> {
        let (eddy, other) = (weight(weights.eddy)?, weight(weights.other_stray)?);
        let values = [self.eddy_pu, self.other_stray_pu, self.top_oil_rise_k, self.gradient_k, current_pu];
        if !(values.iter().all(|value| *value >= 0.0) && self.loss_ratio > 0.0) {
            return Err(Lacking::Range);
        }
        let square = current_pu * current_pu;
        let load_loss_pu = square * (1.0 + eddy * self.eddy_pu + other * self.other_stray_pu);
        let rated = 1.0 + self.eddy_pu + self.other_stray_pu;
        let no_load = rated / self.loss_ratio;
        let oil = ((load_loss_pu + no_load) / (rated + no_load)).powf(EXPONENT);
        let winding = (square * (1.0 + eddy * self.eddy_pu) / (1.0 + self.eddy_pu)).powf(EXPONENT);
        let rises = LiquidRises {
            load_loss_pu,
            top_oil_rise_k: self.top_oil_rise_k * oil,
            gradient_k: self.gradient_k * winding,
        };
        let finite = [rises.load_loss_pu, rises.top_oil_rise_k, rises.gradient_k]
            .iter()
            .all(|value| value.is_finite());
        if finite { Ok(rises) } else { Err(Lacking::Range) }
    }
}

/// What the THD alone says of the harmonic loss factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FactorBounds {
    /// It is at least this: all in the second order.
    pub least: f64,
    /// It is at most this if no order exceeds what the one before it would have by falling as 1/h, as with line-commutated
    /// loads and stiff current (common practice, no source): equal steps of `h·I_h` up to the highest order.
    pub most_if_falling: f64,
    /// It is at most this: all in the highest order.
    pub most: f64,
}

/// Bounds of the harmonic loss factor where a meter gives only the THD (on the base of the fundamental, in per cent) of
/// currents up to order `highest`.
///
/// Reasoning, no source: with t = THD/100, `F_HL = (1 + Σ h²·r_h²)/(1 + t²)` where Σ `r_h²` = t²; so it lies between all of t in the
/// lowest order and all of it in the highest. Where `h·r_h` never grows over the odd orders, the sum is largest for equal
/// `h·r_h`: n·t²/Σ h^-2 over the n odd orders from 3 to the highest.
///
/// # Errors
/// [`Lacking::Range`] for a THD below 0, or for a highest order that leaves no harmonic to tell.
pub fn factor_bounds(thd_percent: f64, highest: u8) -> Result<FactorBounds, Lacking> {
    let square = (thd_percent / 100.0).powi(2);
    if !(thd_percent >= 0.0 && square.is_finite() && highest >= 3) {
        return Err(Lacking::Range);
    }
    let bound = |weight: f64| (1.0 + weight * square) / (1.0 + square);
    let odd = (3..=highest).step_by(2).map(f64::from);
    let falling = odd.clone().count() as f64 / odd.map(|order| order.powi(-2)).sum::<f64>();
    let most = f64::from(highest).powi(2);
    let bounds = FactorBounds { least: bound(4.0), most_if_falling: bound(falling), most: bound(most) };
    if bounds.most.is_finite() { Ok(bounds) } else { Err(Lacking::Range) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn weights(eddy: f64) -> Weights {
        Weights { eddy, other_stray: eddy.sqrt() }
    }

    /// The handbook's worked example: `F_HL` 6.249; P_EC-R 0.05, 0.08, 0.15 give 0.8944, 0.8486, 0.7705.
    #[test]
    fn a_dry_type_carries_less_the_more_eddy_loss_it_has() {
        for (eddy_pu, expected) in [(0.05, 0.8944), (0.08, 0.8486), (0.15, 0.7705)] {
            let got = Bounded::Dry { eddy_pu }.permissible_pu(weights(6.2488)).unwrap();
            assert!((got - expected).abs() < 1e-4, "{eddy_pu}: {got}");
        }
    }

    /// UL 1561 (from memory): K at rated current up to the rating is what the unit is built for.
    #[test]
    fn a_k_rated_unit_is_not_reduced_up_to_its_rating() {
        let unit = Bounded::usual(75.0, false, Some(13.0));
        assert_eq!(unit, Bounded::KRated { k: 13.0 });
        assert_eq!(unit.permissible_pu(weights(6.249)), Ok(1.0));
        assert_eq!(unit.permissible_pu(weights(13.0)), Ok(1.0));
        let got = unit.permissible_pu(weights(26.0)).unwrap();
        assert!((got - 0.5f64.sqrt()).abs() < 1e-12, "K is then 13 at this current: {got}");
        assert_eq!(Bounded::usual(75.0, false, Some(1.0)), Bounded::Dry { eddy_pu: 0.08 });
    }

    /// The handbook's usual shares (common practice): 0.08, 0.12, 0.05; IEEE C57.110 (from memory): a third of liquid-filled
    /// units' stray loss is eddy loss.
    #[test]
    fn what_is_taken_if_nothing_is_known() {
        assert_eq!(Bounded::usual(300.0, false, None), Bounded::Dry { eddy_pu: 0.08 });
        assert_eq!(Bounded::usual(301.0, false, None), Bounded::Dry { eddy_pu: 0.12 });
        let Bounded::Liquid { eddy_pu, other_stray_pu } = Bounded::usual(500.0, true, None) else { panic!() };
        assert!((eddy_pu - 0.05).abs() < 1e-12 && (other_stray_pu - 0.05 * 0.67 / 0.33).abs() < 1e-12);
    }

    #[test]
    fn the_liquid_is_the_bound_where_other_stray_loss_is_large() {
        let spectrum = Weights { eddy: 3.0, other_stray: 2.5 };
        let dry = Bounded::Dry { eddy_pu: 0.05 }.permissible_pu(spectrum).unwrap();
        let liquid = Bounded::Liquid { eddy_pu: 0.05, other_stray_pu: 0.4 }.permissible_pu(spectrum).unwrap();
        assert!(liquid < dry, "{liquid} {dry}");
        let mild = Bounded::Liquid { eddy_pu: 0.05, other_stray_pu: 0.0 }.permissible_pu(spectrum).unwrap();
        assert!((mild - dry).abs() < 1e-12);
    }

    /// 30, 20, 10 % at 3, 5, 7 have a THD of 37.4 % and `F_HL` 2.89 (a public calculator's example): within all bounds.
    #[test]
    fn the_bounds_by_thd_hold_a_real_load() {
        let bounds = factor_bounds(37.416_574, 50).unwrap();
        assert!(
            bounds.least < 2.8947 && 2.8947 < bounds.most_if_falling && bounds.most_if_falling < bounds.most
        );
        let none = factor_bounds(0.0, 50).unwrap();
        assert_eq!((none.least, none.most), (1.0, 1.0));
        assert_eq!(factor_bounds(f64::NAN, 50), Err(Lacking::Range));
        assert_eq!(factor_bounds(10.0, 2), Err(Lacking::Range));
    }

    #[test]
    fn a_wrong_weight_or_share_gives_nothing() {
        let unit = Bounded::Dry { eddy_pu: 0.08 };
        for factor in [f64::NAN, 0.5, f64::INFINITY, -1.0] {
            assert_eq!(unit.permissible_pu(weights(factor)), Err(Lacking::Range), "{factor}");
        }
        assert_eq!(Bounded::Dry { eddy_pu: -0.1 }.permissible_pu(weights(2.0)), Err(Lacking::Range));
        assert_eq!(Bounded::KRated { k: f64::NAN }.permissible_pu(weights(2.0)), Err(Lacking::Range));
    }
}
