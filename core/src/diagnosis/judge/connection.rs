//! A connection with too much resistance, all the time: what a termination shows over its peers, each by its own current
//! squared, and the heat of a way between two meters in excess of what was learned, on one phase only. Load, weather and
//! cooling are the same for all of them and cancel.
//!
//! At little load neither has a value: what was found then stands until a load of 40 % shows that it is gone.

use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::finding::Lack;
use crate::diagnosis::look::{CircuitNow, Look, mean, of_quantity, of_sign};
use crate::diagnosis::moments::Moments;
use crate::diagnosis::plan::{CircuitPlan, TerminationSet};
use crate::diagnosis::sign::{Figure, Sign};
use crate::electrical::contact::EXPONENTS;
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The places of terminations.
const PARTS: [Place; 4] = [Place::A, Place::B, Place::C, Place::N];
/// Over like parts, at rated current, in K: 15 K of ANSI/NETA Table 100.18, 40 K common practice. Its 4 K are an alarm of
/// their own; sound lugs differ by as much, so that it is a finding from 8 K on (common practice, no source).
const EXCESS: [(f64, Priority); 3] = [(8.0, Priority::Low), (15.0, Priority::High), (40.0, Priority::Urgent)];
/// Heat of one connection in W (common practice, no source).
const HEAT: [(f64, Priority); 3] = [(10.0, Priority::Low), (25.0, Priority::High), (60.0, Priority::Urgent)];
/// Of the mildest step: below it is gone.
const BACK: f64 = 0.75;
/// So much must a sensor show over its peers as it is, in K: two sensors differ by one, and the correction to rated
/// current makes more of that (common practice, no source).
const LEAST_SHOWN_K: f64 = 2.5;
/// Two sensors differ by so much, and who divides that by the square of the load makes much of it: of what is shown only the rest is held
/// against [`EXCESS`] (sensors of class B with their mounting: common practice, no source).
const SENSORS_K: f64 = 1.2;
/// It must show for so long. A lug follows its load within an hour.
const AFTER: Span = Span::minutes(30);
/// The heat of a way is what a day's points say: with the points of a night alone phases whose loads are of other kinds may look unlike, so
/// that it must stand for so long (common practice, no source).
const HEAT_AFTER: Span = Span::hours(4);
/// After its load has fallen a connection is warmer than its current for a while, and whoever divides by the square makes much
/// of that: no verdict while the square is below this share of the most of late, which is forgotten with this time constant.
const FALLEN: f64 = 0.6;
const FALLS_FOR: Span = Span::minutes(90);
/// Copper conducts: what is hot on one bar warms what hangs on it. A connection that shows less than this share of what another
/// of the same phase stands over its own peers, for whatever reason, is explained by that (common practice, no source).
const CONDUCTED: f64 = 0.3;
/// Days of which the mean is kept, to tell whether it grows.
const DAYS: usize = 8;
/// The neutral is a like part only while it carries this share of what the phases do.
const LIKE_LOAD: f64 = 0.6;
/// More than this times what it was on the first of those days: it grows (common practice, no source).
const GROWS: f64 = 1.3;

/// What is remembered of each circuit and part.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Connection {
    circuits: Vec<[Part; PARTS.len()]>,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Part {
    shows: Standing,
    heats: Standing,
    days: Days,
    /// The most that the square of its load was of late, and when that was looked at.
    most: Option<(EventTime, f64)>,
    /// Its load has fallen of late.
    has_fallen: bool,
}

/// Means of the days, each by its number since the epoch.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Days {
    of: [Option<(i64, f64, u32)>; DAYS],
}

impl Days {
    fn take(&mut self, end: EventTime, value: f64) {
        let day = end.0.div_euclid(Span::hours(24).0);
        match &mut self.of[DAYS - 1] {
            Some((known, sum, count)) if *known == day => {
                *sum += value;
                *count += 1;
            }
            Some(_) => {
                self.of.rotate_left(1);
                self.of[DAYS - 1] = Some((day, value, 1));
            }
            empty => *empty = Some((day, value, 1)),
        }
    }

    /// The mean of the first day that is kept, if that is not the latest.
    fn first(&self) -> Option<f64> {
        let (_, sum, count) = self.of[..DAYS - 1].iter().flatten().next()?;
        Some(sum / f64::from(*count))
    }
}

