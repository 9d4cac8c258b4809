//! What a meter's harmonics allow: sums by kinds of orders, factors, loading with this spectrum, what the neutral should carry.

use super::net_flow;
use crate::defaults::Rating;
use crate::electrical::distortion::Orders;
use crate::electrical::permissible::Bounded;
use crate::formula::{Formula, Harmonics, PhaseLoad, PhaseOrders, SpectrumLoad};
use crate::measurand::{Measurand, Numbers, Quantity};
use crate::phases::Place;
use crate::wiring::WiringForm;

/// Currents and voltages below these shares of rated and nominal have no spectrum worth telling (common practice, no source).
const CURRENT_FLOOR: f64 = 0.02;
const VOLTAGE_FLOOR: f64 = 0.10;

/// A meter that gives fewer orders than these has no list (common practice, no source).
const LEAST: [u8; 3] = [3, 5, 7];

/// Appends to what is computed from one meter's points. Slots count from `first`; those of what is computed follow on the points'.
pub(super) fn append(
    points: &[Quantity],
    first: usize,
    rating: &Rating,
    computed: &mut Vec<(Quantity, Formula)>,
) {
    let mut meter = Meter { points, first, rating, computed };
    let currents = Place::PHASES.map(|place| meter.current(place));
    for (place, orders) in Place::PHASES.into_iter().zip(&currents) {
        meter.distortion(place, orders.as_ref(), (Measurand::CurrentThd, CURRENT_KINDS));
        let volts = meter.voltage(place);
        meter.distortion(place, volts.as_ref(), (Measurand::VoltageThd, &[]));
    }
    for (place, orders) in Place::PHASES.into_iter().zip(&currents) {
        meter.factors(place, orders.as_ref());
    }
    meter.load(&currents);
    meter.neutral(currents);
}

/// What a sum is told as, which orders it takes, and the orders that it needs.
type KindRow = (Measurand, Orders, &'static [u8]);

/// Kinds of orders of a current, and the orders without which a sum of the kind is never told.
const CURRENT_KINDS: &[KindRow] = &[
    (Measurand::TriplenCurrent, Orders::Triplen, &[3, 9]),
    (Measurand::EvenCurrent, Orders::Even, &[2, 4]),
    (Measurand::OddCurrent, Orders::Odd, &[5, 7, 11, 13]),
];

struct Meter<'a> {
    points: &'a [Quantity],
    first: usize,
    rating: &'a Rating,
    computed: &'a mut Vec<(Quantity, Formula)>,
}

