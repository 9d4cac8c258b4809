//! What other limits would have done, for a person.

use super::subject;
use super::time::{duration, local, moment};
use super::unit::Scale;
use crate::tried::{Sure, Trial, Tried, paired};
use jiff::tz::TimeZone;
use kvarden_config::TemperatureUnit;
use kvarden_core::time::EventTime;
use std::fmt::Write;

/// Lines of one alarm that are told; of more the last, with how many there were.
const MOST_LINES: usize = 40;

/// The page. `what`: the tried file, as it was named.
pub fn page(
    trial: &Trial,
    what: &str,
    (from, to): (EventTime, EventTime),
    zone: &TimeZone,
    shows: TemperatureUnit,
) -> String {
    let day = |at: EventTime| local(at, zone).strftime("%a %d %b %Y %H:%M").to_string();
    let mut text = format!("{what}, tried on what is stored from {} to {}, local time\n", day(from), day(to));
    for tried in &trial.alarms {
        alarm(tried, to, zone, shows, &mut text);
    }
    let _ = writeln!(text, "\n{}", summary(trial));
    text.push_str("\nWhat this can't show:\n");
    let mut say = |words: String| {
        let _ = writeln!(text, "- {words}");
    };
    say("\"may have come\": within some minute the limit was passed, but of most of the past only the least, mean and \
         largest value of each minute are stored, so nobody can say for how long"
        .to_owned());
    say("how often something came and went within one minute; it counts as once".to_owned());
    say("what else decides in the running program: alarms that a person shelved or took out of service, volts that had \
         just returned, a source of its own, a meter that stood still"
        .to_owned());
    if trial.coarse {
        say("of the older part only rows of ten minutes are left: there a minute is ten".to_owned());
    }
    if trial.rates > 0 {
        say(format!("limits on how fast a value rises are not tried: {} of them", trial.rates));
    }
    for (meter, key) in trial.unknown.iter().take(MOST_LINES) {
        say(format!("{meter}, {key}: nothing of it is stored in this span"));
    }
    if trial.unknown.len() > MOST_LINES {
        say(format!("and {} more of which nothing is stored", trial.unknown.len() - MOST_LINES));
    }
    text
}

fn alarm(tried: &Tried, now: EventTime, zone: &TimeZone, shows: TemperatureUnit, text: &mut String) {
    let limit = match (tried.setpoint, subject::quantity(&tried.subject)) {
        (Some(setpoint), Some(quantity)) => {
            let scale = Scale { what: quantity.what, shows };
            let decimals = usize::from(scale.what.facts().decimals);
            format!(" ({:.decimals$} {}, {})", scale.read(setpoint), scale.symbol(), tried.priority.key())
        }
        _ => format!(" ({})", tried.priority.key()),
    };
    let _ = writeln!(text, "\n{}{limit}", subject::alarm(&tried.subject, tried.rule));
    let _ = writeln!(text, "  {}", counts(tried));
    let pairs = paired(tried);
    if pairs.len() > MOST_LINES {
        let _ = writeln!(text, "  {} earlier ones are left out", pairs.len() - MOST_LINES);
    }
    for (came, would) in &pairs[pairs.len().saturating_sub(MOST_LINES)..] {
        let when = came.or(would.map(|episode| episode.from)).unwrap_or(now);
        let came = if came.is_some() { "came" } else { "did not come" };
        let would = match would {
            None => "would not have come".to_owned(),
            Some(episode) => {
                let stood = duration(episode.to - episode.from);
                match episode.sure {
                    Sure::ByReadings => "would have come, as its readings show".to_owned(),
                    Sure::ByMinutes => format!("would have come, for about {stood}"),
                    Sure::Perhaps => "may have come: passed within a minute".to_owned(),
                }
            }
        };
        let _ = writeln!(text, "  {:<22}{came:<14}{would}", moment(when, now, zone));
    }
}

fn counts(tried: &Tried) -> String {
    let Some(would) = &tried.would else {
        return format!(
            "came {}; the tried file has no such limit, or nothing is stored that it could judge",
            tried.came.len()
        );
    };
    let perhaps = would.iter().filter(|episode| episode.sure == Sure::Perhaps).count();
    let surely = would.len() - perhaps;
    match perhaps {
        0 => format!("came {}, would have come {surely}", tried.came.len()),
        _ => format!("came {}, would have come {surely} to {}", tried.came.len(), would.len()),
    }
}

fn summary(trial: &Trial) -> String {
    let came: usize = trial.alarms.iter().map(|tried| tried.came.len()).sum();
    let would: Vec<_> = trial.alarms.iter().filter_map(|tried| tried.would.as_ref()).flatten().collect();
    let perhaps = would.iter().filter(|episode| episode.sure == Sure::Perhaps).count();
    format!(
        "In all {came} alarms of limits came; {} would have, and {} more may have. {} alarms of limits never came and \
         never would have.",
        would.len() - perhaps,
        perhaps,
        trial.quiet
    )
}
