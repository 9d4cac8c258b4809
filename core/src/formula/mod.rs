//! Computed quantities, compiled to slots: which formula reads which values of the row.

mod gathered;
mod harmonics;
mod ratios;
pub mod sequence;
mod why;

pub use gathered::Gathered;
pub use harmonics::{Harmonics, PhaseLoad, PhaseOrders, SpectrumLoad};
pub use ratios::{NetFlow, OwnRatios};
pub use why::WhyAbsent;

use crate::electrical::{excitation, flow, loading, neutral, unbalance};
use crate::reading::Sample;

/// A compiled formula. Slots index the row of values that it is given.
#[derive(Debug, Clone, PartialEq)]
pub enum Formula {
    /// Largest deviation of three values from their mean, above a floor of the mean.
    Unbalance {
        /// The three values.
        of: [usize; 3],
        /// Least mean, in the unit of the values.
        floor: f64,
    },
    /// The same of three currents; where little power flows or some flows back, of rated amperes.
    CurrentUnbalance {
        /// The three currents.
        of: [usize; 3],
        /// Least mean, in amperes.
        floor: f64,
        /// Which power flows.
        flow: NetFlow,
    },
    /// The negative sequence that three line-to-line voltages show without their angles.
    NegativeOfLines {
        /// AB, BC and CA.
        of: [usize; 3],
        /// Least mean, in volts.
        floor: f64,
    },
    /// A figure of sequence components.
    Sequence {
        /// Of these phasors.
        of: sequence::Phasors,
        /// Which figure.
        figure: sequence::Figure,
    },
    /// Loading by kVA.
    LoadingKva {
        /// Where the apparent power comes from.
        power: PowerSource,
        /// Rated power in kVA.
        kva: f64,
    },
    /// Loading of the worst phase.
    LoadingPhase {
        /// The phase currents that the meter has.
        of: Vec<usize>,
        /// Rated amperes.
        rated_a: f64,
    },
    /// Neutral current in per cent of the highest phase current.
    NeutralOverPhase {
        /// The neutral current.
        neutral: usize,
        /// All phase currents of the form.
        phases: Vec<usize>,
        /// Least highest phase current in amperes.
        floor_a: f64,
    },
    /// What is left of the rating, by the larger loading.
    Headroom {
        /// Loadings in per cent.
        of: Vec<usize>,
    },
    /// Net active power of the rated one.
    NetPower {
        /// Total active power.
        power: usize,
        /// Rated power in kVA.
        kva: f64,
    },
    /// Mean line volts against those that belong to them.
    TapVoltage {
        /// The line volts.
        of: Vec<usize>,
        /// Volts of the tap in use, or of the load side.
        belong_v: f64,
    },
    /// Excitation of what the core is built for.
    Excitation {
        /// Volts against the tap in use, in per cent.
        tap: usize,
        /// Loading in per cent.
        load: Option<usize>,
        /// Frequency.
        frequency: Option<usize>,
    },
    /// The second order of a current of the rated one.
    SecondOrder {
        /// In per cent of the fundamental with the current, or in amperes.
        order: SecondOrder,
        /// Rated amperes.
        rated_a: f64,
    },
    /// A temperature less the ambient: the mean of the sensors in the air around, of those that give a value. Test codes
    /// take it so, from several thermometers around the unit (IEEE C57.12.91, from memory).
    Rise {
        /// The hot place.
        hot: usize,
        /// The sensors in the air.
        ambients: Vec<usize>,
    },
    /// Of harmonics.
    Harmonics(Harmonics),
}

/// How a meter gives the second order of a current.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SecondOrder {
    /// In per cent of the fundamental, and the current.
    Percent(usize, usize),
    /// In amperes.
    Amperes(usize),
}

/// Where the total apparent power comes from, the best that the meter gives.
#[derive(Debug, Clone, PartialEq)]
pub enum PowerSource {
    /// The meter's own total.
    Total(usize),
    /// The sum of the meter's phases.
    Phases([usize; 3]),
    /// Total active and reactive power.
    ActiveReactive(usize, usize),
    /// Line-to-neutral volts times amperes, summed over the phases.
    VoltsAmperes([usize; 3], [usize; 3]),
    /// √3 times mean line-to-line volts times mean amperes.
    LineVoltsAmperes([usize; 3], [usize; 3]),
}

impl Formula {
    /// The value, or none where an input is absent or unfit.
    pub fn evaluate(&self, row: &[Sample]) -> Sample {
        self.evaluate_with(row, &mut Gathered::default())
    }

