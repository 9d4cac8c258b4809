//! Reader of `[[limit]]`: a ladder of levels that can rise and can clear again.

use crate::fault::Fault;
use crate::keys::{LEVEL, RECURS, WHEN};
use crate::maps::number_of as number_of_quantity;
use crate::names::{Names, find};
use crate::section::{Optional, Section, Value};
use crate::values::{
    LONGEST, choice, measurand, number, place_of, priority, span, temperature, whole, yes_or_no,
};
use kvarden_core::alarm::recurrence::MOST_TIMES;
use kvarden_core::defaults::{Rating, default_limits};
use kvarden_core::measurand::{Kind, Measurand, Quantity, Unit};
use kvarden_core::phases::Place;
use kvarden_core::plant::{AppliesTo, Bound, Condition, Cooling, Level, Limit, Priority, Recurs, WiringForm};
use kvarden_core::time::Span;
use std::ops::Range;
use toml::de::DeValue;

/// The most levels of one limit: there are four priorities, and two windows for each are plenty.
const MOST_LEVELS: usize = 8;
/// The most conditions of one limit: there is one measurand of each load that they ask for, phases, neutral and the whole.
const MOST_CONDITIONS: usize = 4;
/// The shortest window: a pane of one second is the smallest that is kept.
const SHORTEST_WINDOW: Span = Span::seconds(1);
/// The shortest window of a rate of change: shorter, the last digits of a sensor make slopes of their own (common
/// practice, no source).
const SHORTEST_RATE: Span = Span::minutes(1);
/// A recurrence rule where the owner names only a part of it.
const RECURS_DEFAULT: Recurs =
    Recurs { times: 3, within: Span::hours(6), shortest: Span::seconds(2), priority: Priority::Low };

/// What the limits need to know of the rest.
pub(crate) struct Context<'n> {
    pub(crate) transformers: &'n Names,
    pub(crate) feeders: &'n Names,
    pub(crate) meters: &'n Names,
    pub(crate) file: &'n str,
    /// What has a limit so far.
    pub(crate) seen: Vec<Judged>,
}

/// What one limit judges.
type Judged = (Measurand, AppliesTo, Option<Place>, Option<u8>, Bound, bool);

/// A limit.
pub(crate) fn limit(s: &mut Section<'_>, context: &mut Context<'_>) -> Option<Limit> {
    let on = s.required("on", "\"voltage_unbalance_percent\"", measurand);
    let of = s.or("of", AppliesTo::Everywhere, |value| applies_to(value, context));
    let place = s.optional("place", place_of(on));
    let numbered = number_of_quantity(s, on);
    let bound = s.or("side", Bound::High, choice(&[("high", Bound::High), ("low", Bound::Low)]));
    let rate_over = rate_over(s, on);
    let over = s.optional("over", span(SHORTEST_WINDOW..=LONGEST));
    let rate = s.has("rate_over");
    let over = if rate { rate_over } else { over };
    let on_delay = s.optional("on_delay", span(Span::ZERO..=LONGEST));
    let judged = is_judged(s);
    let mut setpoints = Vec::new();
    let levels = levels(s, (on, rate), (over.flatten(), on_delay.flatten()), &mut setpoints);
    let deadband = or_if(s, judged, "deadband", "0.3", deadband_range(on));
    let off_delay = or_if(s, judged, "off_delay", "\"2m\"", span(Span::ZERO..=LONGEST));
    let when = conditions(s);
    let recurs = if rate { Some(None) } else { recurs(s, on, bound) };
    let latch = s.or("latch", false, yes_or_no);
    if let (Some(on), Some(bound)) = (on, bound) {
        check_ladder(s, bound, levels.as_deref().unwrap_or_default());
        if !rate {
            check_deadband(s, on, bound, &setpoints, deadband);
        }
    }
    let (Some(on), Some(of), Some(place), Some(bound)) = (on, of, place, bound) else { return None };
    let number = numbered?;
    check_new(s, context, (on, of, place, number, bound, rate));
    over?;
    on_delay?;
    let levels: Vec<Level> = levels?.into_iter().map(|(level, _)| level).collect();
    Some(Limit {
        on,
        of,
        place,
        number,
        bound,
        recurs: recurs?.filter(|_| !levels.is_empty()),
        levels,
        rate,
        deadband: deadband?,
        off_delay: off_delay?,
        when: when?,
        latch: latch?,
        origin: format!("{} line {}", context.file, s.line()),
    })
}

