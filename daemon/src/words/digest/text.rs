//! The digest as plain text.

use super::super::advice;
use super::findings::FindingItem;
use super::{Extremes, Item, MOST_NEEDS, Page, differs};
use crate::digest::FrozenDay;
use kvarden_core::digest::{MeterDay, RecurrenceDay};
use kvarden_core::plant::Priority;
use std::fmt::Write;

/// Text is broken at this width, so that it reads on a phone and prints on paper.
const WIDTH: usize = 78;

/// Of the name of a measurand and of its peak: so wide at least that they line up under each other.
const COLUMN: usize = 30;

/// The whole digest as text.
pub fn text(day: &FrozenDay) -> String {
    let mut text = String::new();
    let page = Page::of(day);
    let _ = writeln!(text, "{}", page.with("digest-title", &[("site", &day.site), ("date", &page.date())]));
    let _ = writeln!(text, "{}", page.with("digest-times", &[("zone", &day.timezone)]));
    if let Some(revised) = page.revised() {
        let _ = writeln!(text, "{revised}");
    }
    if page.is_not_measured() {
        let _ = writeln!(text, "\n{}", page.say("digest-not-measured"));
    } else {
        head(&page.say("digest-in-short"), &mut text);
        for line in page.in_short() {
            let _ = writeln!(text, "  {line}");
        }
    }
    needs(&page, &mut text);
    findings(&page, &mut text);
    let alarms: Vec<Item> = page.alarms(false).map(|alarm| page.alarm(alarm)).collect();
    if !alarms.is_empty() {
        head(&page.say("digest-alarms"), &mut text);
        for alarm in &alarms {
            item(&page, alarm, &mut text);
        }
    }
    recurrences(&page, &mut text);
    for transformer in &day.transformers {
        head(transformer, &mut text);
        for meter in page.figures.meters.iter().filter(|meter| meter.transformer == *transformer) {
            meter_lines(&page, meter, &mut text);
        }
    }
    for (name, lines) in page.lists() {
        head(&name, &mut text);
        for line in &lines {
            paragraph(&mut text, line);
        }
    }
    head(&page.say("digest-caution"), &mut text);
    paragraph(&mut text, advice::caution_in_full(page.speech));
    head(&page.say("digest-cannot"), &mut text);
    paragraph(&mut text, &page.say("digest-unseen"));
    text
}

fn head(words: &str, text: &mut String) {
    let _ = writeln!(text, "\n{words}");
}

fn needs(page: &Page<'_>, text: &mut String) {
    let needs = page.needs();
    if needs.is_empty() {
        return;
    }
    head(&page.needs_head(), text);
    for need in needs.iter().take(MOST_NEEDS) {
        item(page, need, text);
    }
    if let Some(more) = page.needs_more(&needs) {
        let _ = writeln!(text, "  {more}");
    }
}

fn findings(page: &Page<'_>, text: &mut String) {
    let findings = page.findings();
    if !findings.is_empty() {
        head(&page.say("digest-findings"), text);
    }
    for FindingItem { item: named, more } in &findings {
        item(page, named, text);
        for line in more {
            broken(text, line, &" ".repeat(2 + rank_width(page) - 1));
        }
    }
}

/// So wide is the column of priorities.
fn rank_width(page: &Page<'_>) -> usize {
    let lengths = Priority::ALL.into_iter().map(|priority| page.rank(priority).chars().count());
    lengths.max().unwrap_or(0) + 1
}

fn item(page: &Page<'_>, item: &Item, text: &mut String) {
    let width = rank_width(page);
    let _ = writeln!(text, "  {:width$}{}", page.rank(item.priority).to_uppercase(), item.what);
    let _ = writeln!(text, "  {:width$}{}", "", item.said);
}

fn recurrences(page: &Page<'_>, text: &mut String) {
    if page.figures.recurrences.is_empty() {
        return;
    }
    head(&page.say("digest-recurrences"), text);
    for one in &page.figures.recurrences {
        let Some((what, when)) = page.recurrence(one) else { continue };
        let _ = writeln!(text, "  {what}");
        let _ = writeln!(text, "          {when}");
        if one.times > 1 {
            by_hour(page, one, text);
        }
    }
}

fn by_hour(page: &Page<'_>, one: &RecurrenceDay, text: &mut String) {
    let most = one.by_hour.iter().map(|(_, count)| *count).max().unwrap_or(1).max(1);
    for (hour, count) in &one.by_hour {
        let bar = "#".repeat((*count as usize * 40).div_ceil(most as usize));
        let _ = writeln!(text, "          {} {count:>5}  {bar}", page.hour(*hour));
    }
}

fn meter_lines(page: &Page<'_>, meter: &MeterDay, text: &mut String) {
    let _ = writeln!(text, "  {}: {}", page.meter(meter), page.measured(meter));
    if let Some(unseen) = page.unseen(meter) {
        let _ = writeln!(text, "    {unseen}");
    }
    let all: Vec<Extremes<'_>> = page.extremes(meter).collect();
    let longest = all.iter().map(|extremes| extremes.name().chars().count()).max();
    let width = longest.unwrap_or(0).max(COLUMN);
    for extremes in &all {
        measurand(page, meter, (extremes, width), text);
    }
}

/// One line for a measurand: of its places the one that went furthest.
fn measurand(
    page: &Page<'_>,
    meter: &MeterDay,
    (extremes, width): (&Extremes<'_>, usize),
    text: &mut String,
) {
    let (name, peak) = (extremes.name(), extremes.peak_at());
    let mean = || page.with("digest-mean", &[("value", &extremes.mean())]);
    let rest = extremes.least_at().unwrap_or_else(mean);
    let measured = extremes.highest.measured;
    let share = if differs(measured, meter.measured) {
        format!(" ({})", page.measured_share(measured))
    } else {
        String::new()
    };
    let _ = writeln!(text, "    {name:<width$} {peak:<COLUMN$} {rest}{share}");
}

fn paragraph(text: &mut String, words: &str) {
    broken(text, words, " ");
}

fn broken(text: &mut String, words: &str, before: &str) {
    let mut line = before.to_owned();
    for word in words.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(text, "{line}");
            before.clone_into(&mut line);
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(text, "{line}");
}
