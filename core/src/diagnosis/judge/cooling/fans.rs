//! Fans that should run and do not: by the rating, which they are needed for, or by the temperature at which they were seen to
//! start.

use super::part::rated_rise_k;
use super::{priority, with_surroundings};
use crate::diagnosis::cause::Cause;
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::judge::standing::Standing;
use crate::diagnosis::look::{Look, largest, of_quantity};
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::Cooling as Kind;
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// What the fans leave in heat, as a share of the rated rise, from where on it is a fault; and below which share of that it is
/// not.
const SHORT: f64 = 0.12;
const BACK: f64 = 0.6;
/// Fans start by the temperature of a winding, which follows the load slowly: so long they may let wait.
const AFTER: Span = Span::minutes(30);
/// Below this share of the rated rise a start says nothing: fans are tried, too.
const STARTS_FROM: f64 = 0.5;
/// They were seen to start at a temperature, and stand still so many kelvin above it for so long: the sensor is the same, a
/// controller waits for some minutes at most.
const ABOVE_START_K: f64 = 3.0;
const ABOVE_FOR: Span = Span::minutes(15);

/// Whether fans should cool now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fans {
    /// There are none.
    None,
    /// They run, or should.
    On,
    /// They do not run and need not.
    Off,
}

impl Fans {
    pub(super) fn of(look: &Look<'_>) -> Self {
        if !matches!(look.plan.unit.cooling, Some(Kind::DryFan | Kind::LiquidFan)) {
            return Self::None;
        }
        let needed = look.unit.loading_phase.or(look.unit.loading_kva).is_some_and(|percent| percent > 100.0);
        if run(look) == Some(true) || needed { Self::On } else { Self::Off }
    }
}

/// Whether any of the fans says that it runs; `None` where nothing says it now.
fn run(look: &Look<'_>) -> Option<bool> {
    let mut known = look.plan.unit.fans.iter().filter_map(|fan| look.values.get(Some(*fan))).peekable();
    known.peek()?;
    Some(known.any(|on| on > 0.5))
}

/// So many times its rating a unit may carry now: with fans that run, or that are taken as running where nothing says it, what
/// they allow.
pub(in crate::diagnosis::judge) fn times_by_fans(look: &Look<'_>) -> f64 {
    let cooled = run(look).unwrap_or(Fans::of(look) == Fans::On);
    if cooled { look.plan.unit.fan_gain.max(1.0) } else { 1.0 }
}

/// What is remembered of the fans.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct StoppedFans {
    short: Standing,
    hot: Standing,
    ran: Option<bool>,
    /// The highest temperature and rise without them before they were first seen to start.
    without: Option<(f64, Option<f64>)>,
    /// The highest temperature at which they were seen to start, in °C, and the rise over the air then, in K.
    start: Option<(f64, Option<f64>)>,
}

impl StoppedFans {
    pub(super) fn shift(&mut self, by: Span) {
        self.short.shift(by);
        self.hot.shift(by);
    }

    /// Says whether they are seen to run, without more being due.
    pub(super) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) -> bool {
        let load = look.plan.load;
        let liquid = look.plan.unit.cooling.is_some_and(Kind::is_liquid);
        let rated_k = rated_rise_k(&look.plan.unit, liquid);
        let short = self.short_of(look, rated_k);
        let hot = self.above_start(look, liquid, rated_k);
        let claim = match (short, hot) {
            (Verdict::Fault(mark), _) => Some((mark, mark.value)),
            (_, Verdict::Fault(mark)) => Some((mark, look.unit.fan_shortfall.unwrap_or_default())),
            _ => None,
        };
        if let Some((mark, over_k)) = claim {
            let claim = Claim::new(Cause::CoolingFan, load, None, priority(look, over_k, rated_k), mark);
            docket.claim(with_surroundings(claim.weighs(0.9), look));
            return false;
        }
        matches!(short, Verdict::Not) && run(look) == Some(true)
    }

    /// By what they would take, of the load that is above the rating without them.
    fn short_of(&mut self, look: &Look<'_>, rated_k: f64) -> Verdict {
        let Some(short_k) = look.unit.fan_shortfall else { return Verdict::Unknown };
        let setpoint = SHORT * rated_k;
        let mark = of_quantity(Measurand::FanShortfall, Place::Whole, look.plan.load, short_k);
        let holds = match short_k {
            short if short > setpoint => Some(true),
            short if short < BACK * setpoint => Some(false),
            _ => None,
        };
        Verdict::of(self.short.for_span(holds, look.end, AFTER), holds, mark.against(setpoint))
    }

    /// By the temperature at which they started before.
    fn above_start(&mut self, look: &Look<'_>, liquid: bool, rated_k: f64) -> Verdict {
        let (what, hottest) = if liquid {
            (Measurand::TopOil, look.unit.top_oil.map(|oil| (Place::Whole, oil)))
        } else {
            let hottest = largest(look.unit.winding);
            (Measurand::Winding, hottest.map(|(phase, celsius)| (Place::PHASES[phase], celsius)))
        };
        let (Some((place, celsius)), Some(runs)) = (hottest, run(look)) else { return Verdict::Unknown };
        let rise = look.unit.ambient.map(|air| celsius - air);
        let starts = runs && self.ran.replace(runs) == Some(false);
        self.ran = Some(runs);
        if starts && rise.is_none_or(|rise| rise > STARTS_FROM * rated_k) {
            self.start = Some(higher(self.start.or(self.without), (celsius, rise)));
        } else if !runs && self.start.is_none() {
            self.without = Some(higher(self.without, (celsius, rise)));
        }
        let Some((start_c, start_rise)) = self.start else { return Verdict::Unknown };
        // Some controllers go by the temperature, some by the rise: above both.
        let over = |value: f64, start: f64| value > start + ABOVE_START_K;
        let is_above =
            over(celsius, start_c) && rise.zip(start_rise).is_none_or(|(rise, start)| over(rise, start));
        let holds = Some(is_above && !runs);
        let mark = of_quantity(what, place, look.plan.load, celsius).against(start_c);
        Verdict::of(self.hot.for_span(holds, look.end, ABOVE_FOR), holds, mark)
    }
}

/// The higher of two temperatures with their rises.
fn higher(known: Option<(f64, Option<f64>)>, (celsius, rise): (f64, Option<f64>)) -> (f64, Option<f64>) {
    let (known_c, known_rise) = known.unwrap_or((celsius, rise));
    (known_c.max(celsius), known_rise.into_iter().chain(rise).reduce(f64::max))
}

/// What one of the two signs says.
#[derive(Debug, Clone, Copy)]
enum Verdict {
    Fault(Mark),
    Not,
    Unknown,
}

impl Verdict {
    fn of(claims: bool, holds: Option<bool>, mark: Mark) -> Self {
        match holds {
            _ if claims => Self::Fault(mark),
            Some(false) => Self::Not,
            _ => Self::Unknown,
        }
    }
}