impl Connection {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![<[Part; PARTS.len()]>::default(); circuits] }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        for part in self.circuits.iter_mut().flatten() {
            part.shows.shift(by);
            part.heats.shift(by);
            part.most = part.most.map(|(at, square)| (at + by, square));
        }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, moments: &Moments, docket: &mut Docket) {
        let mut hottest: [Option<(usize, f64)>; PARTS.len()] = [None; PARTS.len()];
        for ((index, plan, now), parts) in look.all().zip(&mut self.circuits) {
            for (part, state) in parts.iter_mut().enumerate() {
                let square = load_squared(plan, now, part);
                state.has_fallen = square.is_some_and(|square| state.falls(look.end, square));
                let on_the_bar = index == look.plan.load || plan.direct && plan.feeder.is_some();
                let most = hottest[part].map_or(f64::NEG_INFINITY, |(_, known)| known);
                let over = over_others(look, plan, part).filter(|over| on_the_bar && *over > most);
                if let Some(over) = over {
                    hottest[part] = Some((index, over));
                }
            }
        }
        for ((index, plan, now), parts) in look.all().zip(&mut self.circuits) {
            for (part, state) in parts.iter_mut().enumerate() {
                if let Some(mut signs) = Signs::of(look, (index, plan, now), part, state.has_fallen) {
                    signs.heat = signs.heat.filter(|_| !mistaken(docket, look.plan.load, index));
                    signs.is_doubtful |= hottest[part].is_some_and(|(other, most)| {
                        let shown = signs.excess.map(|(_, shown)| shown);
                        other != index && shown.is_some_and(|shown| shown < CONDUCTED * most)
                    });
                    // A contact that lets go heats while it does, and is told as that.
                    if !moments.lets_go(index, PARTS[part], look.end) {
                        state.judge(look, &signs, docket);
                    }
                }
            }
        }
    }
}

/// What one connection shows now.
struct Signs {
    circuit: usize,
    /// What its sensor shows is explained by a worse one beside it, or by a load that has fallen.
    is_doubtful: bool,
    place: Place,
    /// Over its peers at rated current, in K, and what the sensor shows of it.
    excess: Option<(Mark, f64)>,
    /// The same at rated current if a rise goes rather with the power 1.6 of the current, as in still air: less at little load,
    /// where sound lugs that differ look worse by the square.
    least: f64,
    temperature: Option<Mark>,
    heat: Option<Mark>,
    has_sensors: bool,
}

impl Signs {
    fn of(
        look: &Look<'_>,
        (circuit, plan, now): (usize, &CircuitPlan, &CircuitNow),
        part: usize,
        is_doubtful: bool,
    ) -> Option<Self> {
        let place = PARTS[part];
        let of_set = |set: &TerminationSet| {
            let value = look.values.get(set.excess[part])?;
            let quantity = Quantity::numbered(Measurand::TerminationExcess, place, set.number);
            let mark = Mark { figure: Figure::Quantity(quantity), circuit, value, against: None };
            let square = load_squared(plan, now, part)?;
            if part == 3 && square < LIKE_LOAD * of_phases(plan, now)? {
                return None;
            }
            let shown = value * square;
            let sure = (shown - SENSORS_K).max(0.0) / square;
            let least = sure * square.min(1.0).powf(1.0 - EXPONENTS.0 / 2.0);
            let temperature = look.values.get(set.temperature[part]);
            let quantity = Quantity::numbered(Measurand::Termination, place, set.number);
            let temperature = temperature.map(|value| Mark {
                figure: Figure::Quantity(quantity),
                circuit,
                value,
                against: None,
            });
            Some((mark, (shown, least), temperature))
        };
        let worst = plan.terminations.iter().filter_map(of_set);
        let worst = worst.max_by(|(one, ..), (other, ..)| one.value.total_cmp(&other.value));
        let heat = now.contact_heat[part];
        if worst.is_none() && heat.is_none() {
            return None;
        }
        Some(Self {
            circuit,
            is_doubtful,
            place,
            excess: worst.map(|(mark, (shown, _), _)| (mark, shown)),
            least: worst.map_or(0.0, |(_, (_, least), _)| least),
            temperature: worst.and_then(|(.., temperature)| temperature),
            heat: heat.map(|watts| of_quantity(Measurand::ContactHeat, place, circuit, watts)),
            has_sensors: !plan.terminations.is_empty(),
        })
    }

    /// How bad it is by its sensor, if it is.
    fn by_excess(&self) -> Option<Priority> {
        let by_excess = self.excess.filter(|(_, shown)| *shown >= LEAST_SHOWN_K && !self.is_doubtful);
        by_excess.and_then(|_| reached(self.least, &EXCESS))
    }

    /// How bad it is by the heat of its way, if it is.
    fn by_heat(&self) -> Option<Priority> {
        self.heat.and_then(|mark| reached(mark.value, &HEAT))
    }

    /// Whether neither shows anything of it.
    fn is_gone(&self) -> bool {
        let quiet = |mark: Mark, steps: &[(f64, Priority)]| mark.value < BACK * steps[0].0;
        self.excess.is_none_or(|(mark, shown)| quiet(mark, &EXCESS) || shown < BACK * LEAST_SHOWN_K)
            && self.heat.is_none_or(|mark| quiet(mark, &HEAT))
    }
}

