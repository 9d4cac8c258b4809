//! The way from a transformer's meter to a feeder's: the heat that a joint on it makes beyond what it made when it was
//! learned, on one phase only.

use super::Turn;
use crate::electrical::joint::{
    Joint, Learned, Moment, Resistance, alone_ohm, beyond_warming, gained_alone_ohm, heat_w,
    neutral_in_phase_a, times_apart, without_neutral_ohm,
};
use crate::electrical::robust::median;
use crate::electrical::week::WeekClasses;
use crate::plan::GRID_STEP;
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Heat is told at the current that the week's exceeds so rarely, in per cent.
const AT_PERCENTILE: f64 = 95.0;
/// Heat that is not known better than this has no verdict: the first step of its limit (common practice, no source).
const MOST_UNCERTAIN_W: f64 = 10.0;
/// The most steps of resistance that are remembered of a way.
const MOST_STEPS: usize = 8;

/// Phases further apart than this, the largest over the least, are not taken for healthy by anyone: one of them has a fault, or
/// they are not what the drawing says (common practice, no source).
pub const MOST_TIMES: f64 = 1.5;
/// A neutral of half a phase's size has twice its resistance; none has more (common practice, no source).
const NEUTRAL_TIMES: f64 = 2.0;

/// A way, compiled. Of phases A, B and C, and where there are four, of the neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct WayPlan {
    /// The meter at its end.
    pub name: String,
    /// Which of the scope's things its feeder is.
    pub thing: usize,
    /// Columns of volts to neutral at its begin.
    pub up: [usize; 3],
    /// And at its end.
    pub down: [usize; 3],
    /// Columns of the volts' distortion at its begin, where that is measured.
    pub up_thd: [Option<usize>; 3],
    /// And at its end.
    pub down_thd: [Option<usize>; 3],
    /// Columns of its currents.
    pub currents: [usize; 3],
    /// Columns of its phases' power, where that is measured: by it the active current is known, which makes the drop on a resistance; one
    /// that flows back is negative. What capacitors draw is none.
    pub watts: [Option<usize>; 3],
    /// Column of its neutral's current, where that is measured.
    pub neutral: Option<usize>,
    /// Rated current in amperes.
    pub rated_a: f64,
    /// Series of the heat.
    pub heat: [usize; 4],
}

/// A step of a way's resistance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StepOfResistance {
    /// On which phase, 0 to 2.
    pub phase: u8,
    /// When.
    pub at: EventTime,
    /// By how much, in ohms.
    pub ohm: f64,
}

/// What must never be lost of a way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WayLearned {
    /// The meter at its end.
    pub way: String,
    /// Its resistances in its first days.
    pub ohms: [Learned; 4],
    /// Who took them for healthy, and when; `None`: the phases are judged by each other.
    #[serde(default)]
    pub accepted: Option<(String, EventTime)>,
}

/// How the learning of a way stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WayStands {
    /// So many days were learned from.
    Learning(usize),
    /// It waits for a person.
    Waits,
    /// Nobody can take it: the phases are so many times apart; `None`: they are no resistances.
    NotHealthy(Option<f64>),
    /// A person took it.
    Accepted,
}

/// A way as it is now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WayNow<'a> {
    /// The meter at its end.
    pub way: &'a str,
    /// How its learning stands.
    pub stands: WayStands,
    /// What was learned in ohms: A, B, C and the neutral.
    pub ohms: [Option<f64>; 4],
    /// Who took it, and when.
    pub accepted: Option<&'a (String, EventTime)>,
}

/// From this power factor on the direction of a current is plain.
const PLAINLY: f64 = 0.3;

/// What is remembered of a way.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Way {
    joints: [Joint; 3],
    /// By phase: power has plainly flowed to the load. A phase that never did is measured with its leads turned.
    forward: [bool; 3],
    loads: [WeekClasses; 4],
    heat: [Sample; 4],
    steps: Vec<StepOfResistance>,
    #[serde(skip)]
    learned: [Learned; 4],
    #[serde(skip)]
    accepted: Option<(String, EventTime)>,
}

impl Way {
    pub(super) fn learned(&self, name: &str) -> WayLearned {
        WayLearned { way: name.to_owned(), ohms: self.learned, accepted: self.accepted.clone() }
    }

