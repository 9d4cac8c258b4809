//! The figures of a run: what was found of what was true.

use super::listen::{Heard, Told};
use kvarden_demo::trial::scenes::Truth;
use std::collections::{BTreeMap, BTreeSet};

/// A finding belongs to a truth if it is raised from so long before it to so long after its end, milliseconds: clocks of
/// the grid step by ten seconds, and the judges of heat take the mean of an hour.
const BELONGS: (i64, i64) = (60_000, 3_600_000);
/// The same finding again within this time of its end is a repeat, milliseconds.
const AGAIN_MS: i64 = 3_600_000;
/// Families that are no faults: for the record only.
const RECORD_ONLY: &str = "event";
/// Where nothing is true or nothing was found.
pub(super) const NOTHING: &str = "(nothing)";

/// How one class of causes was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Class {
    /// Truths that were found.
    pub found: u32,
    /// Truths that were not.
    pub missed: u32,
    /// Found where it was not true.
    pub wrong: u32,
}

impl Class {
    /// Twice what was found over itself, what was missed and what was wrong; `None` where there is neither.
    pub fn f1(&self) -> Option<f64> {
        let all = 2 * self.found + self.missed + self.wrong;
        (all > 0).then(|| f64::from(2 * self.found) / f64::from(all))
    }
}

/// Bins of confidence.
pub const TENTHS: usize = 10;

/// Findings told with about the same confidence.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Bin {
    /// How many were told.
    pub told: u32,
    /// How many of them were right.
    pub right: u32,
    /// Sum of their confidences.
    pub sum: f64,
}

/// Figures of some scenarios.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Figures {
    /// Scenarios.
    pub scenarios: u32,
    /// By cause and variant.
    pub classes: BTreeMap<String, Class>,
    /// By family.
    pub families: BTreeMap<String, Class>,
    /// How often a truth (first) was told as (second).
    pub confusion: BTreeMap<(String, String), u32>,
    /// From the beginning of a truth to its finding, seconds, sorted.
    pub delays_s: Vec<f64>,
    /// Truths found, and of them at the right feeder.
    pub feeders: (u32, u32),
    /// Truths found that are of one phase, and of them at the right one.
    pub phases: (u32, u32),
    /// Findings on healthy days, and their transformer-days.
    pub healthy: (u32, f64),
    /// Wrong findings beside a true cause.
    pub beside: u32,
    /// The same finding again within an hour of its end.
    pub repeats: u32,
    /// Truths that these meters can't show, and of them found all the same.
    pub hidden: (u32, u32),
    /// Events for the record, and of them told.
    pub events: (u32, u32),
    /// Events told where there was none.
    pub wrong_events: u32,
    /// By tenths of confidence: findings of faults.
    pub confidence: [Bin; TENTHS],
    /// By cause and variant as they were told.
    pub sure: BTreeMap<String, Bin>,
}

/// Cause and variant in one word.
fn class(cause: &str, variant: &str) -> String {
    format!("{cause}/{variant}")
}

fn fits(truth: &Truth, told: &Told, struck: &str) -> bool {
    told.cause == truth.cause && told.variant == truth.variant && within(truth, told, struck)
}

fn within(truth: &Truth, told: &Told, struck: &str) -> bool {
    (truth.everywhere || told.transformer == struck)
        && told.raised >= truth.from - BELONGS.0
        && told.raised <= truth.until + BELONGS.1
}

