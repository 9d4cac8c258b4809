//! What the judges look at: the values of one step, by circuit.

use super::docket::Mark;
use super::plan::{CircuitPlan, DiagnosisPlan, ORDERS, Spot, Trio, UnitPlan};
use super::sign::{Figure, Sign};
use super::trace::{Fade, Lately, Mean};
use crate::context::WIDER;
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::reading::Sample;
use crate::time::EventTime;

/// One of three phases or pairs of lines each; what was not measured is absent.
pub(crate) type Three = [Option<f64>; 3];

/// The values of one circuit over a step.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct CircuitNow {
    pub(crate) ln: Three,
    pub(crate) ll: Three,
    pub(crate) amperes: Three,
    pub(crate) neutral: Option<f64>,
    pub(crate) neutral_expected: Option<f64>,
    pub(crate) neutral_unexplained: Option<f64>,
    pub(crate) watts: Three,
    pub(crate) watts_total: Option<f64>,
    pub(crate) vars: Three,
    pub(crate) vars_total: Option<f64>,
    pub(crate) volt_degrees: Three,
    pub(crate) ampere_degrees: Three,
    pub(crate) volt_thd: Three,
    pub(crate) current_thd: Three,
    /// By [`ORDERS`], in per cent of the fundamental.
    pub(crate) orders: [Three; ORDERS.len()],
    pub(crate) triplen: Three,
    pub(crate) even: Three,
    pub(crate) volt_unbalance: Option<f64>,
    pub(crate) current_unbalance: Option<f64>,
    pub(crate) u2: Option<f64>,
    pub(crate) u0: Option<f64>,
    /// A, B, C, N.
    pub(crate) contact_heat: [Option<f64>; 4],
    /// Another transformer feeds it now, or that is not known.
    pub(crate) elsewhere: bool,
    /// A state that decides what feeds it is not known, or more than one feeds it.
    pub(crate) not_known: bool,
}

/// The values of the transformer itself over a step.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct UnitNow {
    pub(crate) winding: Three,
    pub(crate) winding_expected: Three,
    pub(crate) winding_residual: Three,
    pub(crate) top_oil: Option<f64>,
    pub(crate) top_oil_expected: Option<f64>,
    pub(crate) top_oil_residual: Option<f64>,
    pub(crate) hot_spot: Option<f64>,
    pub(crate) ambient: Option<f64>,
    pub(crate) enclosure: Option<f64>,
    pub(crate) core: Option<f64>,
    pub(crate) fan_shortfall: Option<f64>,
    pub(crate) load_time_left: Option<f64>,
    pub(crate) permissible_load: Option<f64>,
    pub(crate) spectrum_loading: Option<f64>,
    pub(crate) loading_kva: Option<f64>,
    pub(crate) loading_phase: Option<f64>,
    pub(crate) tap_volts: Option<f64>,
    pub(crate) excitation: Option<f64>,
    pub(crate) second_order: Three,
    pub(crate) sound_level: Option<f64>,
    pub(crate) sound_tones: [Option<f64>; 4],
    pub(crate) vibration_tones: [Option<f64>; 4],
}

/// What a step of the grid gives.
#[derive(Clone, Copy)]
pub(crate) struct Values<'a> {
    pub(crate) inputs: &'a [Sample],
    pub(crate) made: &'a [Sample],
}

impl Values<'_> {
    pub(crate) fn get(&self, from: Option<Spot>) -> Option<f64> {
        match from? {
            Spot::Column(column) => self.inputs.get(column)?.get(),
            Spot::Made(index) => self.made.get(index)?.get(),
        }
    }

    pub(crate) fn trio(&self, from: Trio) -> Three {
        from.map(|from| self.get(from))
    }
}

/// One step as the judges see it.
pub(crate) struct Look<'a> {
    pub(crate) end: EventTime,
    pub(crate) plan: &'a DiagnosisPlan,
    pub(crate) circuits: &'a [CircuitNow],
    pub(crate) unit: UnitNow,
    pub(crate) values: Values<'a>,
    /// By circuit: the latest minutes.
    pub(crate) lately: &'a [Lately],
    /// By circuit: amperes before the transformer came above its rating.
    pub(crate) before: &'a [[Mean; 3]],
    /// Since the step before, and how a mean of the latest minutes goes on with it.
    pub(crate) fade: Fade,
    /// A generator or an island feeds the transformer.
    pub(crate) own_source: bool,
    /// When the transformer was last transferred to another supply.
    pub(crate) transferred: Option<EventTime>,
}

impl Look<'_> {
    /// The load side of the transformer.
    pub(crate) fn load(&self) -> &CircuitNow {
        &self.circuits[self.plan.load]
    }

    /// How many times as high the setpoints of distortion and unbalance of the volts stand now.
    pub(crate) fn wider(&self) -> f64 {
        if self.own_source { WIDER } else { 1.0 }
    }

    /// Every circuit with its plan and number.
    pub(crate) fn all(&self) -> impl Iterator<Item = (usize, &CircuitPlan, &CircuitNow)> {
        self.plan
            .circuits
            .iter()
            .zip(self.circuits)
            .enumerate()
            .map(|(index, (plan, now))| (index, plan, now))
    }

    /// The feeders.
    pub(crate) fn feeders(&self) -> impl Iterator<Item = (usize, &CircuitPlan, &CircuitNow)> {
        self.all().filter(|(_, plan, _)| plan.feeder.is_some())
    }
}

