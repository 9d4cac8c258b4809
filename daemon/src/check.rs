//! What `kvarden check` prints: the plan and each limit in force, with where it comes from.

use crate::words::subject::quantity_words;
use crate::words::time::duration;
use kvarden_config::{Configuration, SourceSpec};
use kvarden_core::plan::{LimitPlan, MeterPlan, Plan, ScopePlan};
use std::fmt::Write;

/// The whole page.
pub fn page(configuration: &Configuration, plan: &Plan) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "{} ({})", plan.site, configuration.timezone);
    for scope in plan.scopes.iter().filter(|scope| scope.transformer.is_some()) {
        let _ = writeln!(text, "\n{}", scope.name);
        if let Some(unit) = configuration.plant.transformers.iter().find(|unit| unit.name == scope.name) {
            let _ = writeln!(
                text,
                "  {} kVA, {} phase, {} V to {} V",
                unit.kva, unit.phases, unit.primary.volts, unit.secondary.volts
            );
        }
        for meter in &scope.meters {
            meter_lines(configuration, scope, meter, &mut text);
        }
    }
    if !plan.not_judged.is_empty() {
        let _ = writeln!(text, "\nNot judged, and why");
        for one in &plan.not_judged {
            let _ = writeln!(text, "  {}, {}: {}", one.meter, quantity_words(one.quantity), one.reason);
        }
    }
    let _ = writeln!(text, "\nTold by: {}", configuration.plant.channels.join(", "));
    let _ = writeln!(text, "Kept in: {}", configuration.store.folder.display());
    let (hour, minute) = configuration.digest.at;
    let _ = writeln!(text, "Digest:  each day at {hour:02}:{minute:02} local time");
    text
}

fn meter_lines(configuration: &Configuration, scope: &ScopePlan, meter: &MeterPlan, text: &mut String) {
    let source = match configuration.sources.get(meter.id.0 as usize) {
        Some(SourceSpec::Modbus(spec)) => format!("Modbus TCP {} unit {}", spec.address, spec.unit),
        Some(SourceSpec::Mqtt(spec)) => format!("MQTT {}", spec.topic),
        Some(SourceSpec::Logged) => "logged files only".to_owned(),
        None => "computed across meters".to_owned(),
    };
    let _ = writeln!(text, "\n  {} ({source}, every {})", meter.name, duration(meter.every));
    let gives: Vec<String> = meter.series[..meter.points].iter().map(ToString::to_string).collect();
    let computed: Vec<String> = meter.series[meter.points..].iter().map(ToString::to_string).collect();
    list("gives", &gives, text);
    list("computed", &computed, text);
    for limit in &meter.limits {
        for line in lines_of(scope, meter, limit) {
            let _ = writeln!(text, "    {line}");
        }
    }
}

fn list(head: &str, items: &[String], text: &mut String) {
    if items.is_empty() {
        return;
    }
    let mut line = format!("    {head}:");
    for item in items {
        if line.len() + item.len() > 100 {
            let _ = writeln!(text, "{line}");
            line = "     ".to_owned();
        }
        line.push(' ');
        line.push_str(item);
    }
    let _ = writeln!(text, "{line}");
}

/// One line for each level in force, for the frozen digest.
pub fn limit_lines(plan: &Plan) -> Vec<String> {
    let mut lines = Vec::new();
    for scope in &plan.scopes {
        for meter in &scope.meters {
            for limit in &meter.limits {
                lines.extend(
                    lines_of(scope, meter, limit).into_iter().map(|line| format!("{}: {line}", meter.name)),
                );
            }
        }
    }
    lines
}

fn lines_of(scope: &ScopePlan, meter: &MeterPlan, limit: &LimitPlan) -> Vec<String> {
    let quantity = meter.series[limit.series];
    let facts = quantity.what.facts();
    let unit = facts.unit.symbol();
    let mut lines: Vec<String> = limit
        .levels
        .iter()
        .map(|level| {
            let mut line = format!(
                "{quantity} {} {:.*} {unit}: {}",
                if limit.bound == kvarden_core::plant::Bound::High { "above" } else { "below" },
                usize::from(facts.decimals),
                level.setpoint,
                scope.alarms[level.alarm].priority.key()
            );
            match level.window {
                Some(window) => {
                    let _ = write!(line, ", mean of {}", duration(meter.windows[window].1));
                }
                None => line.push_str(", each value"),
            }
            let _ = write!(
                line,
                ", on-delay {}, off-delay {}",
                duration(level.on_delay),
                duration(limit.off_delay)
            );
            let _ = write!(line, ", deadband {} {unit}", rounded(limit.deadband));
            if scope.alarms[level.alarm].latch {
                line.push_str(", latches");
            }
            if let Some((series, above)) = limit.when {
                let on = meter.series[series];
                let _ = write!(line, ", while {on} is above {above} {}", on.what.facts().unit.symbol());
            }
            let _ = write!(line, " [{}]", limit.origin);
            line
        })
        .collect();
    if let Some(recurs) = &limit.recurs {
        lines.push(format!(
            "{quantity} comes and goes: {}, {} times of at least {} within {} [{}]",
            scope.alarms[recurs.alarm].priority.key(),
            recurs.times,
            duration(recurs.shortest),
            duration(recurs.within),
            limit.origin
        ));
    }
    lines
}

/// At most three decimals, without zeros at the end.
fn rounded(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