    /// The same for one of several formulas over one row: what they have in common is gathered once.
    pub fn evaluate_with(&self, row: &[Sample], gathered: &mut Gathered) -> Sample {
        let value = match self {
            Self::Unbalance { of, floor } => {
                three(row, *of).and_then(|values| unbalance::largest_deviation_percent(values, *floor))
            }
            Self::CurrentUnbalance { of, floor, flow } => flow.unbalance(row, *of, *floor),
            Self::NegativeOfLines { of, floor } => {
                three(row, *of).and_then(|lines| unbalance::negative_ratio_percent(lines, *floor).ok())
            }
            Self::Sequence { of, figure } => of.evaluate(*figure, row),
            Self::LoadingKva { power, kva } => {
                power.volt_amperes(row).and_then(|apparent| loading::by_kva_percent(apparent, *kva))
            }
            Self::LoadingPhase { of, rated_a } => {
                loading::worst_phase_percent(of.iter().filter_map(|slot| row[*slot].get()), *rated_a)
            }
            Self::NeutralOverPhase { neutral, phases, floor_a } => row[*neutral].get().and_then(|neutral| {
                neutral::over_highest_phase_percent(
                    neutral,
                    phases.iter().map(|slot| row[*slot].get()),
                    *floor_a,
                )
            }),
            Self::Headroom { of } => flow::headroom_percent(of.iter().filter_map(|slot| row[*slot].get())),
            Self::NetPower { power, kva } => {
                row[*power].get().and_then(|power| flow::net_percent(power, *kva))
            }
            Self::TapVoltage { of, belong_v } => tap_voltage(row, of, *belong_v),
            Self::Excitation { tap, load, frequency } => excited(row, *tap, *load, *frequency),
            Self::SecondOrder { order, rated_a } => order.of_rated(row, *rated_a),
            Self::Rise { hot, ambients } => {
                row[*hot].get().zip(mean_present(row, ambients)).map(|(hot, air)| hot - air)
            }
            Self::Harmonics(of) => of.evaluate(row, gathered),
        };
        value.into()
    }
}

impl Formula {
    /// The slots whose values it combines, so that all of them must be of one moment. Empty where each value counts
    /// alone.
    pub fn combines(&self) -> Vec<usize> {
        match self {
            Self::Unbalance { of, .. }
            | Self::CurrentUnbalance { of, .. }
            | Self::NegativeOfLines { of, .. } => of.to_vec(),
            Self::Sequence { of, .. } => of.slots(),
            Self::LoadingKva { power, .. } => match power {
                PowerSource::Total(_) => Vec::new(),
                PowerSource::Phases(phases) => phases.to_vec(),
                PowerSource::ActiveReactive(active, reactive) => vec![*active, *reactive],
                PowerSource::VoltsAmperes(volts, amperes) | PowerSource::LineVoltsAmperes(volts, amperes) => {
                    [*volts, *amperes].concat()
                }
            },
            // Loadings and volts against the tap are made of values of one moment already, and follow load slowly.
            Self::LoadingPhase { .. }
            | Self::Headroom { .. }
            | Self::NetPower { .. }
            | Self::Excitation { .. }
            | Self::SecondOrder { order: SecondOrder::Amperes(_), .. } => Vec::new(),
            Self::TapVoltage { of, .. } => of.clone(),
            Self::SecondOrder { order: SecondOrder::Percent(order, amperes), .. } => vec![*order, *amperes],
            Self::NeutralOverPhase { neutral, phases, .. } => [&[*neutral], phases.as_slice()].concat(),
            Self::Rise { hot, ambients } => [&[*hot], ambients.as_slice()].concat(),
            Self::Harmonics(of) => of.combines(),
        }
    }
}

impl PowerSource {
    fn volt_amperes(&self, row: &[Sample]) -> Option<f64> {
        match self {
            Self::Total(slot) => row[*slot].get(),
            Self::Phases(slots) => three(row, *slots).map(|phases| phases.iter().sum()),
            Self::ActiveReactive(active, reactive) => {
                Some(loading::apparent_from_p_q(row[*active].get()?, row[*reactive].get()?))
            }
            Self::VoltsAmperes(volts, amperes) => {
                let (volts, amperes) = (three(row, *volts)?, three(row, *amperes)?);
                Some(volts.iter().zip(amperes).map(|(volt, ampere)| volt * ampere).sum())
            }
            Self::LineVoltsAmperes(volts, amperes) => {
                let (volts, amperes) = (three(row, *volts)?, three(row, *amperes)?);
                Some(3f64.sqrt() * mean(volts) * mean(amperes))
            }
        }
    }
}

