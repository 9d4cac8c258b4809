//! How insulation ages, for people. It is told in hours at the rated hot spot, where an hour ages it by an hour.

use super::speech::Speech;
use kvarden_core::digest::{AgeingDay, LEAST_MEASURED};
use kvarden_core::study::AgeingClass;
use kvarden_core::thermal::ageing::{Paper, RATED_LIFE_H};

/// What the figures say and what they do not.
pub fn ageing_means(speech: Speech) -> String {
    speech.say("ageing-means")
}

/// The stretch of which it is told how the insulation aged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aged {
    /// The day of a digest.
    OnTheDay,
    /// So far today.
    Today,
}

/// How the insulation of a transformer aged on a day, or so far today, and since it is watched.
pub fn ageing(
    transformer: &str,
    class: Option<AgeingClass>,
    when: Aged,
    day: &AgeingDay,
    speech: Speech,
) -> String {
    let class = class.map(|class| format!(" ({})", class_words(class, speech))).unwrap_or_default();
    let when = match when {
        Aged::OnTheDay => speech.say("ageing-on-the-day"),
        Aged::Today => speech.say("ageing-today"),
    };
    let share = format!("{:.0}", 100.0 * day.measured);
    let mut said = if let Some(hours) = day.hours {
        let hours = figure(hours, speech);
        let aged = speech.with("ageing-aged", &[("when", &when), ("hours", &hours)]);
        let part = speech.with("ageing-part", &[("share", &share)]);
        if day.measured < 0.995 { format!("{aged}, {part}") } else { aged }
    } else {
        let least = format!("{:.0}", 100.0 * LEAST_MEASURED);
        speech.with("ageing-untold", &[("when", &when), ("share", &share), ("least", &least)])
    };
    if let Some(hours) = day.total_h {
        let percent = figure(100.0 * hours / RATED_LIFE_H, speech);
        let parts = [("hours", &*figure(hours, speech)), ("percent", &percent)];
        said = format!("{said}; {}", speech.with("ageing-since", &parts));
    }
    speech.with("ageing-line", &[("name", transformer), ("class", &class), ("said", &said)])
}

fn class_words(class: AgeingClass, speech: Speech) -> String {
    match class {
        AgeingClass::Dry(class) => speech.with("ageing-class", &[("class", &class.class_c.to_string())]),
        AgeingClass::Paper(Paper::Upgraded) => speech.say("ageing-upgraded"),
        AgeingClass::Paper(Paper::Plain) => speech.say("ageing-plain"),
    }
}

/// To three figures at most, and never a nought for something.
fn figure(value: f64, speech: Speech) -> String {
    let digits = |digits: String| speech.digits(&digits);
    match value {
        _ if value >= 10.0 => digits(format!("{value:.0}")),
        _ if value >= 1.0 => digits(format!("{value:.1}")),
        _ if value >= 0.01 => digits(format!("{value:.2}")),
        _ => speech.with("ageing-nearly-none", &[("amount", &speech.digits("0.01"))]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::thermal::ageing::DryClass;

    fn day(hours: Option<f64>, measured: f64) -> AgeingDay {
        AgeingDay { hours, total_h: Some(812.0), measured }
    }

    /// 812 h of 180000 h are 0.451 %.
    #[test]
    fn a_day_is_told_with_the_life_used_and_one_known_too_little_is_not() {
        let class = DryClass::of(220).map(AgeingClass::Dry);
        assert_eq!(
            ageing("T2", class, Aged::Today, &day(Some(0.314), 1.0), Speech::ENGLISH),
            "T2, insulation (class 220): aged today as in 0.31 h at its rated hot spot; since it is watched it aged as in 812 h, \
             0.45 % of 180,000 h."
        );
        let part = ageing("T2", None, Aged::OnTheDay, &day(Some(30.04), 0.9), Speech::ENGLISH);
        assert!(part.contains("as in 30 h at its rated hot spot, with 90 % of it known"), "{part}");
        let untold = ageing("T2", None, Aged::OnTheDay, &day(None, 0.46), Speech::ENGLISH);
        assert!(
            untold.contains("is not told") && untold.contains("for 46 % of it, at least 80 %"),
            "{untold}"
        );
        assert!(!untold.contains("aged on the day as in"), "absent is no nought: {untold}");
        let cool = ageing("T2", None, Aged::Today, &day(Some(1e-7), 1.0), Speech::ENGLISH);
        assert!(cool.contains("as in less than 0.01 h"), "{cool}");
    }
}
