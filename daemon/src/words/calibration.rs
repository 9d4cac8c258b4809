//! How far the calibration of a transformer's heat is, for people.

use kvarden_core::study::{
    HeatLearned, HeatPlan, LARGEST_FACTOR, LARGEST_REST_K, LARGEST_SPREAD, LEARN_H, LEAST_FACTOR, LOADED_H,
    NotHealthy,
};

/// A sentence about the calibration of a transformer; `None` where nothing is learned or being learned.
pub fn calibration((name, learned, learning_h): (&str, HeatLearned, Option<f64>)) -> Option<String> {
    let begin = format!("{name}: what a healthy unit shows");
    let again = learned.refused.map_or("", not_healthy);
    let Some(known) = learned.calibration else {
        let hours = learning_h?;
        return Some(format!(
            "{begin} goes by the nameplate; a calibration is being learned, {hours:.0} h of {LEARN_H:.0} h{again}"
        ));
    };
    let factors: Vec<String> = known.factors.iter().map(|factor| format!("{factor:.2}")).collect();
    let what = format!(
        "{} times the rated rise, time constant {:.0} min, {:.1} K left over",
        factors.join(", "),
        known.tau_min,
        known.rest_k
    );
    Some(match known.accepted {
        Some((by, _)) => format!("{begin} goes by the calibration that {by} accepted: {what}"),
        None => format!(
            "{begin} goes by the nameplate; a calibration waits for a person: {what}; take it with kvarden calibration \
             {name} --by NAME if the unit is known to be sound"
        ),
    })
}

fn not_healthy(why: NotHealthy) -> &'static str {
    match why {
        NotHealthy::Factor => "; the last was refused: it is too far from its nameplate for a healthy unit",
        NotHealthy::Spread => "; the last was refused: its windings differ too much",
        NotHealthy::TimeConstant => "; the last was refused: no time constant fits",
        NotHealthy::Rest => "; the last was refused: its temperatures do not follow its load",
    }
}

/// The bounds of a calibration, for `check`; `None` where none can be learned.
pub fn calibration_bounds(plan: &HeatPlan) -> Option<String> {
    plan.can_learn().then(|| {
        format!(
            "a calibration of its heat is learned over {LEARN_H:.0} h, {LOADED_H:.0} h of them loaded: {LEAST_FACTOR} to \
             {LARGEST_FACTOR} times the rated rise, windings at most {LARGEST_SPREAD} times each other, at most \
             {LARGEST_REST_K} K left over; the nameplate rules until a named person accepts it"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::study::Calibration;
    use kvarden_core::time::EventTime;

    #[test]
    fn it_is_said_who_accepted_it_and_that_it_waits_before() {
        let known = Calibration {
            factors: vec![0.95, 1.01, 0.95],
            tau_min: 45.4,
            rest_k: 0.62,
            learned: EventTime(0),
            accepted: None,
        };
        let learned = |calibration| HeatLearned { calibration, ..HeatLearned::default() };
        let waits = calibration(("T2", learned(Some(known.clone())), None)).expect("a sentence");
        assert!(waits.contains("waits for a person: 0.95, 1.01, 0.95 times the rated rise"), "{waits}");
        let accepted = Calibration { accepted: Some(("Ines".to_owned(), EventTime(1))), ..known };
        let told = calibration(("T2", learned(Some(accepted)), None)).expect("a sentence");
        assert!(told.contains("that Ines accepted") && told.contains("45 min"), "{told}");
        let learning = HeatLearned { refused: Some(NotHealthy::Spread), ..learned(None) };
        let told = calibration(("T2", learning, Some(12.2))).expect("a sentence");
        assert!(told.contains("12 h of 72 h") && told.contains("windings differ"), "{told}");
        assert_eq!(calibration(("T2", learned(None), None)), None);
    }
}
