//! What feeds something, where that is not what feeds it normally.

use super::names;
use super::speech::Speech;
use super::time::moment;
use jiff::tz::TimeZone;
use kvarden_core::feeding::SupplyNow;
use kvarden_core::output::Subject;
use kvarden_core::supply::{Fed, OtherSupply, StateNow};
use kvarden_core::time::EventTime;

/// States in words: `Q3 closed`, `ATS emergency`, `Q2 not known`.
fn states(states: &[StateNow], speech: Speech) -> String {
    let word = |state: &StateNow| match state.on {
        Some(on) => format!("{} {}", state.name, names::state(state.what, on, speech)),
        None => format!("{} {}", state.name, speech.say("not-known")),
    };
    let words: Vec<String> = states.iter().map(word).collect();
    if words.is_empty() { String::new() } else { format!(" ({})", words.join(", ")) }
}

/// `fed by T3 now (Q3 closed)`.
pub fn fed(other: &OtherSupply, speech: Speech) -> String {
    let by = match &other.by {
        Fed::By(name) => speech.with("fed-by", &[("name", name)]),
        Fed::Several => speech.say("fed-by-several"),
        Fed::Nothing => speech.say("fed-by-nothing"),
        Fed::NotKnown => speech.say("fed-not-known"),
    };
    by + &states(&other.states, speech)
}

/// The subject as it is now: a feeder that hangs elsewhere is not charged to the transformer that feeds it normally.
pub fn charged(subject: &Subject, fed: Option<&OtherSupply>) -> Subject {
    let transformer = match fed.map(|fed| &fed.by) {
        None => subject.transformer.clone(),
        Some(Fed::By(name)) => Some(name.clone()),
        Some(Fed::Several | Fed::Nothing | Fed::NotKnown) => None,
    };
    Subject { transformer, ..subject.clone() }
}

/// Why the transformer is not the usual one: `; MP-3 is fed by T3 now (Q3 closed), normally by T2`.
pub fn behind(subject: &Subject, other: &OtherSupply, speech: Speech) -> String {
    let feeder = subject.feeder.as_deref().unwrap_or_default();
    let normally = subject.transformer.as_deref().map(|name| speech.with("fed-normally", &[("name", name)]));
    let normally = normally.map(|normally| format!(", {normally}")).unwrap_or_default();
    let parts = [("feeder", feeder), ("fed", &*fed(other, speech))];
    let said = match other.by {
        Fed::NotKnown => speech.with("fed-feeder-not-known", &parts),
        Fed::By(_) | Fed::Several | Fed::Nothing => speech.with("fed-feeder", &parts),
    };
    format!("; {said}{normally}")
}

/// A line of the status: `MP-3: fed by T3 now (Q3 closed) since 13:10, normally by T2`.
pub fn line(supply: &SupplyNow, now: EventTime, zone: &TimeZone) -> String {
    let SupplyNow { name, normally, .. } = supply;
    match &supply.other {
        None => format!("{name}: fed by {normally}, as normally"),
        Some(other) => {
            let since = supply.since.map(|since| format!(" since {}", moment(since, now, zone)));
            format!(
                "{name}: {}{}, normally by {normally}",
                fed(other, Speech::ENGLISH),
                since.unwrap_or_default()
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::message;
    use crate::words::tests::{about_meter, site};
    use kvarden_core::measurand::{Measurand, Quantity};
    use kvarden_core::output::{Matter, Rule};
    use kvarden_core::plant::Bound;

    fn other(by: Fed, on: Option<bool>) -> OtherSupply {
        let what = Measurand::TransferToEmergency;
        OtherSupply { by, states: vec![StateNow { name: "ATS-1".to_owned(), what, on }] }
    }

    #[test]
    fn each_way_of_being_fed_has_its_words() {
        // 13:10 of a summer's day at the site.
        let at = EventTime(1_784_747_400_000);
        let line = |other, since| {
            let (name, normally) = ("MP-3".to_owned(), "T2".to_owned());
            line(&SupplyNow { name, normally, other, since }, at, &TimeZone::get("America/Denver").unwrap())
        };
        let lines = [
            line(None, None),
            line(Some(other(Fed::By("T3".to_owned()), Some(true))), Some(at)),
            line(Some(other(Fed::Several, Some(true))), None),
            line(Some(other(Fed::Nothing, Some(false))), None),
            line(Some(other(Fed::NotKnown, None)), None),
        ];
        insta::assert_snapshot!(lines.join("\n"), @r"
        MP-3: fed by T2, as normally
        MP-3: fed by T3 now (ATS-1 emergency) since 13:10, normally by T2
        MP-3: fed by more than one now (ATS-1 emergency), normally by T2
        MP-3: fed by nothing now, every way is open (ATS-1 normal), normally by T2
        MP-3: not known what feeds it now (ATS-1 not known), normally by T2
        ");
    }

    /// A voltage alarm of MP-3 while T3 carries it is told as of T3, and says why; the id stays.
    #[test]
    fn a_feeder_that_hangs_elsewhere_is_told_with_what_feeds_it() {
        let told = |by, on| {
            let mut revision = about_meter(Rule::Level { bound: Bound::High, level: 1 });
            revision.subject.matter = Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance));
            (revision.value, revision.peak, revision.setpoint) = (Some(4.1), Some(4.1), Some(3.0));
            revision.fed = Some(other(by, on));
            message(&revision, &site())
        };
        let elsewhere = told(Fed::By("T3".to_owned()), Some(true));
        assert_eq!(elsewhere.transformer.as_deref(), Some("T3"));
        assert_eq!(elsewhere.fed.as_deref(), Some("fed by T3 now (ATS-1 emergency)"));
        assert!(elsewhere.alert.starts_with("T2/"), "{}", elsewhere.alert);
        let lines = [elsewhere.text, told(Fed::NotKnown, None).text, told(Fed::Several, None).text];
        insta::assert_snapshot!(lines.join("\n"), @r"
        HIGH Larkspur Cannery T3, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; MP-3 is fed by T3 now (ATS-1 emergency), normally by T2
        HIGH Larkspur Cannery, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; MP-3: not known what feeds it now (ATS-1 not known), normally by T2
        HIGH Larkspur Cannery, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; MP-3 is fed by more than one now (ATS-1 not known), normally by T2
        ");
        assert_eq!(told(Fed::NotKnown, None).transformer, None, "nobody is charged");
    }
}