/// Whether a meter at an end of the way to a circuit is wired otherwise than drawn, or has lost a fuse: no difference of its volts is a drop.
fn mistaken(docket: &Docket, load: usize, circuit: usize) -> bool {
    let is = |cause| [load, circuit].into_iter().any(|at| docket.claims(cause, Some(at)));
    is(Cause::MeterWiring) || is(Cause::MeterFuse)
}

/// How much hotter a phase's connection is than the other two, as they are, in K: the most of a circuit's sensors.
fn over_others(look: &Look<'_>, plan: &CircuitPlan, part: usize) -> Option<f64> {
    let of_set = |set: &TerminationSet| {
        let celsius = |part: usize| look.values.get(set.temperature[part]);
        Some(celsius(part)? - f64::midpoint(celsius((part + 1) % 3)?, celsius((part + 2) % 3)?))
    };
    plan.terminations.iter().filter(|_| part < 3).filter_map(of_set).reduce(f64::max)
}

/// Square of the present load of a part as a share of its rated current.
fn load_squared(plan: &CircuitPlan, now: &CircuitNow, part: usize) -> Option<f64> {
    let (amperes, rated) = match part {
        3 => (now.neutral, plan.neutral_a.or(plan.rated_a)),
        phase => (now.amperes[phase], plan.rated_a),
    };
    Some((amperes? / rated.filter(|rated| *rated > 0.0)?).powi(2))
}

/// Mean of the squares of the phases' loads.
fn of_phases(plan: &CircuitPlan, now: &CircuitNow) -> Option<f64> {
    let squares = [0, 1, 2].map(|phase| load_squared(plan, now, phase));
    mean(squares)
}

fn reached(value: f64, steps: &[(f64, Priority)]) -> Option<Priority> {
    steps.iter().rev().find(|(setpoint, _)| value > *setpoint).map(|(_, priority)| *priority)
}

impl Part {
    /// Whether its load has fallen of late.
    fn falls(&mut self, end: EventTime, square: f64) -> bool {
        let left = |(at, most): (EventTime, f64)| {
            most * (-((end - at).as_seconds() / FALLS_FOR.as_seconds()).max(0.0)).exp()
        };
        let most = self.most.map_or(square, left).max(square);
        self.most = Some((end, most));
        square < FALLEN * most
    }

    fn judge(&mut self, look: &Look<'_>, signs: &Signs, docket: &mut Docket) {
        let Signs { circuit, place, .. } = *signs;
        if let Some((mark, _)) = signs.excess.filter(|_| !signs.is_doubtful) {
            self.days.take(look.end, mark.value);
        }
        let most = signs.excess.map(|(mark, _)| mark.against(EXCESS[0].0));
        let most = most.or(signs.heat.map(|mark| mark.against(HEAT[0].0)));
        let known = docket.known(Family::Connection, circuit);
        if let Some(mark) = most.filter(|mark| known.is_none_or(|known| known.value < mark.value)) {
            docket.figure(Family::Connection, mark);
        }
        let gone = signs.is_gone();
        let holds = |reached: Option<Priority>| reached.map(|_| true).or(gone.then_some(false));
        let (excess, heat) = (signs.by_excess(), signs.by_heat());
        let shows = self.shows.for_span(holds(excess), look.end, AFTER);
        let heats = self.heats.for_span(holds(heat), look.end, HEAT_AFTER);
        if let Some(priority) = excess.filter(|_| shows).max(heat.filter(|_| heats)) {
            docket.claim(self.claim(signs, priority));
        } else if gone && !signs.is_doubtful {
            docket.none(Cause::ConnectionSteady, circuit, Some(place));
        }
    }

    fn claim(&self, signs: &Signs, priority: Priority) -> Claim {
        let Signs { circuit, place, .. } = *signs;
        let by_excess = signs.excess.filter(|_| !signs.is_doubtful).map(|(mark, _)| mark);
        let by_excess = by_excess.filter(|mark| mark.value > EXCESS[0].0);
        let by_heat = signs.heat.filter(|mark| mark.value > HEAT[0].0);
        let both = by_excess.is_some() && by_heat.is_some();
        let first = by_excess.or(by_heat).or(signs.heat);
        let now = by_excess.map_or(0.0, |mark| mark.value);
        let grown = self.days.first().filter(|first| now > GROWS * first && *first > 0.0);
        let grown = grown.map(|first| of_sign(Sign::GrowthOfExcess, place, circuit, now / first));
        let mark = first.unwrap_or(of_quantity(Measurand::ContactHeat, place, circuit, 0.0));
        let claim = Claim::new(Cause::ConnectionSteady, circuit, Some(place), priority, mark)
            .weighs(match (both, by_excess) {
                (true, _) => 0.95,
                (false, Some(_)) => 0.9,
                // Resistances alone: other loads on the phases make them unlike too.
                (false, None) => 0.55,
            })
            .with(by_heat.filter(|_| both))
            .with(signs.temperature)
            .with(grown);
        if signs.has_sensors { claim } else { claim.lacking(Lack::Terminations) }
    }
}
