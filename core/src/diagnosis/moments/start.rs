//! A load that starts: amperes rise and come down again while volts dip. Those that rise beside a phase that broke, or on the two
//! lines that are left, are none.
//!
//! Source: circuit theory; the bounds are common practice, no source, unless they say otherwise.

use super::excursion::Excursion;
use super::tell::{AT_ONCE, DIPS, Moment, Part, Told, highest, is_told, lowest};
use crate::diagnosis::cause::Cause;
use crate::diagnosis::look::of_sign;
use crate::diagnosis::sign::Sign;
use crate::phases::Place;
use crate::time::Span;

/// A start draws this share of the rating more, while volts dip by [`DIPS`].
const START: f64 = 0.10;
/// A start without a dip draws this share of the rating more, and comes down again.
const STRONG_START: f64 = 0.30;
/// A start's peak is so many times what is left of it.
const PEAK: f64 = 1.8;
/// Power rises by this share when a load comes on; a load that keeps its power rises not.
const POWER_RISES: f64 = 1.10;
/// The feeder with this share of the transformer's step has the load.
const ITS_OWN: f64 = 0.5;
/// A second order of this per cent of the fundamental is that of inrush (common practice: relays hold back from 15 %).
const INRUSH_SECOND: f64 = 15.0;
/// Phases of an inrush differ by this factor, and it is over within this time.
const UNLIKE: f64 = 1.5;
/// See [`UNLIKE`].
const INRUSH_OVER: Span = Span::seconds(3);

/// What departed at a meter, the phase whose amperes rose most, and by how many.
type Step<'a, 'b> = (&'a Part<'b>, (usize, f64));

impl Moment<'_> {
    /// A load that starts, or a transformer behind a feeder that is energised.
    pub(super) fn start(&self, trips: &[Told]) -> Option<Told> {
        let step = |part: &Part<'_>| -> Option<(usize, f64)> {
            let (circuit, excursion) = (self.circuit(part.ear.circuit), &part.excursion);
            let (phase, rise) = highest(excursion.rise())?;
            let rated = circuit.rated_a.or(self.circuit(self.plan.load).rated_a)?;
            let usual = excursion.usual.amperes()[phase]?;
            let volts = excursion.volts()[phase];
            let dips = volts.is_some_and(|change| change <= -DIPS);
            let power = (usual + rise) * (1.0 + volts.unwrap_or(0.0)) >= POWER_RISES * usual;
            // What goes on by two lines draws more on these.
            if part.ear.stood(excursion, AT_ONCE) {
                return None;
            }
            let left = excursion.after.amperes()[phase].map_or(0.0, |now| (now - usual).max(0.0));
            let comes_down = !excursion.lasting || rise >= PEAK * left;
            let enough = if dips { START } else { STRONG_START };
            (power && comes_down && rise >= enough * rated).then_some((phase, rise))
        };
        let steps = || self.parts.iter().filter_map(|part| Some((part, step(part)?)));
        let tripped = |part: &Part<'_>| is_told(trips, part.ear.circuit);
        let (broken, whole): (Vec<_>, Vec<_>) = steps()
            .filter(|(part, _)| self.circuit(part.ear.circuit).feeder.is_some() && !tripped(part))
            .partition(|(part, _)| self.broken(part).is_some());
        let most = |one: &Step<'_, '_>, other: &Step<'_, '_>| one.1.1.total_cmp(&other.1.1);
        let feeder = whole.into_iter().max_by(most);
        // Motors on a feeder that lost a phase draw more on the two that are left: that is no start.
        let of_break = broken.into_iter().max_by(most).map_or(0.0, |(_, (_, rise))| rise);
        let load = steps()
            .find(|(part, _)| part.ear.circuit == self.plan.load)
            .filter(|(_, (_, rise))| of_break < ITS_OWN * rise);
        let (part, (phase, rise)) = match (feeder, load) {
            (Some(feeder), Some(load)) if feeder.1.1 < ITS_OWN * load.1.1 => load,
            (Some(feeder), _) => feeder,
            (None, load) => load.filter(|_| trips.is_empty())?,
        };
        let excursion = &part.excursion;
        let circuit = part.ear.circuit;
        let rises = excursion.rise();
        let strongest = highest(rises)?.1;
        let weakest = lowest(rises)?.1;
        let unlike = strongest >= UNLIKE * weakest && weakest >= 0.1 * strongest;
        let short = excursion.length() <= INRUSH_OVER;
        let second = excursion.second_order.filter(|percent| *percent >= INRUSH_SECOND);
        let energised = self.energised(excursion);
        let is_inrush =
            energised.is_some() || second.is_some() || (unlike && short && excursion.second_order.is_none());
        let cause = if is_inrush { Cause::Inrush } else { Cause::StartingLoad };
        let dip = lowest(excursion.volts())
            .map(|(phase, change)| of_sign(Sign::VoltsLost, Place::PHASES[phase], circuit, -100.0 * change));
        let mark = of_sign(Sign::AmpereStep, Place::PHASES[phase], circuit, rise);
        let second = second.map(|percent| of_sign(Sign::SecondOrder, Place::Whole, circuit, percent));
        let sure = if dip.is_some() { 0.85 } else { 0.7 };
        let told = Told::new(cause, part, None, mark).with(dip).with(second).weighs(sure);
        Some(Told { circuit: energised.unwrap_or(circuit), ..told })
    }

    /// The feeder whose volts came back from nothing at that time.
    fn energised(&self, excursion: &Excursion) -> Option<usize> {
        let mut ears = self.ears.iter().flatten();
        let back = ears.find(|ear| {
            self.circuit(ear.circuit).feeder.is_some()
                && ear.came_back().is_some_and(|at| (at - excursion.start).0.abs() <= 2 * AT_ONCE.0)
        });
        back.map(|ear| ear.circuit)
    }
}
