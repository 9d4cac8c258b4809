//! What `kvarden check` prints: the plan and each limit in force, with where it comes from.

mod nameplate;
mod tree;

use crate::acquire::{MOST_APART, ReadPlan};
use crate::words::gap;
use crate::words::quantity as named;
use crate::words::speech::Speech;
use crate::words::time::duration;
use crate::words::unit::Scale;
use kvarden_config::{Configuration, ModbusSpec, OneModel, SourceSpec, TemperatureUnit};
use kvarden_core::context::{AFTER_TRANSFER, ENERGISING, Gate, OnOwnSource, WIDER};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::plan::{LimitPlan, MeterPlan, NotJudged, Plan, ScopePlan};
use kvarden_core::plant::Bound;
use std::fmt::Write;

/// The whole page.
pub fn page(configuration: &Configuration, plan: &Plan) -> String {
    let mut text = String::new();
    let plant = &configuration.plant;
    let _ = writeln!(text, "{} ({})", plan.site, configuration.timezone);
    tree::write(plant, &mut text);
    tree::parallel(plan, &mut text);
    for scope in plan.scopes.iter().filter(|scope| scope.transformer.is_some()) {
        let _ = writeln!(text, "\n{}", scope.name);
        if let Some(unit) = plant.transformers.iter().find(|unit| unit.name == scope.name) {
            nameplate::write(unit, &mut text);
        }
        let heat = scope.grid.as_ref().and_then(|grid| grid.study.heat.as_ref());
        if let Some(bounds) = heat.and_then(crate::words::calibration_bounds) {
            let _ = writeln!(text, "  {bounds}");
        }
        for meter in &scope.meters {
            meter_lines(configuration, scope, meter, &mut text);
        }
    }
    if !plan.not_judged.is_empty() {
        let _ = writeln!(text, "\nNot judged, and why");
        for line in not_judged_lines(plan, Speech::ENGLISH) {
            let _ = writeln!(text, "  {line}");
        }
    }
    let _ = writeln!(text, "\nTold by: {}", plant.channels.join(", "));
    let _ = writeln!(text, "Kept in: {}", configuration.store.folder.display());
    let (hour, minute) = configuration.digest.at;
    let _ = writeln!(text, "Digest:  each day at {hour:02}:{minute:02} local time");
    text
}

fn meter_lines(configuration: &Configuration, scope: &ScopePlan, meter: &MeterPlan, text: &mut String) {
    let source = match configuration.sources.get(meter.id.0 as usize) {
        Some(SourceSpec::Modbus(spec)) => {
            let model = spec.sunspec.map_or_else(String::new, |OneModel { id, nth }| {
                format!(", SunSpec model {id}, number {nth} of its kind in the device")
            });
            format!("Modbus TCP {} unit {}{model}", spec.address, spec.unit)
        }
        Some(SourceSpec::Mqtt(spec)) => format!("MQTT {}", spec.topic),
        Some(SourceSpec::Logged) => "logged files only".to_owned(),
        None => "computed across meters".to_owned(),
    };
    let _ = writeln!(text, "\n  {} ({source}, every {})", meter.name, duration(meter.every));
    let gives: Vec<String> = meter.series[..meter.points].iter().map(ToString::to_string).collect();
    let computed: Vec<String> = meter.series[meter.points..].iter().map(ToString::to_string).collect();
    list("gives", &gives, text);
    list("computed", &computed, text);
    if let Some(SourceSpec::Modbus(spec)) = configuration.sources.get(meter.id.0 as usize) {
        requests(spec, meter, text);
    }
    for (measurand, places, lines) in grouped(scope, meter, configuration.shows) {
        let at = if places.is_empty() {
            String::new()
        } else {
            format!(" ({})", gap::places(&places, Speech::ENGLISH))
        };
        let _ = writeln!(text, "    {}{at}{}", measurand.key(), lines[0]);
        for line in &lines[1..] {
            let _ = writeln!(text, "      {line}");
        }
    }
}

/// How a meter is polled, and which values that belong together do not come together.
fn requests(spec: &ModbusSpec, meter: &MeterPlan, text: &mut String) {
    let plan = ReadPlan::new(spec, &meter.combined_points());
    let count = plan.requests().len();
    let requests = if count == 1 { "one request".to_owned() } else { format!("{count} requests") };
    let _ = writeln!(
        text,
        "    a poll is {requests}; what lasts shorter than {} may go unseen, or longer where its registers change \
         more slowly",
        duration(meter.every)
    );
    for group in plan.parted() {
        let names: Vec<String> = group.iter().map(|point| meter.series[*point].to_string()).collect();
        list("combined, but not read with one request", &names, text);
        let _ = writeln!(
            text,
            "      they count together only if they come within {} ms; a map with read_gaps_up_to may join them",
            MOST_APART.as_millis()
        );
    }
}

/// The limits of a meter, those that differ in the place only told once.
fn grouped(
    scope: &ScopePlan,
    meter: &MeterPlan,
    shows: TemperatureUnit,
) -> Vec<(Measurand, Vec<String>, Vec<String>)> {
    let mut groups: Vec<(Measurand, Vec<String>, Vec<String>)> = Vec::new();
    for limit in &meter.limits {
        let quantity = meter.series[limit.series];
        let mut lines = lines_of(scope, meter, limit, shows);
        lines.extend(gate_words(limit.gate));
        match groups.iter_mut().find(|(what, _, known)| *what == quantity.what && *known == lines) {
            Some((_, places, _)) => places.extend(place(quantity)),
            None => groups.push((quantity.what, place(quantity).into_iter().collect(), lines)),
        }
    }
    groups
}

