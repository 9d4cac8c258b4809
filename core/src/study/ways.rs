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
        let found: [Option<Resistance>; 3] =
            std::array::from_fn(|phase| self.joints[phase].resistance(now, plan.rated_a).ok());
        let neutral = middle(found.map(|found| found.and_then(|found| found.neutral_ohm)));
        let own = told_apart(found, neutral.map(|(ohm, _)| ohm));
        let within = |phase: usize| Some((own[phase]?, found[phase]?.own_within_ohm));
        let ohms = [within(0), within(1), within(2), neutral];
        for (learned, ohm) in self.learned.iter_mut().zip(ohms) {
            if let Some((ohm, _)) = ohm {
                learned.take(now, ohm);
            }
        }
        let (mut gained, neutral) = ([None; 4], neutral.map(|(ohm, _)| ohm));
        for (turn, ohm) in neutrals_ohm(found, neutral).into_iter().flatten().enumerate() {
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
mod tests {
    use super::*;

    /// Columns: volts up 0 to 2, volts down 3 to 5, currents 6 to 8.
    fn plan() -> WayPlan {
        WayPlan {
            name: "MP-1".to_owned(),
            thing: 1,
            up: [0, 1, 2],
            down: [3, 4, 5],
            up_thd: [None; 3],
            down_thd: [None; 3],
            currents: [6, 7, 8],
            watts: [None; 3],
            neutral: None,
            rated_a: 200.0,
            heat: [0, 1, 2, 3],
        }
    }

    /// So many days at these resistances of A, B and C; gives what the last step says.
    fn days(way: &mut Way, (from, to): (i64, i64), ohms: [f64; 3], at_home: bool) -> [Sample; 4] {
        let mut row = [Sample::ABSENT; 4];
        for step in from * 8640..to * 8640 {
            let end = EventTime(0) + Span::seconds(10 * (step + 1));
            let load = 100.0 + 80.0 * (step as f64 / 700.0).sin();
            let drops = ohms.map(|ohm| 120.0 - 0.3 - ohm * load);
            let values = [[120.0; 3], drops, [load; 3]].concat();
            let inputs: Vec<Sample> = values.into_iter().map(Sample::new).collect();
            way.step(&plan(), at_home, &mut Turn { end, inputs: &inputs, row: &mut row });
        }
        row
    }

    #[test]
    fn a_joint_that_is_bad_from_the_first_day_shows_and_is_not_learned_for_healthy() {
        let mut way = Way::default();
        let bad = [0.003, 0.0055, 0.003];
        for to in [1, 8] {
            let [a, b, c, _] = days(&mut way, (to - 1, to), bad, true);
            assert_eq!((a, c), (Sample::new(0.0), Sample::new(0.0)), "day {to}");
            // 2.5 mohm at some 175 A: 77 W (Joule's law).
            assert!((60.0..85.0).contains(&b.get().unwrap()), "day {to}: {b:?}");
        }
        let mut way = Way::default();
        days(&mut way, (0, 9), bad, true);
        assert!(matches!(way.now("").stands, WayStands::NotHealthy(Some(_))), "{:?}", way.now(""));
        assert!(!way.accept("Ines", EventTime(1)), "nobody can take it");
    }

    #[test]
    fn what_a_person_took_is_the_measure_and_is_kept() {
        let mut way = Way::default();
        let unlike = [0.003, 0.0039, 0.003];
        assert!(days(&mut way, (0, 1), unlike, true)[1].get() > Some(10.0), "before, peers judge it");
        assert!(!way.accept("Ines", EventTime(1)), "not enough days");
        days(&mut way, (1, 9), unlike, true);
        assert_eq!(way.now("").stands, WayStands::Waits);
        assert!(way.accept("Ines", EventTime(1)));
        let mut again = Way::default();
        again.adopt_learned(&way.learned("MP-1"));
        assert_eq!(again.now("MP-1"), way.now("MP-1"));
        assert_eq!(days(&mut way, (9, 10), unlike, true)[1], Sample::new(0.0));
        assert!(way.drop_learned() && !way.drop_learned());
    }

    /// Phase A opens after a day. It has no resistance then, and the neutral carries what it never did.
    #[test]
    fn a_phase_that_is_open_makes_no_joints_of_the_others() {
        let mut way = Way::default();
        days(&mut way, (0, 1), [0.003; 3], true);
        let mut row = [Sample::ABSENT; 4];
        for step in 8640..8640 + 6 * 360 {
            let end = EventTime(0) + Span::seconds(10 * (step + 1));
            let load = 100.0 + 80.0 * (step as f64 / 700.0).sin();
            let volts = 120.0 - 0.3 - 0.003 * load;
            let values = [120.0, 120.0, 120.0, 2.4, volts, volts, 0.0, load, load];
            let inputs = values.map(Sample::new);
            way.step(&plan(), true, &mut Turn { end, inputs: &inputs, row: &mut row });
            for phase in [1, 2] {
                assert!(row[phase].get().is_none_or(|watts| watts == 0.0), "step {step}: {row:?}");
            }
        }
    }

    /// By day the sun gives back what phases A and B carry and more: the volts at the end rise by it.
    #[test]
    fn power_that_flows_back_makes_no_joint() {
        let plan = WayPlan { watts: [Some(9), Some(10), Some(11)], ..plan() };
        let (mut way, mut row) = (Way::default(), [Sample::ABSENT; 4]);
        for step in 0..3 * 8640 {
            let end = EventTime(0) + Span::seconds(10 * (step + 1));
            let sun = (step as f64 * std::f64::consts::TAU / 8640.0).sin().max(0.0);
            let own = [60.0, 70.0, 180.0].map(|load: f64| load - 150.0 * sun);
            let volts = own.map(|amperes| 120.0 - 0.3 - 0.003 * amperes);
            let values = [[120.0; 3], volts, own.map(f64::abs), own.map(|amperes| 120.0 * amperes)].concat();
            let inputs: Vec<Sample> = values.into_iter().map(Sample::new).collect();
            way.step(&plan, true, &mut Turn { end, inputs: &inputs, row: &mut row });
            assert!(
                row[..3].iter().all(|heat| heat.get().is_none_or(|watts| watts < 5.0)),
                "{step}: {row:?}"
            );
        }
    }

    /// Three days of a way of 3 mohm for each wire, as its meters show it: active and reactive amperes by phase, distortion at the end.
    /// The neutral takes the phasor sum of the phases (circuit theory); gives the largest heat of a phase.
    fn most_heat(extra_ohm: [f64; 3], of: impl Fn(f64) -> ([f64; 3], [f64; 3], [f64; 3])) -> [f64; 3] {
        let thd = |first: usize| [Some(first), Some(first + 1), Some(first + 2)];
        let plan = WayPlan { watts: thd(9), up_thd: thd(12), down_thd: thd(15), ..plan() };
        let (mut way, mut row, mut most) = (Way::default(), [Sample::ABSENT; 4], [0f64; 3]);
        for step in 0..3 * 8640 {
            let end = EventTime(0) + Span::seconds(10 * (step + 1));
            let (active, reactive, thd) = of(0.5 + 0.5 * (step as f64 / 700.0).sin());
            let volts: [f64; 3] = std::array::from_fn(|phase| {
                let (next, last) = ((phase + 1) % 3, (phase + 2) % 3);
                let neutral = active[phase]
                    - f64::midpoint(active[next], active[last])
                    - 0.75f64.sqrt() * (reactive[next] - reactive[last]);
                let drop =
                    (0.003 + extra_ohm[phase]) * active[phase] + 0.001 * reactive[phase] + 0.003 * neutral;
                (119.7 - drop) * (1.0 + (thd[phase] / 100.0).powi(2)).sqrt()
            });
            let amperes: [f64; 3] = std::array::from_fn(|phase| active[phase].hypot(reactive[phase]));
            let watts: [f64; 3] = std::array::from_fn(|phase| active[phase] * volts[phase]);
            let values = [[120.0; 3], volts, amperes, watts, [0.0; 3], thd].concat();
            let inputs: Vec<Sample> = values.into_iter().map(Sample::new).collect();
            way.step(&plan, true, &mut Turn { end, inputs: &inputs, row: &mut row });
            for (most, heat) in most.iter_mut().zip(row) {
                *most = most.max(heat.get().unwrap_or(0.0));
            }
        }
        most
    }

    /// Lights of one pattern on all phases, a third more on A: the neutral moves along with each phase, so that no load tells its
    /// resistance from theirs.
    #[test]
    fn a_neutral_that_moves_along_with_its_phases_makes_no_joint() {
        let lights =
            |on: f64| ([26.0 + 150.0 * on, 20.0 + 110.0 * on, 20.0 + 110.0 * on], [0.0; 3], [0.0; 3]);
        assert!(most_heat([0.0; 3], lights).iter().all(|heat| *heat < 5.0));
        let bad = most_heat([0.0, 0.0025, 0.0], lights);
        // 2.5 mohm at 125 A: 39 W (Joule's law).
        assert!((25.0..45.0).contains(&bad[1]) && bad[0] < 5.0 && bad[2] < 5.0, "{bad:?}");
    }

    /// Capacitors lead 60 A on all phases all day: of the amperes only the active ones make a drop on a resistance.
    #[test]
    fn capacitors_make_no_joint() {
        let led = |on: f64| ([20.0 + 160.0 * on, 10.0 + 80.0 * on, 10.0 + 80.0 * on], [-60.0; 3], [0.0; 3]);
        let heat = most_heat([0.0; 3], led);
        assert!(heat.iter().all(|heat| *heat < 5.0), "{heat:?}");
    }

    /// Orders at the end of the way add to the volts as they are measured, by their square, on the phase that has them.
    #[test]
    fn distortion_at_one_end_makes_no_joint() {
        let bent = |on: f64| ([20.0 + 120.0 * on; 3], [0.0; 3], [6.0 * on, 0.0, 0.0]);
        let heat = most_heat([0.0; 3], bent);
        assert!(heat.iter().all(|heat| *heat < 5.0), "{heat:?}");
    }

    #[test]
    fn a_feeder_that_hangs_elsewhere_is_not_judged_by_this_transformers_volts() {
        let mut way = Way::default();
        let bad = [0.003, 0.0055, 0.003];
        assert_eq!(days(&mut way, (0, 2), bad, false), [Sample::ABSENT; 4]);
        assert_eq!(
            days(&mut way, (2, 3), [0.003; 3], true)[1],
            Sample::new(0.0),
            "nothing of it was remembered"
        );
    }
}