impl Figures {
    /// The figures of these scenarios.
    pub fn of<'a>(heard: impl IntoIterator<Item = &'a Heard>) -> Self {
        let mut figures = Self::default();
        heard.into_iter().for_each(|heard| figures.take(heard));
        figures.delays_s.sort_by(f64::total_cmp);
        figures
    }

    fn take(&mut self, heard: &Heard) {
        self.scenarios += 1;
        let faults: Vec<&Truth> = heard.truths.iter().filter(|truth| truth.cause != RECORD_ONLY).collect();
        let told: Vec<&Told> = heard.told.iter().filter(|told| told.cause != RECORD_ONLY).collect();
        let mut right: BTreeSet<usize> = BTreeSet::new();
        for truth in &faults {
            let mine: Vec<usize> = (0..told.len()).filter(|k| fits(truth, told[*k], &heard.struck)).collect();
            right.extend(&mine);
            let also = |told: &Told| truth.also.contains(&(told.cause.as_str(), told.variant.as_str()));
            right
                .extend((0..told.len()).filter(|k| also(told[*k]) && within(truth, told[*k], &heard.struck)));
            self.truth(truth, mine.first().map(|k| told[*k]), &told, heard);
        }
        let wrong: Vec<&Told> = (0..told.len()).filter(|k| !right.contains(k)).map(|k| told[k]).collect();
        for kind in wrong.iter().map(|told| class(&told.cause, &told.variant)).collect::<BTreeSet<_>>() {
            self.classes.entry(kind).or_default().wrong += 1;
        }
        let families: BTreeSet<&str> = wrong.iter().map(|told| told.cause.as_str()).collect();
        for family in families.into_iter().filter(|family| faults.iter().all(|truth| truth.cause != *family))
        {
            self.families.entry(family.to_owned()).or_default().wrong += 1;
        }
        if faults.is_empty() {
            self.healthy.0 += wrong.len() as u32;
            self.healthy.1 += heard.transformer_days;
            if wrong.is_empty() {
                self.confuse(NOTHING, NOTHING);
            }
            for told in &wrong {
                self.confuse(NOTHING, &class(&told.cause, &told.variant));
            }
        } else {
            self.beside += wrong.len() as u32;
        }
        for (k, told) in told.iter().enumerate() {
            let tenth = (told.confidence * TENTHS as f64).clamp(0.0, TENTHS as f64 - 1.0) as usize;
            let of_class = self.sure.entry(class(&told.cause, &told.variant)).or_default();
            for bin in [&mut self.confidence[tenth], of_class] {
                bin.told += 1;
                bin.right += u32::from(right.contains(&k));
                bin.sum += told.confidence;
            }
        }
        self.repeats += repeats(&told);
        self.record(heard);
    }

    fn truth(&mut self, truth: &Truth, found: Option<&Told>, told: &[&Told], heard: &Heard) {
        if truth.hidden.is_some() {
            self.hidden.0 += 1;
            self.hidden.1 += u32::from(found.is_some());
            return;
        }
        let kind = class(truth.cause, truth.variant);
        let mine = self.classes.entry(kind.clone()).or_default();
        let same_family =
            told.iter().any(|told| told.cause == truth.cause && within(truth, told, &heard.struck));
        let family = self.families.entry(truth.cause.to_owned()).or_default();
        if same_family {
            family.found += 1;
        } else {
            family.missed += 1;
        }
        let Some(found) = found else {
            mine.missed += 1;
            let instead = told.iter().find(|told| within(truth, told, &heard.struck));
            let instead =
                instead.map_or_else(|| NOTHING.to_owned(), |told| class(&told.cause, &told.variant));
            self.confuse(&kind, &instead);
            return;
        };
        mine.found += 1;
        self.confuse(&kind, &kind);
        self.delays_s.push((found.raised - truth.from) as f64 / 1000.0);
        self.feeders.0 += 1;
        self.feeders.1 += u32::from(found.feeder == truth.feeder);
        if let Some(phase) = truth.phase {
            self.phases.0 += 1;
            self.phases.1 += u32::from(found.phase.as_deref() == Some(phase));
        }
    }

    fn record(&mut self, heard: &Heard) {
        let told: Vec<&Told> = heard.told.iter().filter(|told| told.cause == RECORD_ONLY).collect();
        let events = heard.truths.iter().filter(|truth| truth.cause == RECORD_ONLY && truth.hidden.is_none());
        for truth in events {
            self.events.0 += 1;
            self.events.1 += u32::from(told.iter().any(|told| fits(truth, told, &heard.struck)));
        }
        let wrong = |told: &&&Told| !heard.truths.iter().any(|truth| fits(truth, told, &heard.struck));
        self.wrong_events += told.iter().filter(wrong).count() as u32;
    }

    fn confuse(&mut self, truth: &str, told: &str) {
        *self.confusion.entry((truth.to_owned(), told.to_owned())).or_default() += 1;
    }

    /// Mean F1 of the classes that were true at least once; `None` without any.
    pub fn macro_f1(&self) -> Option<f64> {
        mean_f1(&self.classes)
    }

    /// The same by families.
    pub fn family_f1(&self) -> Option<f64> {
        mean_f1(&self.families)
    }
}

fn mean_f1(classes: &BTreeMap<String, Class>) -> Option<f64> {
    let true_ones = classes.values().filter(|class| class.found + class.missed > 0);
    let all: Vec<f64> = true_ones.filter_map(Class::f1).collect();
    (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
}

/// Findings that came again within an hour of the end of the same one.
fn repeats(told: &[&Told]) -> u32 {
    let same = |a: &Told, b: &Told| {
        (&a.cause, &a.variant, &a.transformer, &a.feeder) == (&b.cause, &b.variant, &b.transformer, &b.feeder)
    };
    let again = |later: &&&Told| {
        told.iter().any(|earlier| {
            same(earlier, later)
                && earlier.ended.is_some_and(|ended| later.raised >= ended && later.raised - ended < AGAIN_MS)
        })
    };
    told.iter().filter(again).count() as u32
}
