//! The book of findings of one scope: since when each is claimed, whether people know of it, when it has ended.

use super::cause::{Cause, Family};
use super::confidence;
use super::docket::{Claim, Docket, MOST_MARKS, Mark};
use super::finding::{Evidence, Finding, FindingChange, FindingStep, Lack, RuledOut};
use super::look::of_sign;
use super::plan::DiagnosisPlan;
use super::sign::Sign;
use crate::output::Output;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The most findings that a scope has open, or is about to find, at once. More at a time than this is no diagnosis.
const MOST_FINDINGS: usize = 128;

/// What one finding is of, by names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingKey {
    /// The cause.
    pub cause: Cause,
    /// The feeder; `None`: the transformer itself.
    pub feeder: Option<String>,
    /// The place.
    pub place: Option<Place>,
}

/// Where one finding stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FindingEntry {
    /// What it is of.
    pub key: FindingKey,
    /// Its number, the second in which it began to show. Not counted: findings of the load side come
    /// at once and those of the grid when others let it step, so which is first depends on who speaks first.
    pub number: i64,
    /// Its latest step.
    pub step: u32,
    /// Since when it is claimed.
    since: EventTime,
    /// When it was claimed last.
    seen: EventTime,
    /// For how long it could be judged since then and did not show.
    quiet: Span,
    /// Told when it came so often.
    told_times: u32,
    /// What was told last.
    pub facts: Option<Finding>,
}

impl FindingEntry {
    /// Whether people know of it.
    pub fn is_found(&self) -> bool {
        self.facts.is_some()
    }
}

/// The findings of one scope.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FindingBook {
    entries: Vec<FindingEntry>,
}

impl FindingBook {
    /// The findings that stand.
    pub fn open(&self) -> impl Iterator<Item = &FindingEntry> {
        self.entries.iter().filter(|entry| entry.is_found())
    }

    /// The id of a finding.
    pub fn id(scope: &str, entry: &FindingEntry) -> String {
        let FindingKey { cause, feeder, place } = &entry.key;
        let at = feeder.as_deref().unwrap_or("");
        let place = place.map_or("", Place::key);
        format!("{scope}/{} {}/{at}/{place}#{}", cause.family().key(), cause.key(), entry.number)
    }

    /// Takes what the judges said at the step that ends at `end`, so long after the one before.
    pub(crate) fn follow(
        &mut self,
        plan: &DiagnosisPlan,
        docket: &Docket,
        (end, passed): (EventTime, Span),
        out: &mut Vec<Output>,
    ) {
        for claim in &docket.claims {
            let feeder = &plan.circuits[claim.circuit].feeder;
            let of = |entry: &FindingEntry| {
                let FindingKey { cause, feeder: at, place } = &entry.key;
                (*cause, at, *place) == (claim.cause, feeder, claim.place)
            };
            let known = self.entries.iter().position(of).or_else(|| self.begin(plan, claim, end));
            let Some(entry) = known.map(|index| &mut self.entries[index]) else { continue };
            (entry.seen, entry.quiet) = (end, Span::ZERO);
            if entry.is_found() {
                entry.go_on(plan, claim, end, out);
            } else {
                entry.number = number(entry.since);
                entry.find(plan, docket, claim, end, out);
            }
        }
        self.entries.retain_mut(|entry| entry.age(plan, docket, (end, passed), out));
    }

    /// A meter of a circuit gives nothing, as urgent as that, or all of them speak again.
    pub(crate) fn silence(
        &mut self,
        plan: &DiagnosisPlan,
        (circuit, priority): (usize, Option<Priority>),
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let feeder = &plan.circuits[circuit].feeder;
        let of = |entry: &FindingEntry| entry.key.cause == Cause::MeterSilent && entry.key.feeder == *feeder;
        let known = self.entries.iter().position(of);
        let mark = of_sign(Sign::Silent, Place::Whole, circuit, 1.0);
        match (known, priority) {
            (Some(index), Some(priority)) => {
                let claim = Claim::new(Cause::MeterSilent, circuit, None, priority, mark).weighs(0.95);
                self.entries[index].go_on(plan, &claim, at, out);
            }
            (None, Some(priority)) => {
                let claim = Claim::new(Cause::MeterSilent, circuit, None, priority, mark).weighs(0.95);
                let Some(index) = self.begin(plan, &claim, at) else { return };
                let entry = &mut self.entries[index];
                entry.number = number(entry.since);
                entry.find(plan, &Docket::default(), &claim, at, out);
            }
            (Some(index), None) => {
                let mut entry = self.entries.remove(index);
                entry.tell(plan, FindingStep::Ended, at, out);
            }
            (None, None) => {}
        }
    }