/// Which place and which one: `B`, `B.5` or `2`; none where there is only one.
fn place(quantity: Quantity) -> Option<String> {
    quantity.to_string().split_once('.').map(|(_, place)| place.to_owned())
}

fn list(head: &str, items: &[String], text: &mut String) {
    if items.is_empty() {
        return;
    }
    let mut line = format!("    {head}:");
    for item in items {
        if line.len() + item.len() > 100 {
            let _ = writeln!(text, "{line}");
            "     ".clone_into(&mut line);
        }
        line.push(' ');
        line.push_str(item);
    }
    let _ = writeln!(text, "{line}");
}

/// What can't be judged and why: each reason once for the places of one measurand at one meter.
pub fn not_judged_lines(plan: &Plan, speech: Speech) -> Vec<String> {
    let mut groups: Vec<(&NotJudged, Vec<Quantity>)> = Vec::new();
    for one in &plan.not_judged {
        let same = |known: &NotJudged| {
            known.meter == one.meter && known.reason == one.reason && known.quantity.what == one.quantity.what
        };
        match groups.iter_mut().find(|(known, _)| same(known)) {
            Some((_, places)) => places.push(one.quantity),
            None => groups.push((one, vec![one.quantity])),
        }
    }
    let line = |(one, quantities): (&NotJudged, Vec<Quantity>)| {
        let what = if let [only] = quantities[..] {
            named(only, speech)
        } else {
            let places: Vec<String> = quantities.iter().filter_map(|quantity| place(*quantity)).collect();
            let what = named(Quantity::whole(one.quantity.what), speech);
            format!("{what} ({})", gap::places(&places, speech))
        };
        format!("{}, {what}: {}", gap::whose(one, plan, speech), gap::reason(&one.reason, speech))
    };
    groups.into_iter().map(line).collect()
}

/// Each limit in force in one line, for the JSON form of the digest: for programs, so in English always.
pub fn limit_lines(plan: &Plan, shows: TemperatureUnit) -> Vec<String> {
    let meters = plan.scopes.iter().flat_map(|scope| scope.meters.iter().map(move |meter| (scope, meter)));
    meters
        .flat_map(|(scope, meter)| {
            meter.limits.iter().map(move |limit| {
                format!(
                    "{}: {}{}",
                    meter.name,
                    meter.series[limit.series],
                    lines_of(scope, meter, limit, shows).join("; ")
                )
            })
        })
        .collect()
}

/// A limit without its quantity: where it comes from, each level, the way back, and the rule for what comes and goes.
fn lines_of(scope: &ScopePlan, meter: &MeterPlan, limit: &LimitPlan, shows: TemperatureUnit) -> Vec<String> {
    let scale_of = |quantity: Quantity| Scale { what: quantity.what, shows };
    let scale = scale_of(meter.series[limit.series]);
    let decimals = usize::from(scale.what.facts().decimals);
    let (unit, apart) =
        if limit.rate { (scale.per_hour(), scale.per_hour()) } else { (scale.symbol(), scale.difference()) };
    let read = |setpoint| if limit.rate { scale.read_difference(setpoint) } else { scale.read(setpoint) };
    let (way, word) = match limit.bound {
        Bound::High => ("too high", "above"),
        Bound::Low => ("too low", "below"),
    };
    let mut lines = vec![format!(", {way} [{}]", limit.origin)];
    for level in &limit.levels {
        let priority = scope.alarms[level.alarm].priority.key();
        let setpoint = format!("{:.decimals$} {unit}", read(level.setpoint));
        let of = match level.window {
            Some(window) if limit.rate => format!("rate over {} ", duration(meter.windows[window].1)),
            Some(window) => format!("mean of {} ", duration(meter.windows[window].1)),
            None => String::new(),
        };
        lines.push(format!("{priority:<8}{of}{word} {setpoint} for {}", duration(level.on_delay)));
    }
    let mut back = format!(
        "clears  back by more than {} {apart} for {}",
        rounded(scale.read_difference(limit.deadband)),
        duration(limit.off_delay)
    );
    if limit.levels.iter().any(|level| scope.alarms[level.alarm].latch) {
        back.push_str("; latches until a person releases it");
    }
    let condition = |(series, above): &(usize, f64)| {
        let on = meter.series[*series];
        format!("{on} is above {} {}", rounded(scale_of(on).read(*above)), scale_of(on).symbol())
    };
    let conditions: Vec<String> = limit.when.iter().map(condition).collect();
    if !conditions.is_empty() {
        let _ = write!(back, "; judged only while {}", conditions.join(" or "));
    }
    lines.push(back);
    if let Some(recurs) = &limit.recurs {
        lines.push(format!(
            "{:<8}when it comes and goes: {} times of at least {} within {}",
            scope.alarms[recurs.alarm].priority.key(),
            recurs.times,
            duration(recurs.shortest),
            duration(recurs.within)
        ));
    }
    lines
}

/// In what context a limit is not judged, or stands higher.
fn gate_words(gate: Gate) -> Option<String> {
    let mut not = Vec::new();
    if gate.energising {
        not.push(format!("for {} after volts return", duration(ENERGISING)));
    }
    if gate.transfer {
        not.push(format!("for {} after a transfer", duration(AFTER_TRANSFER)));
    }
    if gate.own_source == OnOwnSource::NotJudged {
        not.push("on a generator or an island".to_owned());
    }
    let mut words = match not.as_slice() {
        [] => Vec::new(),
        not => vec![format!("not judged {}", not.join(", "))],
    };
    if gate.own_source == OnOwnSource::Wider {
        words.push(format!("steps {} times as high on a generator or an island", rounded(WIDER)));
    }
    (!words.is_empty()).then(|| format!("context {}", words.join("; ")))
}

/// At most three decimals, without zeros at the end.
fn rounded(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