/// The window over which a rate of change is judged. It stands in place of `over`, on what has a slope, and what comes
/// and goes is no slope.
fn rate_over(s: &mut Section<'_>, on: Option<Measurand>) -> Optional<Span> {
    let window = s.optional("rate_over", |value| match on {
        Some(on) if on.kind() != Kind::Level => {
            let message = format!("`rate_over` has no meaning for {}", on.key());
            Err(Fault::new(message, "this value", "leave `rate_over` out: it has no steady slope"))
        }
        _ => span(SHORTEST_RATE..=LONGEST)(value),
    });
    for key in ["over", "recurs"] {
        if s.has("rate_over") && s.has(key) {
            let message = format!("`{key}` has no meaning beside `rate_over`");
            s.fault(key, Fault::new(message, "one too many", format!("leave `{key}` out")));
        }
    }
    window
}

/// Whether it has levels. Without any the measurand is not judged, and deadband and delays may be left out.
fn is_judged(s: &Section<'_>) -> bool {
    !matches!(s.node("levels"), Some(DeValue::Array(levels)) if levels.is_empty())
}

fn or_if<T: Default>(
    s: &mut Section<'_>,
    needed: bool,
    key: &str,
    example: &str,
    read: impl FnOnce(&Value<'_>) -> Result<T, Fault>,
) -> Option<T> {
    if needed { s.required(key, example, read) } else { s.or(key, T::default(), read) }
}

fn applies_to(value: &Value<'_>, context: &Context<'_>) -> Result<AppliesTo, Fault> {
    let (kind, index) = find(&[context.transformers, context.feeders, context.meters], value)?;
    Ok(match kind {
        0 => AppliesTo::Transformer(index),
        1 => AppliesTo::Feeder(index),
        _ => AppliesTo::Meter(index),
    })
}

type Placed = (Level, Range<usize>);

fn levels(
    s: &mut Section<'_>,
    (on, rate): (Option<Measurand>, bool),
    (over, on_delay): (Option<Span>, Option<Span>),
    setpoints: &mut Vec<f64>,
) -> Option<Vec<Placed>> {
    if !s.has("levels") {
        let help = "add them, for example: levels = [{ setpoint = 3.0, priority = \"high\" }]; levels = [] means not judged";
        s.missing("a limit needs `levels`".to_owned(), help.to_owned());
        return None;
    }
    let has_delay = s.has("on_delay");
    let levels = s.tables("levels", &LEVEL, |s| {
        let setpoint = if rate {
            s.required("setpoint", "20", rate_of(on))
        } else {
            s.required("setpoint", "3.0", number_of(on))
        };
        setpoints.extend(setpoint);
        let priority = s.required("priority", "\"high\"", priority);
        let own_delay = s.optional("on_delay", span(Span::ZERO..=LONGEST));
        let over = s.or("over", over, |value| span(SHORTEST_WINDOW..=LONGEST)(value).map(Some));
        if rate && s.has("over") {
            let message = "`over` has no meaning beside `rate_over`".to_owned();
            s.fault("over", Fault::new(message, "one too many", "leave `over` out"));
        }
        if !has_delay && !s.has("on_delay") {
            let help = "add on_delay = \"60s\" to the limit, for all its levels, or to this level";
            s.missing("this level has no `on_delay`, and its limit has none".to_owned(), help.to_owned());
        }
        let level = Level {
            setpoint: setpoint?,
            priority: priority?,
            on_delay: own_delay?.or(on_delay)?,
            over: over?,
        };
        Some((level, s.place("setpoint")))
    });
    if levels.len() > MOST_LEVELS {
        let message = format!("{} levels are too many for one limit", levels.len());
        s.fault("levels", Fault::new(message, "these levels", format!("use at most {MOST_LEVELS}")));
    }
    levels.into_iter().collect()
}

/// A value that the measurand can have.
fn number_of(on: Option<Measurand>) -> impl Fn(&Value<'_>) -> Result<f64, Fault> {
    move |value| {
        let Some(facts) = on.map(Measurand::facts) else { return number(-1e9..=1e9, "")(value) };
        let (low, high) = facts.range;
        match facts.unit {
            Unit::Celsius | Unit::Kelvin => temperature(low..=high, facts.unit)(value),
            unit => number(low..=high, unit.symbol())(value),
        }
    }
}

/// How fast a value may rise, in its unit an hour; below 0 it falls.
fn rate_of(on: Option<Measurand>) -> impl Fn(&Value<'_>) -> Result<f64, Fault> {
    move |value| match on.map(|on| on.facts().unit) {
        Some(Unit::Celsius | Unit::Kelvin) => temperature(-1e9..=1e9, Unit::Kelvin)(value),
        unit => number(-1e9..=1e9, unit.map_or("", Unit::per_hour))(value),
    }
}

fn deadband_range(on: Option<Measurand>) -> impl Fn(&Value<'_>) -> Result<f64, Fault> {
    move |value| {
        let unit = on.map_or("", |on| on.facts().unit.symbol());
        let written = value.written.clone();
        let deadband = match on.map(|on| on.facts().unit) {
            // The way back is a difference, also of temperatures.
            Some(Unit::Celsius | Unit::Kelvin) => temperature(0.0..=1e9, Unit::Kelvin)(value)?,
            _ => number(0.0..=1e9, unit)(value)?,
        };
        if deadband > 0.0 {
            return Ok(deadband);
        }
        let help =
            "give a value above 0 and below the setpoint: without it an alarm comes and goes with each value";
        Err(Fault::new(format!("`deadband` is {written}, not above 0"), "this value", help))
    }
}

fn check_ladder(s: &mut Section<'_>, bound: Bound, levels: &[Placed]) {
    for pair in levels.windows(2) {
        let [(milder, _), (level, at)] = pair else { continue };
        let way = if bound == Bound::High { "above" } else { "below" };
        if !bound.is_past(level.setpoint, milder.setpoint) && level.over == milder.over {
            let message = format!(
                "`setpoint` is {}, not {way} {} of the level before",
                level.setpoint, milder.setpoint
            );
            let help = "write the mildest level first; each further one lies beyond it";
            s.fault_at(at.clone(), Fault::new(message, "not beyond", help));
        }
        if level.priority < milder.priority {
            let (high, low) = (level.priority.key(), milder.priority.key());
            let message =
                format!("the level at {} is {high}, less than the {low} of the level before", level.setpoint);
            let help = "a level further out suppresses the milder one, so give it at least the same priority";
            s.fault_at(at.clone(), Fault::new(message, "less urgent", help));
        }
    }
}

fn check_deadband(
    s: &mut Section<'_>,
    on: Measurand,
    bound: Bound,
    setpoints: &[f64],
    deadband: Option<f64>,
) {
    let Some(deadband) = deadband.filter(|_| s.has("deadband")) else { return };
    let (low, high) = on.facts().range;
    let unit = match on.facts().unit.symbol() {
        "" => String::new(),
        symbol => format!(" {symbol}"),
    };
    let stuck = setpoints.iter().find(|setpoint| match bound {
        Bound::High => *setpoint - deadband <= low || (**setpoint > 0.0 && deadband >= **setpoint),
        Bound::Low => *setpoint + deadband >= high,
    });
    let Some(setpoint) = stuck else { return };
    let fault = if bound == Bound::High && *setpoint > 0.0 {
        let message = format!(
            "deadband {deadband}{unit} is not smaller than setpoint {setpoint}{unit}, so the alarm could never clear"
        );
        Fault::new(message, "this deadband", format!("give `deadband` a value above 0 and below {setpoint}"))
    } else {
        let message = format!(
            "deadband {deadband}{unit} reaches past what {} can be, so the alarm could never clear",
            on.key()
        );
        Fault::new(
            message,
            "this deadband",
            format!("{} lies between {low} and {high}{unit}: give less", on.key()),
        )
    };
    s.fault("deadband", fault);
}

fn check_new(s: &mut Section<'_>, context: &mut Context<'_>, key: Judged) {
    if crate::names::is_new(&mut context.seen, key) {
        return;
    }
    let message =
        format!("there are two {} limits on {} for the same thing and place", key.4.key(), key.0.key());
    let help =
        "put all levels into one limit, or tell them apart by `of`, `place`, `order`, `number` or `side`";
    s.fault("on", Fault::new(message, "limited before", help));
}

/// One condition, or a list of which any suffices.
fn conditions(s: &mut Section<'_>) -> Option<Vec<Condition>> {
    if !matches!(s.node("when"), Some(DeValue::Array(_))) {
        return Some(s.table("when", &WHEN, condition)?.into_iter().collect());
    }
    let conditions = s.tables("when", &WHEN, condition);
    if conditions.is_empty() || conditions.len() > MOST_CONDITIONS {
        let message = format!("`when` names {} conditions", conditions.len());
        let help = format!("name from 1 to {MOST_CONDITIONS}, or leave `when` out: then it is always judged");
        s.fault("when", Fault::new(message, "this list", help));
        return None;
    }
    conditions.into_iter().collect()
}

fn condition(s: &mut Section<'_>) -> Option<Condition> {
    let on = s.required("on", "\"loading_phase_percent\"", |value| {
        let (key, written) = (value.key, value.written.clone());
        let on = measurand(value)?;
        if Quantity::whole(on).is_allowed() {
            return Ok(on);
        }
        let whole: Vec<&str> = Measurand::ALL
            .iter()
            .filter(|one| Quantity::whole(**one).is_allowed())
            .map(|one| one.key())
            .collect();
        let message = format!("`{key}` is {written}, which has one value for each phase");
        Err(Fault::new(message, "this value", format!("allowed: {}", whole.join(", "))))
    });
    let above = s.required("above", "20", number_of(on));
    Some(Condition { on: on?, above: above? })
}

/// Left out it is as in the measurand's default limit; `false` is none.
fn recurs(s: &mut Section<'_>, on: Option<Measurand>, bound: Option<Bound>) -> Optional<Recurs> {
    if !s.has("recurs") {
        return Some(usual_recurrence(on?, bound?));
    }
    match s.node("recurs") {
        Some(DeValue::Boolean(false)) => Some(None),
        Some(DeValue::Table(_)) => s.table("recurs", &RECURS, recurs_table),
        _ => {
            let message = "`recurs` is neither a table nor false".to_owned();
            let help =
                "write { times = 3, within = \"6h\", shortest = \"2s\" }, or false for no recurrence alarm";
            s.fault("recurs", Fault::new(message, "this value", help));
            None
        }
    }
}

fn recurs_table(s: &mut Section<'_>) -> Option<Recurs> {
    let times = s.or("times", i64::from(RECURS_DEFAULT.times), whole(1..=i64::from(MOST_TIMES)));
    let within = s.or("within", RECURS_DEFAULT.within, span(Span::minutes(1)..=LONGEST));
    let longest = within.unwrap_or(LONGEST);
    let shortest = s.or("shortest", RECURS_DEFAULT.shortest.min(longest), span(Span::ZERO..=longest));
    let priority = s.or("priority", RECURS_DEFAULT.priority, priority);
    Some(Recurs { times: times? as u32, within: within?, shortest: shortest?, priority: priority? })
}

/// The recurrence rule of the default limit on a measurand.
fn usual_recurrence(on: Measurand, bound: Bound) -> Option<Recurs> {
    // Any full nameplate will do: the rule does not depend on its numbers.
    let rating = Rating {
        rated_a: Some(1.0),
        neutral_a: Some(1.0),
        kva: Some(1.0),
        nominal_ll_v: Some(1.0),
        wiring: Some((WiringForm::Wye, 1.0)),
        rated_rise_k: Some(80.0),
        insulation_class_c: Some(220),
        cooling: Some(Cooling::Dry),
        ..Rating::default()
    };
    let limits = default_limits(on.quantities().last()?, &rating);
    limits.into_iter().find(|limit| limit.bound == bound).and_then(|limit| limit.recurs)
}
