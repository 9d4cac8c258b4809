//! What is said of the named causes of a day.

use super::{Item, Page};
use crate::digest::findings::{EventDay, FindingDay};
use crate::words::cause::{self, Reads};
use crate::words::pattern;
use crate::words::speech::Speech;

/// A named cause of the day: how pressing, what, and what is said of it, a sentence each.
pub(super) struct FindingItem {
    pub(super) item: Item,
    pub(super) more: Vec<String>,
}

impl Page<'_> {
    fn reads(&self) -> Reads<'_> {
        Reads { zone: &self.zone, shows: self.shows(), speech: Speech::ENGLISH }
    }

    /// The named causes, the most pressing first.
    pub(super) fn findings(&self) -> Vec<FindingItem> {
        self.day.findings.iter().map(|day| self.finding(day)).collect()
    }

    fn finding(&self, day: &FindingDay) -> FindingItem {
        let facts = &day.facts;
        let feeder = facts.feeder.as_ref().map(|feeder| format!(", {feeder}")).unwrap_or_default();
        let since = self.clock(facts.since);
        let said = match day.ended {
            None => format!("since {since}, still shows"),
            Some(ended) => format!("from {since} until nothing showed of it, {}", self.clock(ended)),
        };
        let mut more = vec![cause::means(facts.cause, Speech::ENGLISH).to_owned()];
        let mut add = |head: &str, all: Vec<String>| {
            if !all.is_empty() {
                more.push(format!("{head}: {}.", all.join("; ")));
            }
        };
        add("Proof", cause::proof(facts, self.reads()));
        let pattern = facts.pattern.as_ref();
        add(
            "Pattern",
            pattern
                .map(|pattern| pattern::sentence(pattern, self.figures.from, self.reads()))
                .into_iter()
                .collect(),
        );
        add("Shares", facts.shares.iter().map(|one| cause::share(one, Speech::ENGLISH)).collect());
        add("Ruled out", cause::ruled_out(facts, self.reads()));
        more.extend(cause::lacks(facts, Speech::ENGLISH));
        more.extend(cause::check(facts.cause, Speech::ENGLISH).first().map(|check| format!("Next: {check}")));
        let what = format!(
            "{}{feeder}: {} (confidence {:.0} %)",
            facts.transformer,
            cause::likely(facts.cause, facts.place, Speech::ENGLISH),
            100.0 * facts.confidence
        );
        FindingItem { item: Item { priority: facts.priority, what, said }, more }
    }

    /// Events without a fault.
    pub(super) fn events(&self) -> Vec<String> {
        let line = |event: &EventDay| {
            let feeder = event.feeder.as_ref().map(|feeder| format!(", {feeder}")).unwrap_or_default();
            let times = if event.times == 1 { "once".to_owned() } else { format!("{} times", event.times) };
            let when = if event.times == 1 {
                format!("at {}", self.clock(event.first))
            } else {
                self.between(event.first, event.last)
            };
            format!(
                "{}{feeder}, {}: {times}, {when}",
                event.transformer,
                cause::likely(event.cause, None, Speech::ENGLISH)
            )
        };
        self.day.events.iter().map(line).collect()
    }
}