    /// A person has mended what a finding is about: it has ended. If it comes again it is a new one.
    pub(crate) fn mended(
        &mut self,
        plan: &DiagnosisPlan,
        finding: &str,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let of = |entry: &FindingEntry| entry.is_found() && Self::id(&plan.scope, entry) == finding;
        if let Some(index) = self.entries.iter().position(of) {
            let mut entry = self.entries.remove(index);
            entry.tell(plan, FindingStep::Ended, at, out);
        }
    }

    /// Ends what is about a feeder that the plan no longer has, or about units that no longer run in parallel.
    pub(crate) fn keep_watched(&mut self, plan: &DiagnosisPlan, at: EventTime, out: &mut Vec<Output>) {
        self.entries.retain_mut(|entry| {
            let is_there = plan.circuits.iter().any(|circuit| circuit.feeder == entry.key.feeder);
            let watched = is_there && (plan.in_parallel || entry.key.cause != Cause::Unequal);
            if !watched {
                entry.tell(plan, FindingStep::NoLongerWatched, at, out);
            }
            watched
        });
    }

    /// Ends everything of a scope that the plan no longer has.
    pub(crate) fn no_longer_watched(
        &self,
        scope: &str,
        at: EventTime,
    ) -> impl Iterator<Item = FindingChange> {
        self.open().filter_map(move |entry| {
            let facts = entry.facts.clone()?;
            let (finding, step) = (Self::id(scope, entry), entry.step.saturating_add(1));
            Some(FindingChange { finding, step, at, what: FindingStep::NoLongerWatched, facts })
        })
    }

    /// Our clock was corrected: what it stamped moves with it.
    pub(crate) fn shift(&mut self, by: Span) {
        for entry in &mut self.entries {
            entry.since += by;
            entry.seen += by;
            if let Some(facts) = &mut entry.facts {
                facts.since += by;
            }
        }
    }

    fn begin(&mut self, plan: &DiagnosisPlan, claim: &Claim, end: EventTime) -> Option<usize> {
        if self.entries.len() >= MOST_FINDINGS {
            return None;
        }
        let feeder = plan.circuits[claim.circuit].feeder.clone();
        let key = FindingKey { cause: claim.cause, feeder, place: claim.place };
        let entry = FindingEntry {
            key,
            number: 0,
            step: 0,
            since: claim.since.unwrap_or(end).min(end),
            seen: end,
            quiet: Span::ZERO,
            told_times: 0,
            facts: None,
        };
        self.entries.push(entry);
        Some(self.entries.len() - 1)
    }
}

fn number(since: EventTime) -> i64 {
    since.0.div_euclid(1000)
}

impl FindingEntry {
    fn find(
        &mut self,
        plan: &DiagnosisPlan,
        docket: &Docket,
        claim: &Claim,
        end: EventTime,
        out: &mut Vec<Output>,
    ) {
        let lacks: Vec<Lack> = claim.lacks.iter().flatten().copied().collect();
        let meter_first = plan.meter_first.clone().filter(|_| lacks.contains(&Lack::FeederMeters));
        let facts = Finding {
            cause: claim.cause,
            transformer: plan.transformer.clone(),
            feeder: self.key.feeder.clone(),
            place: claim.place,
            since: self.since,
            priority: claim.priority,
            confidence: confidence::told(claim.weight),
            evidence: claim.marks.iter().flatten().map(|mark| evidence(plan, mark)).collect(),
            ruled_out: ruled_out(plan, docket, claim),
            pattern: claim.pattern.as_deref().cloned(),
            shares: claim.shares.as_deref().unwrap_or_default().to_vec(),
            lacks,
            meter_first,
        };
        self.told_times = facts.pattern.as_ref().map_or(0, |pattern| pattern.times);
        self.facts = Some(facts);
        self.tell(plan, FindingStep::Found, end, out);
    }