    /// How its learning stands.
    pub(super) fn now<'a>(&'a self, name: &'a str) -> WayNow<'a> {
        let ohms = self.learned.map(|learned| learned.ohm());
        let days = self.learned[..3].iter().map(Learned::days).min().unwrap_or(0);
        let apart = match ohms {
            [Some(a), Some(b), Some(c), _] => Some(times_apart([a, b, c])),
            _ => None,
        };
        let stands = match apart {
            _ if self.accepted.is_some() => WayStands::Accepted,
            None => WayStands::Learning(days),
            Some(Some(times)) if times <= MOST_TIMES => WayStands::Waits,
            Some(times) => WayStands::NotHealthy(times),
        };
        WayNow { way: name, stands, ohms, accepted: self.accepted.as_ref() }
    }

    /// A person takes what was learned for healthy; says whether it waited.
    pub(super) fn accept(&mut self, by: &str, at: EventTime) -> bool {
        let waits = self.now("").stands == WayStands::Waits;
        if waits {
            self.accepted = Some((by.to_owned(), at));
        }
        waits
    }

    /// What was learned is dropped and learned anew; says whether there was anything.
    pub(super) fn drop_learned(&mut self) -> bool {
        let had = self.accepted.is_some() || self.learned.iter().any(|learned| learned.days() > 0);
        (self.learned, self.accepted) = ([Learned::default(); 4], None);
        had
    }

    pub(super) fn adopt_learned(&mut self, learned: &WayLearned) {
        self.learned = learned.ohms;
        self.accepted.clone_from(&learned.accepted);
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.joints.iter_mut().for_each(|joint| joint.shift(by));
        self.steps.iter_mut().for_each(|step| step.at += by);
    }

    /// `at_home`: whether it is certain that this transformer feeds it. Else what one meter shows less the other is no drop on
    /// any way.
    pub(super) fn step(&mut self, plan: &WayPlan, at_home: bool, turn: &mut Turn<'_>) {
        let value = |column: usize| turn.inputs[column].get();
        let amperes = plan.currents.map(value);
        let neutral = plan.neutral.and_then(value);
        for (load, amperes) in self.loads.iter_mut().zip(amperes.into_iter().chain([neutral])) {
            if let Some(amperes) = amperes.filter(|_| at_home) {
                load.take(turn.end, amperes / plan.rated_a);
            }
        }
        let directed: [Option<f64>; 3] = std::array::from_fn(|phase| {
            let amperes = amperes[phase]?;
            let volts = value(plan.down[phase]).unwrap_or(0.0);
            let watts = plan.watts[phase].and_then(value);
            let active = watts.map(|watts| watts / volts).filter(|active| (active / amperes).is_finite());
            let Some(active) = active else { return Some(amperes) };
            let cos = active / amperes;
            self.forward[phase] |= cos > PLAINLY;
            // What is mostly reactive says little of a resistance, in whichever direction.
            let tells = !self.forward[phase] || cos.abs() > PLAINLY;
            tells.then_some(if self.forward[phase] { active } else { active.abs() })
        });
        let mut closed = false;
        for (phase, joint) in self.joints.iter_mut().enumerate() {
            let moment = moment(plan, turn.inputs, directed, phase).filter(|_| at_home);
            closed |= joint.observe(turn.end, GRID_STEP, moment, plan.rated_a);
        }
        if closed {
            self.find(plan, turn.end);
        }
        let seen = amperes.map(|amperes| amperes.is_some());
        let all = seen.into_iter().chain([seen == [true; 3]]);
        for ((series, heat), seen) in plan.heat.iter().zip(self.heat).zip(all) {
            turn.row[*series] = if seen && at_home { heat } else { Sample::ABSENT };
        }
    }

