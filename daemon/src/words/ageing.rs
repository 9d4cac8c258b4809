//! How insulation ages, for people. It is told in hours at the rated hot spot, where an hour ages it by an hour.

use kvarden_core::digest::{AgeingDay, LEAST_MEASURED};
use kvarden_core::study::AgeingClass;
use kvarden_core::thermal::ageing::{Paper, RATED_LIFE_H};

/// What the figures say and what they do not.
pub const AGEING_MEANS: &str = "Ageing says how fast insulation ages, not when it fails.";

/// How the insulation of a transformer aged on a day, or so far today, and since it is watched. `when`: "on the day",
/// "today".
pub fn ageing(transformer: &str, class: Option<AgeingClass>, when: &str, day: &AgeingDay) -> String {
    let class = class.map(|class| format!(" ({})", class_words(class))).unwrap_or_default();
    let told = match day.hours {
        Some(hours) => {
            let part = if day.measured < 0.995 {
                format!(", with {:.0} % of it known", 100.0 * day.measured)
            } else {
                String::new()
            };
            format!("aged {when} as in {} at its rated hot spot{part}", hours_words(hours))
        }
        None => format!(
            "how much it aged {when} is not told: what that needs was known for {:.0} % of it, at least {:.0} % are wanted",
            100.0 * day.measured,
            100.0 * LEAST_MEASURED
        ),
    };
    let since = day.total_h.map(|hours| {
        format!(
            "; since it is watched it aged as in {}, {} of 180,000 h",
            hours_words(hours),
            percent_words(100.0 * hours / RATED_LIFE_H)
        )
    });
    format!("{transformer}, insulation{class}: {told}{}.", since.unwrap_or_default())
}

fn class_words(class: AgeingClass) -> String {
    match class {
        AgeingClass::Dry(class) => format!("class {}", class.class_c),
        AgeingClass::Paper(Paper::Upgraded) => "thermally upgraded paper".to_owned(),
        AgeingClass::Paper(Paper::Plain) => "plain paper".to_owned(),
    }
}

fn hours_words(hours: f64) -> String {
    format!("{} h", figure(hours))
}

fn percent_words(percent: f64) -> String {
    format!("{} %", figure(percent))
}

/// To three figures at most, and never a nought for something.
fn figure(value: f64) -> String {
    match value {
        _ if value >= 10.0 => format!("{value:.0}"),
        _ if value >= 1.0 => format!("{value:.1}"),
        _ if value >= 0.01 => format!("{value:.2}"),
        _ => "less than 0.01".to_owned(),
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
            ageing("T2", class, "today", &day(Some(0.314), 1.0)),
            "T2, insulation (class 220): aged today as in 0.31 h at its rated hot spot; since it is watched it aged as in 812 h, \
             0.45 % of 180,000 h."
        );
        let part = ageing("T2", None, "on the day", &day(Some(30.04), 0.9));
        assert!(part.contains("as in 30 h at its rated hot spot, with 90 % of it known"), "{part}");
        let untold = ageing("T2", None, "on the day", &day(None, 0.46));
        assert!(
            untold.contains("is not told") && untold.contains("for 46 % of it, at least 80 %"),
            "{untold}"
        );
        assert!(!untold.contains("aged on the day as in"), "absent is no nought: {untold}");
        let cool = ageing("T2", None, "today", &day(Some(1e-7), 1.0));
        assert!(cool.contains("as in less than 0.01 h"), "{cool}");
    }
}
