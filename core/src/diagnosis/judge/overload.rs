//! Overload: by kVA and by amperes against the nameplate, nothing else. Whatever else is hot or unequal explains it not away,
//! and it explains the heat that its amperes make.
//!
//! Setpoints and times are those of the loading limits (common practice, no source): 100 % for two hours, 110 % for one,
//! 125 % of the worst phase for ten minutes.

use super::cooling::times_by_fans;
use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::look::{CircuitNow, Look, largest, of_quantity, of_sign};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::shares::Of;
use crate::diagnosis::sign::Sign;
use crate::diagnosis::trace::{Fade, Mean};
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The time of the ladder's middle step.
pub(super) const ONE_HOUR: Span = Span::minutes(60);
/// Steps of the ladder: per cent of the rating, for how long, how soon a person must act.
const STEPS: [(f64, Span, Priority); 3] = [
    (100.0, Span::minutes(120), Priority::Low),
    (110.0, ONE_HOUR, Priority::High),
    (125.0, SOON, Priority::Urgent),
];
/// The time of the ladder's last step, also where the hot spot comes to its limit.
const SOON: Span = Span::minutes(10);
/// So far below a step it no longer holds, in per cent of the rating.
const BACK: f64 = 3.0;
/// Where the worst phase has so much more than the mean of all, it is that phase and not the whole.
const ONE_PHASE: f64 = 1.15;
/// The hot spot passes its limit within so many hours if the load lasts: a person must go at once (common practice, no
/// source).
const HOURS_LEFT: f64 = 2.0;
/// Shares are told anew so often.
const SHARES_EVERY: Span = Span::minutes(5);
/// A feeder's usual level at an hour of the day looks back over so long of that hour, which is some ten days (common practice,
/// no source).
const USUAL: Span = Span::hours(10);
const HOURS: usize = 24;
/// A feeder has grown if it is above its usual level by so much of its rating (common practice, no source).
const GROWN: f64 = 10.0;

/// What is remembered of each circuit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Overload {
    circuits: Vec<Memory>,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Memory {
    /// Since when it is above each step.
    steps: [Standing; STEPS.len()],
    /// Since when its hot spot would pass the limit soon.
    hot: Standing,
    /// Since when nothing of it shows.
    over: Standing,
    /// As what it was found, and at which circuit: it stays that until it is over.
    named: Option<(Cause, Option<Place>, usize)>,
    /// The circuit at which it was found last: what stands there ends there.
    last: Option<usize>,
    /// The mean of the latest hour.
    demand: Mean,
    /// Its usual loading by hour of the day (UTC).
    usual: [Mean; HOURS],
}

