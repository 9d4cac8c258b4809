//! What a meter's values need besides their registers: whether a power factor is in percent, and whether a counter
//! that stands at 0 is one at all. Both are decided from what the meter has given before.

use kvarden_config::{RegisterPoint, Special};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::reading::Sample;

/// A ratio can't be larger; what is, must be percent. With room for rounding.
const LARGEST_RATIO: f64 = 1.05;
/// Below this share of active in apparent power the two readings of a number lie too near each other.
const LEAST_SHARE: f64 = 0.1;
/// Without another power to compare with, so many small numbers in succession are ratios: as percent they would mean
/// a load that takes no active power (common practice, no source).
const SMALL_ONES: u8 = 10;

/// The special points of one meter, and what was seen of them.
#[derive(Debug, Clone)]
pub(super) struct Specials {
    counters: Box<[Counter]>,
    factors: Box<[usize]>,
    power: Option<usize>,
    apparent: Option<usize>,
    reactive: Option<usize>,
    form: Option<FactorForm>,
    /// Small power factors seen in succession under load.
    small: u8,
}

#[derive(Debug, Clone, Copy)]
struct Counter {
    point: usize,
    moved: bool,
}

/// How a meter gives its power factors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FactorForm {
    /// From -1 to 1.
    Ratio,
    /// From -100 to 100.
    Percent,
}

impl Specials {
    /// Nothing seen yet.
    ///
    /// * `quantities` – what each point means.
    pub(super) fn new(points: &[RegisterPoint], quantities: &[Quantity]) -> Self {
        let with = |special: Special| {
            points.iter().enumerate().filter(move |(_, point)| point.special == special).map(|(at, _)| at)
        };
        let whole = |what| quantities.iter().position(|quantity| *quantity == Quantity::whole(what));
        Self {
            counters: with(Special::ZeroUntilMoved).map(|point| Counter { point, moved: false }).collect(),
            factors: with(Special::PercentOrRatio).collect(),
            power: whole(Measurand::Power),
            apparent: whole(Measurand::ApparentPower),
            reactive: whole(Measurand::ReactivePower),
            form: None,
            small: 0,
        }
    }

    /// Corrects the values of one poll. Gives the form of the power factors when it has just been decided.
    pub(super) fn settle(&mut self, values: &mut [Sample]) -> Option<FactorForm> {
        for counter in &mut self.counters {
            let Some(value) = values.get_mut(counter.point) else { continue };
            if value.get() == Some(0.0) && !counter.moved {
                *value = Sample::ABSENT;
            } else if value.is_present() {
                counter.moved = true;
            }
        }
        let news = if self.form.is_none() { self.decide(values) } else { None };
        self.form = self.form.or(news);
        for &point in &self.factors {
            let Some(value) = values.get_mut(point) else { continue };
            *value = match (self.form, value.get()) {
                (Some(FactorForm::Percent), Some(percent)) => Sample::new(percent / 100.0),
                (Some(FactorForm::Ratio), _) => *value,
                _ => Sample::ABSENT,
            };
        }
        news
    }