    /// The heat by the points of the last day.
    fn find(&mut self, plan: &WayPlan, now: EventTime) {
        let most_a = (0..3).filter_map(|part| self.loads[part].percentile(now, AT_PERCENTILE));
        let most_a = most_a.reduce(f64::max).map(|share| share * plan.rated_a);
        let is_sure = |within_ohm: f64| {
            most_a.and_then(|amperes| heat_w(within_ohm, amperes)).is_some_and(|w| w <= MOST_UNCERTAIN_W)
        };
        // What is not known well enough is no peer either.
        let found: [Option<Resistance>; 3] = std::array::from_fn(|phase| {
            let found = self.joints[phase].resistance(now, plan.rated_a).ok();
            found.filter(|found| is_sure(found.own_within_ohm))
        });
        let neutral = middle(found.map(|found| found.and_then(|found| found.neutral_ohm)));
        // Nor does a neutral that is hardly told apart say what the phases hold of it.
        let told_ohm = neutral.filter(|(ohm, within)| *ohm >= 0.0 && is_sure(*within)).map(|(ohm, _)| ohm);
        let own = told_apart(found, told_ohm);
        let within = |phase: usize| Some((own[phase]?, found[phase]?.own_within_ohm));
        let ohms = [within(0), within(1), within(2), neutral];
        for (learned, ohm) in self.learned.iter_mut().zip(ohms) {
            if let Some((ohm, _)) = ohm {
                learned.take(now, ohm);
            }
        }
        let (mut gained, neutral) = ([None; 4], neutral.map(|(ohm, _)| ohm));
        for (turn, ohm) in neutrals_ohm(found, told_ohm).into_iter().flatten().enumerate() {
            let own = |phase: usize| found[phase].map(|found| found.own_ohm - found.holds_neutral * ohm);
            let now = self.gained_ohm([own(0), own(1), own(2), neutral]);
            let least = |part: usize| Some(now[part]?.min(gained[part]?));
            gained = if turn == 0 { now } else { std::array::from_fn(least) };
        }
        for (part, gained) in gained.into_iter().enumerate() {
            let amperes = self.loads[part].percentile(now, AT_PERCENTILE).map(|share| share * plan.rated_a);
            let watts = |ohm: f64| heat_w(ohm, amperes?);
            let known =
                ohms[part].and_then(|(_, within)| watts(within)).is_some_and(|w| w <= MOST_UNCERTAIN_W);
            self.heat[part] = gained.filter(|_| known).and_then(watts).into();
        }
        self.date_steps(plan, now);
    }

    /// What each part has in ohms beyond what is healthy. Until a person took what was learned, phases are judged by each other and
    /// the neutral by the lesser of what was learned and what its phases make likely: a fault of the first days is not learned
    /// for healthy.
    fn gained_ohm(&self, ohms: [Option<f64>; 4]) -> [Option<f64>; 4] {
        let learned = self.learned.map(|learned| learned.ohm());
        let [own_a, own_b, own_c, own_n] = ohms;
        let [learned_a, learned_b, learned_c, learned_n] = learned;
        let phases = [own_a, own_b, own_c];
        let ([a, b, c], healthy_n) = if self.accepted.is_some() {
            let gained: [Option<f64>; 4] = std::array::from_fn(|part| Some(ohms[part]? - learned[part]?));
            let [a, b, c, _] = gained;
            (gained_alone_ohm([a, b, c], [learned_a, learned_b, learned_c]), learned_n)
        } else {
            let likely = phases.into_iter().flatten().reduce(f64::min).map(|least| NEUTRAL_TIMES * least);
            (alone_ohm(phases), learned_n.zip(likely).map(|(learned, likely)| learned.min(likely)))
        };
        let n = own_n.zip(healthy_n).map(|(own, healthy)| beyond_warming(own - healthy, healthy));
        [a, b, c, n]
    }

    /// Notes a step of the resistance once.
    fn date_steps(&mut self, plan: &WayPlan, now: EventTime) {
        for (phase, joint) in (0u8..).zip(&self.joints) {
            let Some((at, ohm)) = joint.stepped(now, plan.rated_a) else { continue };
            // As points go, its place may move a little from one look to the next.
            let near = |known: &&mut StepOfResistance| {
                known.phase == phase && (known.at - at).0.abs() < Span::hours(2).0
            };
            let step = StepOfResistance { phase, at, ohm };
            if let Some(known) = self.steps.iter_mut().find(near) {
                *known = step;
            } else {
                if self.steps.len() == MOST_STEPS {
                    self.steps.remove(0);
                }
                self.steps.push(step);
            }
        }
    }