impl Overload {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![Memory::default(); circuits] }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        for memory in &mut self.circuits {
            memory.hot.shift(by);
            memory.over.shift(by);
            memory.steps.iter_mut().for_each(|standing| standing.shift(by));
        }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let fade = Fade::of(look.fade.passed, USUAL);
        for circuit in 0..self.circuits.len() {
            // The amperes before the unit are those behind it.
            let Some(most) = most_of_rating(look, circuit).filter(|_| look.plan.source != Some(circuit))
            else {
                continue;
            };
            let times = times_by_fans_of(look, circuit);
            let mark = of_quantity(Measurand::LoadingPhase, Place::Whole, circuit, most);
            docket.figure(Family::Overload, mark.against(100.0 * times));
            // Amperes of what goes on by two lines are the lost line's work.
            if on_two_lines(docket, look.plan.load, circuit) {
                continue;
            }
            let most = most / times;
            let left = look.unit.load_time_left.filter(|_| circuit == look.plan.load);
            let memory = &mut self.circuits[circuit];
            memory.demand.take(Some(most), Fade::of(look.fade.passed, ONE_HOUR));
            if let Some(priority) = memory.reached(most, left, look.end) {
                self.claim(look, docket, circuit, priority);
            } else if most < 100.0 {
                // What is above its rating is not usual.
                memory.usual[hour(look.end)].take(Some(most), fade);
            }
            if most < 100.0 - BACK {
                let memory = &mut self.circuits[circuit];
                if memory.over.for_span(Some(true), look.end, Cause::OverloadUnit.gone_after()) {
                    memory.named = None;
                }
                // What the unit shows and what the feeder itself shows are one finding there: it is over when both are.
                let is_low = |other: usize| {
                    let most = most_of_rating(look, other).map(|most| most / times_by_fans_of(look, other));
                    most.is_none_or(|most| most < 100.0 - BACK)
                };
                let load = look.plan.load;
                let traced = self.circuits[load].last.filter(|at| *at != load);
                let own = traced != Some(circuit) || is_low(load);
                let at = traced.filter(|at| circuit == load && is_low(*at));
                for cause in [Cause::OverloadPhase, Cause::OverloadUnit] {
                    for over in Some(circuit).filter(|_| own).into_iter().chain(at) {
                        docket.none(cause, over, None);
                    }
                }
            } else {
                self.circuits[circuit].over = Standing::default();
            }
        }
    }

    fn claim(&mut self, look: &Look<'_>, docket: &mut Docket, circuit: usize, priority: Priority) {
        let (plan, now) = (&look.plan.circuits[circuit], &look.circuits[circuit]);
        let full = 100.0 * times_by_fans_of(look, circuit);
        let own = circuit == look.plan.load;
        let whole = look.unit.loading_kva.filter(|_| own);
        let worst = worst_phase(plan, now);
        let memory = &mut self.circuits[circuit];
        let is_new = memory.named.is_none();
        let (cause, place, at) = *memory.named.get_or_insert_with(|| {
            let one =
                worst.zip(mean_loading(plan, now)).filter(|((_, worst), mean)| *worst > mean * ONE_PHASE);
            let phase = one.map(|((phase, _), _)| phase);
            let at = match phase {
                _ if !own => circuit,
                Some(phase) => {
                    only_above(look, phase).or_else(|| look.gained(Some(phase))).unwrap_or(circuit)
                }
                None => look.gained(None).unwrap_or(circuit),
            };
            match phase {
                Some(phase) => (Cause::OverloadPhase, Some(Place::PHASES[phase]), at),
                None => (Cause::OverloadUnit, None, at),
            }
        });
        memory.last = Some(at);
        let of_phase = |phase: usize| {
            let percent = 100.0 * now.amperes[phase]? / plan.rated_a.filter(|rated| *rated > 0.0)?;
            Some(of_sign(Sign::WorstPhaseOfRating, Place::PHASES[phase], circuit, percent).against(full))
        };
        let named = place.and_then(|place| Place::PHASES.into_iter().position(|known| known == place));
        let phase = named.or(worst.map(|(phase, _)| phase)).and_then(of_phase);
        let all =
            whole.or(mean_loading(plan, now)).map(|percent| unit((percent, full), circuit, whole.is_some()));
        let (Some(proof), other) = (if named.is_some() { (phase, all) } else { (all.or(phase), phase) })
        else {
            return;
        };
        let left = look.unit.load_time_left.filter(|_| own);
        let left = left.map(|hours| of_quantity(Measurand::LoadTimeLeft, Place::Whole, circuit, hours));
        let grown = if own { self.grew_most(look) } else { None };
        // Amperes above the rating for so long are plain: only the meter could be wrong.
        let agreeing = usize::from(other.is_some()) + usize::from(priority == Priority::Urgent);
        let claim = Claim::new(cause, at, place, priority, proof)
            .with(other)
            .with(left)
            .with(grown)
            .weighs(0.8 + 0.07 * agreeing as f64)
            .lacking(look.to_trace().filter(|_| own));
        let of = named.map_or(Of::Load, Of::Phase);
        let asks = own && (is_new || look.end.floor(SHARES_EVERY) == look.end);
        docket.join(claim.shared(asks.then(|| look.shares(of)).flatten()));
    }

    /// The feeder that is farthest above its own usual level at this hour of the day.
    fn grew_most(&self, look: &Look<'_>) -> Option<Mark> {
        let grown = |circuit: usize| {
            let usual = self.circuits[circuit].usual[hour(look.end)].get()?;
            let now = most_of_rating(look, circuit)?;
            (now - usual > GROWN).then_some((circuit, now, usual))
        };
        let feeders = look.feeders().filter(|(_, plan, now)| plan.direct && !now.elsewhere);
        let most = feeders
            .filter_map(|(circuit, ..)| grown(circuit))
            .max_by(|(_, now, usual), (_, other, before)| (now - usual).total_cmp(&(other - before)));
        most.map(|(circuit, now, usual)| {
            of_sign(Sign::ShareOfRating, Place::Whole, circuit, now).against(usual)
        })
    }
}