impl SecondOrder {
    fn of_rated(self, row: &[Sample], rated_a: f64) -> Option<f64> {
        let (of_fundamental, amperes) = match self {
            Self::Percent(order, amperes) => (row[order].get()?, row[amperes].get()?),
            // All of its amperes.
            Self::Amperes(order) => (100.0, row[order].get()?),
        };
        excitation::second_order_of_rated_percent(of_fundamental, amperes, rated_a)
    }
}

fn tap_voltage(row: &[Sample], of: &[usize], belong_v: f64) -> Option<f64> {
    let mut volts = [0.0; 3];
    let volts = volts.get_mut(..of.len())?;
    for (volts, slot) in volts.iter_mut().zip(of) {
        *volts = row[*slot].get()?;
    }
    excitation::tap_voltage_percent(volts, belong_v)
}

fn excited(row: &[Sample], tap: usize, load: Option<usize>, frequency: Option<usize>) -> Option<f64> {
    let value = |slot: Option<usize>| slot.and_then(|slot| row[slot].get());
    // Without a frequency that fits a grid the volts alone are compared.
    let present = value(frequency);
    let frequency = present.and_then(|present| Some((present, excitation::nominal_hz(present)?)));
    excitation::excitation_percent(row[tap].get()?, value(load), frequency)
}

fn three(row: &[Sample], slots: [usize; 3]) -> Option<[f64; 3]> {
    Some([row[slots[0]].get()?, row[slots[1]].get()?, row[slots[2]].get()?])
}

/// The mean of those that have a value; nothing where none has.
pub(crate) fn mean_present(row: &[Sample], slots: &[usize]) -> Option<f64> {
    let (sum, count) = slots
        .iter()
        .filter_map(|slot| row[*slot].get())
        .fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    (count > 0.0).then_some(sum / count)
}

fn mean(values: [f64; 3]) -> f64 {
    (values[0] + values[1] + values[2]) / 3.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_absent_input_gives_an_absent_result() {
        let row = [Sample::new(208.0), Sample::ABSENT, Sample::new(208.0)];
        let unbalance = Formula::Unbalance { of: [0, 1, 2], floor: 20.0 };
        assert_eq!(unbalance.evaluate(&row), Sample::ABSENT);
        let negative = Formula::NegativeOfLines { of: [0, 1, 2], floor: 20.0 };
        assert_eq!(negative.evaluate(&row), Sample::ABSENT);
        assert_eq!(Formula::Rise { hot: 0, ambients: vec![1] }.evaluate(&row), Sample::ABSENT);
        assert_eq!(Formula::Rise { hot: 1, ambients: vec![0] }.evaluate(&row), Sample::ABSENT);
        let loading = Formula::LoadingKva { power: PowerSource::Phases([0, 1, 2]), kva: 75.0 };
        assert_eq!(loading.evaluate(&row), Sample::ABSENT);
    }

    /// 95 °C over 24, 27 and 30 °C of air is 68 K above their mean of 27 °C; without the warmest 69.5 K (worked by hand).
    #[test]
    fn the_air_is_the_mean_of_the_sensors_that_give_a_value() {
        let rise = Formula::Rise { hot: 0, ambients: vec![1, 2, 3] };
        let row = |last: Sample| [Sample::new(95.0), Sample::new(24.0), Sample::new(27.0), last];
        assert_eq!(rise.evaluate(&row(Sample::new(30.0))), Sample::new(68.0));
        assert_eq!(rise.evaluate(&row(Sample::ABSENT)), Sample::new(69.5));
    }

    #[test]
    fn every_source_of_apparent_power_agrees_on_a_balanced_load() {
        let volts = 208.0 / 3f64.sqrt();
        let values = [volts, volts, volts, 100.0, 100.0, 100.0, 208.0, 208.0, 208.0, 28_800.0, 21_600.0];
        let row: Vec<Sample> = values.into_iter().map(Sample::new).collect();
        let apparent = 3.0 * volts * 100.0;
        for source in [
            PowerSource::VoltsAmperes([0, 1, 2], [3, 4, 5]),
            PowerSource::LineVoltsAmperes([6, 7, 8], [3, 4, 5]),
            PowerSource::ActiveReactive(9, 10),
        ] {
            let got = source.volt_amperes(&row).unwrap();
            assert!((got - apparent).abs() < 30.0, "{source:?} {got} {apparent}");
        }
    }
}