impl Meter<'_> {
    fn slot(&self, quantity: Quantity) -> Option<usize> {
        self.points.iter().position(|point| *point == quantity).map(|index| self.first + index)
    }

    /// The slot of something computed before.
    fn slot_of_computed(&self, quantity: Quantity) -> Option<usize> {
        let index = self.computed.iter().position(|(known, _)| *known == quantity)?;
        Some(self.first + self.points.len() + index)
    }

    fn push(&mut self, quantity: Quantity, formula: Harmonics) {
        self.computed.push((quantity, Formula::Harmonics(formula)));
    }

    fn current(&self, place: Place) -> Option<PhaseOrders> {
        let floor = self.rating.rated_a.map_or(0.0, |rated| CURRENT_FLOOR * rated);
        let [amperes, percent] = [Measurand::CurrentHarmonicAmperes, Measurand::CurrentHarmonic];
        self.orders(place, (amperes, percent, Measurand::Current), floor)
    }

    fn voltage(&self, place: Place) -> Option<PhaseOrders> {
        let to_neutral = Quantity::at(Measurand::VoltageLn, place);
        let nominal = self.rating.wiring.and_then(|(form, volts)| form.nominal_volts(volts, to_neutral));
        let floor = nominal.map_or(0.0, |nominal| VOLTAGE_FLOOR * nominal);
        let [volts, percent] = [Measurand::VoltageHarmonicVolts, Measurand::VoltageHarmonic];
        self.orders(place, (volts, percent, Measurand::VoltageLn), floor)
    }

    /// The orders at a place in the unit of the whole if the meter gives them so, else in per cent.
    fn orders(
        &self,
        place: Place,
        (amounts, percent, whole): (Measurand, Measurand, Measurand),
        floor: f64,
    ) -> Option<PhaseOrders> {
        let list = |what| -> Option<Box<[(u8, usize)]>> {
            let orders = Numbers::Orders.range();
            let found =
                orders.filter_map(|order| Some((order, self.slot(Quantity::numbered(what, place, order))?)));
            let found: Box<[(u8, usize)]> = found.collect();
            LEAST.iter().all(|least| has(&found, *least)).then_some(found)
        };
        let total = self.slot(Quantity::at(whole, place));
        let of = |slots, percent| PhaseOrders { slots, percent, total, floor };
        let in_amounts = list(amounts).map(|slots| of(slots, false));
        // Without the fundamental, amounts need the whole to have one.
        let in_amounts = in_amounts.filter(|of| total.is_some() || has(&of.slots, 1));
        in_amounts.or_else(|| list(percent).map(|slots| of(slots, true)))
    }

    /// The THD, where the meter does not give it itself, and the kinds of orders.
    fn distortion(
        &mut self,
        place: Place,
        orders: Option<&PhaseOrders>,
        (thd, kinds): (Measurand, &[KindRow]),
    ) {
        let Some(orders) = orders else { return };
        let reaches = orders.slots.iter().any(|(order, _)| *order >= 13);
        if reaches && !self.points.iter().any(|point| point.what == thd) {
            let flow = net_flow(self.points, self.first, self.rating);
            let formula = match flow.filter(|_| thd == Measurand::CurrentThd && orders.has_amounts()) {
                Some(flow) => Harmonics::CurrentThd(orders.clone(), flow),
                None => Harmonics::Percent(orders.clone(), Orders::All),
            };
            self.push(Quantity::at(thd, place), formula);
        }
        for (what, kind, needs) in kinds {
            if needs.iter().all(|order| has(&orders.slots, *order)) {
                self.push(Quantity::at(*what, place), Harmonics::Percent(orders.clone(), *kind));
            }
        }
        if thd == Measurand::CurrentThd && reaches && orders.has_amounts() {
            self.push(Quantity::at(Measurand::DistortionCurrent, place), Harmonics::Amount(orders.clone()));
        }
    }

    fn factors(&mut self, place: Place, orders: Option<&PhaseOrders>) {
        let Some(orders) = orders else { return };
        self.push(Quantity::at(Measurand::SpectrumLossFactor, place), Harmonics::LossFactor(orders.clone()));
        let factor = self.slot_of_computed(Quantity::at(Measurand::SpectrumLossFactor, place));
        // It is a matter of the transformer's own windings, not of a feeder's.
        if let (Some(factor), Some(current), Some(rated_a), Some(_)) =
            (factor, orders.total, self.rating.rated_a, self.rating.bounded)
        {
            let formula = Harmonics::KFactor { factor, current, rated_a };
            self.push(Quantity::at(Measurand::SpectrumKFactor, place), formula);
        }
    }

    /// What may be carried: by the orders, else by the harmonic loss factor that the meter gives.
    fn load(&mut self, currents: &[Option<PhaseOrders>; 3]) {
        let (Some(known), Some(rated_a)) = (self.rating.bounded, self.rating.rated_a) else { return };
        let phase = |(place, orders): (Place, &Option<PhaseOrders>)| {
            let by_meter = || {
                self.slot(Quantity::at(Measurand::HarmonicLossFactor, place))
                    .or_else(|| self.slot(Quantity::whole(Measurand::HarmonicLossFactor)))
            };
            let factor = self
                .slot_of_computed(Quantity::at(Measurand::SpectrumLossFactor, place))
                .or_else(by_meter)?;
            let liquid = matches!(known.bounded, Bounded::Liquid { .. });
            let current = self.slot(Quantity::at(Measurand::Current, place));
            Some(PhaseLoad { factor, orders: orders.clone().filter(|_| liquid), current })
        };
        let phases: Box<[PhaseLoad]> = Place::PHASES.into_iter().zip(currents).filter_map(phase).collect();
        if phases.is_empty() {
            return;
        }
        let all_measured = phases.iter().all(|phase| phase.current.is_some());
        let floor_a = CURRENT_FLOOR * rated_a;
        let load = Box::new(SpectrumLoad { phases, bounded: known.bounded, rated_a, floor_a });
        self.push(Quantity::whole(Measurand::PermissibleLoad), Harmonics::Permissible(load.clone()));
        if all_measured {
            self.push(Quantity::whole(Measurand::SpectrumLoading), Harmonics::Loading(load));
        }
    }

    /// What the neutral of a star should carry.
    fn neutral(&mut self, currents: [Option<PhaseOrders>; 3]) {
        let star = self.rating.wiring.is_some_and(|(form, _)| form == WiringForm::Wye);
        let [Some(a), Some(b), Some(c)] = currents else { return };
        let phases = [a, b, c];
        if !(star && phases.iter().all(|phase| phase.has_amounts() && has(&phase.slots, 9))) {
            return;
        }
        let [angle_a, angle_b, angle_c] =
            Place::PHASES.map(|place| self.slot(Quantity::at(Measurand::CurrentAngle, place)));
        let angles = angle_a.zip(angle_b).zip(angle_c).map(|((a, b), c)| [a, b, c]);
        let expected = Quantity::whole(Measurand::NeutralExpected);
        self.push(expected, Harmonics::Neutral { phases: Box::new(phases), angles });
        // Without angles unequal power factors alone would look like amperes from nowhere.
        let measured = self.slot(Quantity::whole(Measurand::NeutralCurrent)).filter(|_| angles.is_some());
        if let (Some(measured), Some(expected)) = (measured, self.slot_of_computed(expected)) {
            let formula = Harmonics::Unexplained { measured, expected };
            self.push(Quantity::whole(Measurand::NeutralUnexplained), formula);
        }
    }
}

fn has(slots: &[(u8, usize)], order: u8) -> bool {
    slots.iter().any(|(known, _)| *known == order)
}