impl Memory {
    /// The highest step that it has reached. A load that goes up and down breaks none while its demand, the mean of the latest hour, stands
    /// above it.
    fn reached(&mut self, most: f64, left: Option<f64>, end: EventTime) -> Option<Priority> {
        let mut reached = None;
        let demand = self.demand.by(0.0).unwrap_or(0.0);
        for ((setpoint, span, priority), standing) in STEPS.iter().zip(&mut self.steps) {
            let holds = match most {
                most if most > *setpoint => Some(true),
                most if most < setpoint - BACK && demand < *setpoint => Some(false),
                _ => None,
            };
            if standing.for_span(holds, end, *span) {
                reached = Some(*priority);
            }
        }
        let hot = left.map(|left| left < HOURS_LEFT && most > 100.0);
        if self.hot.for_span(hot, end, SOON) { Some(Priority::Urgent) } else { reached }
    }
}

/// The only feeder that is itself above its rating in this phase: it is the one to look at, whoever came last.
fn only_above(look: &Look<'_>, phase: usize) -> Option<usize> {
    let mut above = look.sharing().filter(|feeder| {
        let (plan, now) = (&look.plan.circuits[*feeder], &look.circuits[*feeder]);
        plan.rated_a.zip(now.amperes[phase]).is_some_and(|(rated, amperes)| amperes > rated)
    });
    above.next().filter(|_| above.next().is_none())
}

/// Whether a line or phase is lost at the transformer or at this circuit, or a drive of it runs on two lines.
fn on_two_lines(docket: &Docket, load: usize, circuit: usize) -> bool {
    let lost = |at: usize| {
        docket.claims(Cause::LostPrimaryLine, Some(at)) || docket.claims(Cause::LostPhase, Some(at))
    };
    // The transformer sees the drives of all its feeders.
    let drives = Some(circuit).filter(|circuit| *circuit != load);
    lost(load) || lost(circuit) || docket.claims(Cause::DriveFuse, drives)
}

fn hour(end: EventTime) -> usize {
    ((end - Span(1)).0.div_euclid(ONE_HOUR.0)).rem_euclid(HOURS as i64) as usize
}

fn unit((percent, full): (f64, f64), circuit: usize, by_kva: bool) -> Mark {
    if by_kva {
        of_quantity(Measurand::LoadingKva, Place::Whole, circuit, percent).against(full)
    } else {
        of_sign(Sign::ShareOfRating, Place::Whole, circuit, percent).against(full)
    }
}

/// So many times its rating a circuit may carry now: the transformer's own with its fans.
pub(super) fn times_by_fans_of(look: &Look<'_>, circuit: usize) -> f64 {
    if circuit == look.plan.load { times_by_fans(look) } else { 1.0 }
}

/// The worst of a circuit's phases and, of the transformer, its kVA: in per cent of the rating.
pub(super) fn most_of_rating(look: &Look<'_>, circuit: usize) -> Option<f64> {
    let whole = look.unit.loading_kva.filter(|_| circuit == look.plan.load);
    let worst = worst_phase(&look.plan.circuits[circuit], &look.circuits[circuit]).map(|(_, worst)| worst);
    [whole, worst].into_iter().flatten().reduce(f64::max)
}

/// The phase with the most amperes and what they are of the rating, in per cent.
fn worst_phase(plan: &CircuitPlan, now: &CircuitNow) -> Option<(usize, f64)> {
    let rated = plan.rated_a.filter(|rated| *rated > 0.0)?;
    largest(now.amperes).map(|(phase, amperes)| (phase, 100.0 * amperes / rated))
}

fn mean_loading(plan: &CircuitPlan, now: &CircuitNow) -> Option<f64> {
    let rated = plan.rated_a.filter(|rated| *rated > 0.0)?;
    let known = now.amperes.iter().flatten();
    let count = known.clone().count();
    (count > 1).then(|| 100.0 * known.sum::<f64>() / count as f64 / rated)
}