    fn decide(&mut self, values: &[Sample]) -> Option<FactorForm> {
        let value = |at: usize| values.get(at).and_then(|value| value.get());
        let given = || self.factors.iter().filter_map(|at| value(*at)).map(f64::abs);
        if given().any(|given| given > LARGEST_RATIO) {
            return Some(FactorForm::Percent);
        }
        let whole = self.factors.first().and_then(|at| value(*at))?.abs();
        let power = value(self.power?)?.abs();
        let apparent = match (self.apparent, self.reactive) {
            (Some(apparent), _) => value(apparent)?,
            // All of it, if the meter gives no apparent power: distortion makes it only larger.
            (None, Some(reactive)) => power.hypot(value(reactive)?),
            (None, None) => {
                self.small = if power > 0.0 && whole > LEAST_SHARE { self.small + 1 } else { 0 };
                return (self.small >= SMALL_ONES).then_some(FactorForm::Ratio);
            }
        };
        let share = power / apparent;
        if !share.is_finite() || share < LEAST_SHARE {
            return None;
        }
        let (as_ratio, as_percent) = ((whole - share).abs(), (whole / 100.0 - share).abs());
        Some(if as_ratio < as_percent { FactorForm::Ratio } else { FactorForm::Percent })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_config::{NumberKind, Registers};
    use kvarden_core::phases::Place;

    fn specials(points: &[(Measurand, Special)]) -> Specials {
        let registers: Vec<RegisterPoint> = points
            .iter()
            .map(|(_, special)| RegisterPoint {
                special: *special,
                ..RegisterPoint::plain(Registers::Holding, 0, NumberKind::I16)
            })
            .collect();
        let quantities: Vec<Quantity> =
            points.iter().map(|(what, _)| Quantity::at(*what, Place::Whole)).collect();
        Specials::new(&registers, &quantities)
    }

    fn settle(specials: &mut Specials, values: &[Option<f64>]) -> (Vec<Option<f64>>, Option<FactorForm>) {
        let mut values: Vec<Sample> = values.iter().map(|value| Sample::from(*value)).collect();
        let news = specials.settle(&mut values);
        (values.iter().map(|value| value.get()).collect(), news)
    }

    const METER: [(Measurand, Special); 3] = [
        (Measurand::Power, Special::None),
        (Measurand::ApparentPower, Special::None),
        (Measurand::PowerFactor, Special::PercentOrRatio),
    ];

    #[test]
    fn a_power_factor_in_percent_is_found_out_and_stays_so() {
        let mut meter = specials(&METER);
        let (values, news) = settle(&mut meter, &[Some(9000.0), Some(10_000.0), Some(-90.0)]);
        assert_eq!((values[2], news), (Some(-0.9), Some(FactorForm::Percent)));
        // A light load at 0.6 %: no doubt any more, and not told again.
        assert_eq!(
            settle(&mut meter, &[Some(60.0), Some(10_000.0), Some(0.6)]),
            (vec![Some(60.0), Some(10_000.0), Some(0.006)], None)
        );
    }

    #[test]
    fn a_power_factor_as_a_ratio_is_found_out_by_the_powers_and_absent_until_then() {
        let mut meter = specials(&METER);
        let (values, news) = settle(&mut meter, &[None, None, Some(0.9)]);
        assert_eq!((values[2], news), (None, None), "0.9 may be 0.9 percent");
        let (values, news) = settle(&mut meter, &[Some(0.0), Some(0.0), Some(1.0)]);
        assert_eq!((values[2], news), (None, None), "no load says nothing");
        let (values, news) = settle(&mut meter, &[Some(9000.0), Some(10_000.0), Some(0.9)]);
        assert_eq!((values[2], news), (Some(0.9), Some(FactorForm::Ratio)));
        assert_eq!(settle(&mut meter, &[None, None, Some(-0.5)]).0[2], Some(-0.5));
    }

    #[test]
    fn without_apparent_power_the_reactive_one_helps() {
        let mut meter = specials(&[
            (Measurand::Power, Special::None),
            (Measurand::ReactivePower, Special::None),
            (Measurand::PowerFactor, Special::PercentOrRatio),
        ]);
        let (values, news) = settle(&mut meter, &[Some(-6000.0), Some(8000.0), Some(0.6)]);
        assert_eq!((values[2], news), (Some(0.6), Some(FactorForm::Ratio)));
    }

    #[test]
    fn without_any_other_power_small_numbers_under_load_are_ratios() {
        let mut meter = specials(&[METER[0], METER[2]]);
        for _ in 1..SMALL_ONES {
            assert_eq!(settle(&mut meter, &[Some(500.0), Some(0.8)]).0[1], None);
        }
        assert_eq!(
            settle(&mut meter, &[Some(500.0), Some(0.8)]),
            (vec![Some(500.0), Some(0.8)], Some(FactorForm::Ratio))
        );
    }

    #[test]
    fn a_counter_at_zero_is_absent_only_if_it_never_moved() {
        let mut meter = specials(&[(Measurand::Power, Special::ZeroUntilMoved)]);
        let mut values = |value| settle(&mut meter, &[value]).0[0];
        assert_eq!([values(Some(0.0)), values(Some(0.0))], [None, None]);
        assert_eq!(values(Some(5.0)), Some(5.0));
        assert_eq!(values(None), None);
        assert_eq!(values(Some(0.0)), Some(0.0), "it was set back");
    }
}