    /// It is claimed again.
    fn go_on(&mut self, plan: &DiagnosisPlan, claim: &Claim, end: EventTime, out: &mut Vec<Output>) {
        let Some(facts) = &mut self.facts else { return };
        let before = facts.priority;
        facts.priority = claim.priority;
        facts.confidence = confidence::told(claim.weight);
        let mut marks = claim.marks.iter().flatten();
        if let (Some(first), Some(mark)) = (facts.evidence.first_mut(), marks.next())
            && first.figure == mark.figure
            && mark.value > first.value
        {
            (first.value, first.against) = (mark.value, mark.against);
        }
        for mark in marks {
            let same = |known: &&mut Evidence| {
                known.figure == mark.figure && known.feeder == plan.circuits[mark.circuit].feeder
            };
            if let Some(known) = facts.evidence.iter_mut().skip(1).find(same) {
                (known.value, known.against) = (mark.value, mark.against);
            } else if facts.evidence.len() < MOST_MARKS {
                facts.evidence.push(evidence(plan, mark));
            }
        }
        if let Some(pattern) = claim.pattern.as_deref() {
            facts.pattern = Some(pattern.clone());
        }
        if let Some(shares) = claim.shares.as_deref() {
            facts.shares = shares.to_vec();
        }
        let times = facts.pattern.as_ref().map_or(0, |pattern| pattern.times);
        let step = if facts.priority > before {
            FindingStep::Worse
        } else if facts.priority < before {
            FindingStep::Milder
        } else if times >= self.told_times.saturating_mul(2) && times > self.told_times {
            FindingStep::Worse
        } else {
            return;
        };
        self.told_times = times;
        self.tell(plan, step, end, out);
    }

    /// Counts for how long it could be judged and did not show. Says whether it stays in the book.
    fn age(
        &mut self,
        plan: &DiagnosisPlan,
        docket: &Docket,
        (end, passed): (EventTime, Span),
        out: &mut Vec<Output>,
    ) -> bool {
        if self.seen == end {
            return true;
        }
        let is_absent = |(cause, circuit, place): &(Cause, usize, Option<Place>)| {
            *cause == self.key.cause
                && plan.circuits[*circuit].feeder == self.key.feeder
                && (place.is_none() || *place == Some(self.key.place.unwrap_or(Place::Whole)))
        };
        if docket.absent.iter().any(is_absent) {
            self.quiet += passed;
        }
        if self.quiet < self.key.cause.gone_after() {
            return true;
        }
        self.tell(plan, FindingStep::Ended, end, out);
        false
    }

    fn tell(&mut self, plan: &DiagnosisPlan, what: FindingStep, at: EventTime, out: &mut Vec<Output>) {
        let Some(facts) = self.facts.clone() else { return };
        self.step = self.step.saturating_add(1);
        let finding = FindingBook::id(&plan.scope, self);
        out.push(Output::Finding(FindingChange { finding, step: self.step, at, what, facts }));
    }
}

fn evidence(plan: &DiagnosisPlan, mark: &Mark) -> Evidence {
    let feeder = plan.circuits[mark.circuit].feeder.clone();
    Evidence { figure: mark.figure, feeder, value: mark.value, against: mark.against }
}

/// Every other family of which there is a number at the same circuit or at the transformer and of which nothing is claimed there.
fn ruled_out(plan: &DiagnosisPlan, docket: &Docket, claim: &Claim) -> Vec<RuledOut> {
    let others = Family::ALL.iter().filter(|family| **family != claim.cause.family());
    let by = |family: &Family| {
        let places = [claim.circuit, plan.load];
        let claimed = places.iter().any(|circuit| docket.holds(*family, *circuit));
        let mark = places.iter().find_map(|circuit| docket.known(*family, *circuit)).filter(|_| !claimed)?;
        // What is past its own measure rules nothing out: another cause explains it.
        mark.against.is_none_or(|against| mark.value < against).then_some(())?;
        Some(RuledOut { family: *family, by: evidence(plan, &mark) })
    };
    others.filter_map(by).collect()
}