impl CircuitNow {
    /// Mean volts of all lines that the wiring form has, else of all phases, per unit of nominal; `None` where one is absent.
    pub(crate) fn volts_of_nominal(&self, plan: &CircuitPlan) -> Option<f64> {
        let of = |values: Three, what: Measurand, places: [Place; 3]| {
            let (mut sum, mut count) = (0.0, 0);
            for (value, place) in values.into_iter().zip(places) {
                let Some(nominal) = plan.form.nominal_volts(plan.volts, Quantity::at(what, place)) else {
                    continue;
                };
                sum += value? / nominal;
                count += 1;
            }
            (count > 0).then(|| sum / f64::from(count))
        };
        of(self.ll, Measurand::VoltageLl, Place::LINES)
            .or_else(|| of(self.ln, Measurand::VoltageLn, Place::PHASES))
    }

    pub(super) fn of(plan: &CircuitPlan, values: &Values<'_>) -> Self {
        let mut orders = plan.orders.map(|trio| values.trio(trio));
        let amperes = values.trio(plan.amperes);
        let current_thd = values.trio(plan.current_thd);
        for (percent, from) in orders.iter_mut().zip(plan.orders_a) {
            for (phase, percent) in percent.iter_mut().enumerate() {
                // Of the total by the distortion to the fundamental (IEC 61000-4-7); a little low where that is not known.
                let thd = current_thd[phase].unwrap_or(0.0) / 100.0;
                let fundamental = amperes[phase].map(|total| total / (1.0 + thd * thd).sqrt());
                let of_fundamental = |part: f64| {
                    fundamental.filter(|fundamental| *fundamental > 0.0).map(|whole| 100.0 * part / whole)
                };
                *percent = percent.or_else(|| values.get(from[phase]).and_then(of_fundamental));
            }
        }
        Self {
            ln: values.trio(plan.ln),
            ll: values.trio(plan.ll),
            amperes,
            neutral: values.get(plan.neutral),
            neutral_expected: values.get(plan.neutral_expected),
            neutral_unexplained: values.get(plan.neutral_unexplained),
            watts: values.trio(plan.watts),
            watts_total: values.get(plan.watts_total).or_else(|| sum(values.trio(plan.watts))),
            vars: values.trio(plan.vars),
            vars_total: values.get(plan.vars_total).or_else(|| sum(values.trio(plan.vars))),
            volt_degrees: values.trio(plan.volt_degrees),
            ampere_degrees: values.trio(plan.ampere_degrees),
            volt_thd: values.trio(plan.volt_thd),
            current_thd,
            orders,
            triplen: values.trio(plan.triplen),
            even: values.trio(plan.even),
            volt_unbalance: values.get(plan.volt_unbalance),
            current_unbalance: values.get(plan.current_unbalance),
            u2: values.get(plan.u2),
            u0: values.get(plan.u0),
            contact_heat: plan.contact_heat.map(|from| values.get(from)),
            elsewhere: false,
            not_known: false,
        }
    }
}

impl UnitNow {
    pub(super) fn of(plan: &UnitPlan, values: &Values<'_>) -> Self {
        Self {
            winding: values.trio(plan.winding),
            winding_expected: values.trio(plan.winding_expected),
            winding_residual: values.trio(plan.winding_residual),
            top_oil: values.get(plan.top_oil),
            top_oil_expected: values.get(plan.top_oil_expected),
            top_oil_residual: values.get(plan.top_oil_residual),
            hot_spot: values.get(plan.hot_spot),
            ambient: values.get(plan.ambient),
            enclosure: values.get(plan.enclosure),
            core: values.get(plan.core),
            fan_shortfall: values.get(plan.fan_shortfall),
            load_time_left: values.get(plan.load_time_left),
            permissible_load: values.get(plan.permissible_load),
            spectrum_loading: values.get(plan.spectrum_loading),
            loading_kva: values.get(plan.loading_kva),
            loading_phase: values.get(plan.loading_phase),
            tap_volts: values.get(plan.tap_volts),
            excitation: values.get(plan.excitation),
            second_order: values.trio(plan.second_order),
            sound_level: values.get(plan.sound_level),
            sound_tones: plan.sound_tones.map(|from| values.get(from)),
            vibration_tones: plan.vibration_tones.map(|from| values.get(from)),
        }
    }
}

fn sum(three: Three) -> Option<f64> {
    let [one, two, three] = three;
    Some(one? + two? + three?)
}

/// The largest of what there is, and which.
pub(crate) fn largest(three: Three) -> Option<(usize, f64)> {
    let known = three.into_iter().enumerate().filter_map(|(index, value)| Some((index, value?)));
    known.max_by(|(_, one), (_, other)| one.total_cmp(other))
}

/// Mean of all three; `None` where one is absent.
pub(crate) fn mean(three: Three) -> Option<f64> {
    sum(three).map(|sum| sum / 3.0)
}

/// A number of a quantity of the table.
pub(crate) fn of_quantity(what: Measurand, place: Place, circuit: usize, value: f64) -> Mark {
    Mark { figure: Figure::Quantity(Quantity::at(what, place)), circuit, value, against: None }
}

/// A number of a quantity of which there are several: an order, a tone.
pub(crate) fn of_order(what: Measurand, order: u8, place: Place, circuit: usize, value: f64) -> Mark {
    Mark { figure: Figure::Quantity(Quantity::numbered(what, place, order)), circuit, value, against: None }
}

/// A number of a sign.
pub(crate) fn of_sign(sign: Sign, place: Place, circuit: usize, value: f64) -> Mark {
    Mark { figure: Figure::Sign(sign, place), circuit, value, against: None }
}

impl Mark {
    /// Compared with this.
    pub(crate) fn against(mut self, against: f64) -> Self {
        self.against = Some(against);
        self
    }
}