    /// Steps of the resistance, as they were found.
    pub(super) fn steps(&self) -> &[StepOfResistance] {
        &self.steps
    }
}

/// What takes more than this share of the volts is no resistance but a phase that is open, or a fuse of one of the two meters; the
/// others then carry what a whole way never does (common practice, no source).
const OPEN: f64 = 0.1;

/// Whether each phase that is measured at both ends goes through.
fn is_whole(plan: &WayPlan, inputs: &[Sample]) -> bool {
    (0..3).all(|phase| {
        let ends = inputs[plan.up[phase]].get().zip(inputs[plan.down[phase]].get());
        ends.is_none_or(|(up, down)| (up - down).abs() <= OPEN * up.max(down))
    })
}

/// The volts of the fundamental are compared (IEC 61000-4-7: of the total by the distortion): what capacitors make of the orders at one
/// end is no drop on a joint.
fn moment(plan: &WayPlan, inputs: &[Sample], amperes: [Option<f64>; 3], phase: usize) -> Option<Moment> {
    let own_a = amperes[phase].filter(|_| is_whole(plan, inputs))?;
    let others = [amperes[(phase + 1) % 3]?, amperes[(phase + 2) % 3]?];
    let volts = |column: usize, thd: Option<usize>| {
        let thd = thd.and_then(|thd| inputs[thd].get()).unwrap_or(0.0) / 100.0;
        Some(inputs[column].get()? / (1.0 + thd * thd).sqrt())
    };
    let drop_v = volts(plan.up[phase], plan.up_thd[phase])? - volts(plan.down[phase], plan.down_thd[phase])?;
    Some(Moment { own_a, neutral_a: neutral_in_phase_a(own_a, others), drop_v })
}

/// A phase that holds less than this of the neutral's resistance is known by itself (common practice, no source).
const HARDLY: f64 = 0.1;

/// The phases' own resistances, without what they hold of the neutral's where that moves along with them.
fn told_apart(found: [Option<Resistance>; 3], neutral_ohm: Option<f64>) -> [Option<f64>; 3] {
    if let Some(neutral) = neutral_ohm {
        return found.map(|found| found.map(|found| found.own_ohm - found.holds_neutral * neutral));
    }
    let [Some(a), Some(b), Some(c)] = found else {
        let alone = |found: &Resistance| found.holds_neutral.abs() < HARDLY;
        return found.map(|found| found.filter(alone).map(|found| found.own_ohm));
    };
    let most_ohm = NEUTRAL_TIMES * median(&mut [a.own_ohm, b.own_ohm, c.own_ohm]);
    without_neutral_ohm([a, b, c].map(|found| (found.own_ohm, found.holds_neutral)), most_ohm).map(Some)
}

/// Where no load tells the neutral's resistance from the phases' it may be anything from nothing to the most that one has: so many values of
/// it are tried, and what a phase gained is what it gained with each of them.
const TRIED: usize = 9;

fn neutrals_ohm(found: [Option<Resistance>; 3], known: Option<f64>) -> [Option<f64>; TRIED] {
    let all = || found.iter().flatten();
    let mut tried = [None; TRIED];
    tried[0] = Some(known.unwrap_or(0.0));
    if known.is_none() && all().any(|found| found.holds_neutral.abs() >= HARDLY) {
        let most_ohm = NEUTRAL_TIMES * all().map(|found| found.own_ohm).fold(0.0, f64::max);
        for (step, tried) in tried.iter_mut().enumerate() {
            *tried = Some(most_ohm * step as f64 / (TRIED - 1) as f64);
        }
    }
    tried
}

/// The middle of what the three phases say of the neutral, with the widest of their uncertainties.
fn middle(neutrals: [Option<(f64, f64)>; 3]) -> Option<(f64, f64)> {
    let (mut ohms, mut count, mut widest) = ([0.0; 3], 0, 0f64);
    for (ohm, within) in neutrals.into_iter().flatten() {
        ohms[count] = ohm;
        count += 1;
        widest = widest.max(within);
    }
    (count > 0).then(|| (median(&mut ohms[..count]), widest))
}

#[cfg(test)]
mod tests;
