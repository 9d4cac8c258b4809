//! What is said of the named causes of a day.

use super::{Item, Page};
use crate::digest::findings::{EventDay, FindingDay};
use crate::words::cause;
use crate::words::pattern;

/// A named cause of the day: how pressing, what, and what is said of it, a sentence each.
pub(super) struct FindingItem {
    pub(super) item: Item,
    pub(super) more: Vec<String>,
}

impl Page<'_> {
    /// The named causes, the most pressing first.
    pub(super) fn findings(&self) -> Vec<FindingItem> {
        self.day.findings.iter().map(|day| self.finding(day)).collect()
    }

    fn finding(&self, day: &FindingDay) -> FindingItem {
        let (facts, reads) = (&day.facts, self.reads());
        let since = self.clock(facts.since);
        let said = match day.ended.map(|ended| self.clock(ended)) {
            None => self.with("digest-shows", &[("since", &since)]),
            Some(ended) => self.with("digest-showed", &[("since", &since), ("ended", &ended)]),
        };
        let mut more = vec![cause::means(facts.cause, self.speech).to_owned()];
        let mut add = |all: Vec<String>, with: fn(&Self, &str) -> String| {
            if !all.is_empty() {
                more.push(with(self, &all.join("; ")));
            }
        };
        add(cause::proof(facts, reads), |page, all| page.with("digest-proof", &[("all", all)]));
        let pattern = facts.pattern.iter();
        let pattern = pattern.map(|pattern| pattern::sentence(pattern, self.figures.from, reads));
        add(pattern.collect(), |page, all| page.with("digest-pattern", &[("all", all)]));
        let shares = facts.shares.iter().map(|one| cause::share(one, self.speech));
        add(shares.collect(), |page, all| page.with("digest-shares", &[("all", all)]));
        add(cause::ruled_out(facts, reads), |page, all| page.with("digest-ruled-out", &[("all", all)]));
        more.extend(cause::lacks(facts, self.speech));
        let next = cause::check(facts.cause, self.speech).first().copied();
        more.extend(next.map(|check| self.with("digest-next", &[("check", check)])));
        let likely = cause::likely(facts.cause, facts.place, self.speech);
        let sure = format!("{:.0}", 100.0 * facts.confidence);
        let named = self.with("digest-cause", &[("cause", &likely), ("sure", &sure)]);
        let what = format!("{}: {named}", place(&facts.transformer, facts.feeder.as_deref()));
        FindingItem { item: Item { priority: facts.priority, what, said }, more }
    }

    /// Events without a fault.
    pub(super) fn events(&self) -> Vec<String> {
        let line = |event: &EventDay| {
            let often = match event.times {
                1 => self.with("digest-once-at", &[("at", &self.clock(event.first))]),
                times => {
                    let when = self.between(event.first, event.last);
                    self.with("digest-times-when", &[("times", &times.to_string()), ("when", &when)])
                }
            };
            let likely = cause::likely(event.cause, None, self.speech);
            format!("{}, {likely}: {often}", place(&event.transformer, event.feeder.as_deref()))
        };
        self.day.events.iter().map(line).collect()
    }
}

/// `T2`, or `T2, MP-3`.
fn place(transformer: &str, feeder: Option<&str>) -> String {
    let feeder = feeder.map(|feeder| format!(", {feeder}")).unwrap_or_default();
    format!("{transformer}{feeder}")
}
