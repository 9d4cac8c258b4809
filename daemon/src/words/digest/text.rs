//! The digest as plain text.

use super::super::advice;
use super::findings::FindingItem;
use super::{
    Extremes, Item, MOST_NEEDS, NOT_SEEN, Page, TOLD, differs, least_matters, measured_words, meter_words,
    percent, unseen_words, value,
};
use crate::digest::FrozenDay;
use kvarden_core::digest::{MeterDay, RecurrenceDay};
use std::fmt::Write;

/// Text is broken at this width, so that it reads on a phone and prints on paper.
const WIDTH: usize = 78;

/// The whole digest as text.
pub fn text(day: &FrozenDay) -> String {
    let mut text = String::new();
    let page = Page::of(day);
    let _ = writeln!(text, "{}: digest of {}", day.site, page.date());
    let _ = writeln!(
        text,
        "Times are local ({}). Figures are over what was measured, with the share beside.",
        day.timezone
    );
    if let Some(revised) = page.revised() {
        let _ = writeln!(text, "{revised}");
    }
    if page.is_not_measured() {
        let _ =
            writeln!(text, "\nNot measured: no meter gave a value on this day, so nothing could be judged.");
    } else {
        let _ = writeln!(text, "\nIn short");
        for line in page.in_short() {
            let _ = writeln!(text, "  {line}");
        }
    }
    needs(&page, &mut text);
    findings(&page, &mut text);
    let alarms: Vec<Item> = page.alarms(false).map(|alarm| page.alarm(alarm)).collect();
    if !alarms.is_empty() {
        let _ = writeln!(text, "\nAlarms, the most pressing first");
        for alarm in &alarms {
            item(alarm, &mut text);
        }
    }
    recurrences(&page, &mut text);
    for transformer in &day.transformers {
        let _ = writeln!(text, "\n{transformer}");
        for meter in page.figures.meters.iter().filter(|meter| meter.transformer == *transformer) {
            meter_lines(&page, meter, &mut text);
        }
    }
    list("Planned work", &page.works(), &mut text);
    list("Alarms in figures, beside those of the standard", &page.asked(), &mut text);
    list("Events without a fault", &page.events(), &mut text);
    list("Counted on the day", &page.counters(), &mut text);
    list("Ageing of insulation", &page.ageing(), &mut text);
    list("Side by side: how transformers shared", &page.sharing(), &mut text);
    list("Distortion against IEEE 519", &page.quality(), &mut text);
    list("States", &page.states(), &mut text);
    list("Recordings: readings kept around alarms", &page.recordings(), &mut text);
    list("The watching itself", &page.watching(), &mut text);
    list("Not judged, and why", &day.not_judged, &mut text);
    let _ = writeln!(text, "\nBefore anyone acts on this");
    paragraph(&mut text, advice::caution_in_full());
    let _ = writeln!(text, "\nWhat meters can't see");
    paragraph(&mut text, NOT_SEEN);
    text
}

fn list(head: &str, lines: &[String], text: &mut String) {
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(text, "\n{head}");
    for line in lines {
        paragraph(text, line);
    }
}

fn needs(page: &Page<'_>, text: &mut String) {
    let needs = page.needs();
    if needs.is_empty() {
        return;
    }
    let end =
        if page.figures.until < page.figures.to { "when the log ends" } else { "at the end of the day" };
    let _ = writeln!(text, "\nNeeds a person {end}");
    for need in needs.iter().take(MOST_NEEDS) {
        item(need, text);
    }
    let more = needs.len().saturating_sub(MOST_NEEDS);
    if more > 0 {
        let _ = writeln!(text, "  and {more} more, of lower priority or later");
    }
}

fn findings(page: &Page<'_>, text: &mut String) {
    let findings = page.findings();
    if !findings.is_empty() {
        let _ = writeln!(text, "\nNamed causes, the most pressing first");
    }
    for FindingItem { item: named, more } in &findings {
        item(named, text);
        for line in more {
            indented(text, line);
        }
    }
}

fn item(item: &Item, text: &mut String) {
    let _ = writeln!(text, "  {:8}{}", item.priority.key().to_uppercase(), item.what);
    let _ = writeln!(text, "          {}", item.said);
}

fn recurrences(page: &Page<'_>, text: &mut String) {
    if page.figures.recurrences.is_empty() {
        return;
    }
    let _ = writeln!(text, "\nCame and went (short excursions past the first limit)");
    for one in &page.figures.recurrences {
        let Some((what, when)) = page.recurrence(one) else { continue };
        let _ = writeln!(text, "  {what}");
        let _ = writeln!(text, "          {when}");
        if one.times > 1 {
            by_hour(one, text);
        }
    }
}

fn by_hour(one: &RecurrenceDay, text: &mut String) {
    let most = one.by_hour.iter().map(|(_, count)| *count).max().unwrap_or(1).max(1);
    for (hour, count) in &one.by_hour {
        let bar = "#".repeat((*count as usize * 40).div_ceil(most as usize));
        let _ = writeln!(text, "          {hour:02} h {count:>5}  {bar}");
    }
}

fn meter_lines(page: &Page<'_>, meter: &MeterDay, text: &mut String) {
    let name = meter_words(&meter.meter, meter.feeder.as_deref());
    let _ = writeln!(text, "  {name}: {}", measured_words(meter));
    if let Some(unseen) = unseen_words(meter) {
        let _ = writeln!(text, "    {unseen}");
    }
    for extremes in TOLD.iter().filter_map(|what| Extremes::of(meter, *what, page.shows())) {
        measurand(page, meter, &extremes, text);
    }
}

/// One line for a measurand: of its places the one that went furthest.
fn measurand(page: &Page<'_>, meter: &MeterDay, extremes: &Extremes<'_>, text: &mut String) {
    let (highest, lowest) = (extremes.highest, extremes.lowest);
    let peak = format!("peak {} at {}", extremes.most(), page.clock(highest.max_at));
    let rest = if least_matters(highest.quantity.what) {
        format!("least {} at {}", extremes.least(), page.clock(lowest.min_at))
    } else {
        format!("mean {}", value(highest.quantity, highest.mean, page.shows()))
    };
    let share = if differs(highest.measured, meter.measured) {
        format!(" (measured {} of the day)", percent(highest.measured))
    } else {
        String::new()
    };
    let name = highest.quantity.what.facts().words;
    let _ = writeln!(text, "    {name:<30} {peak:<30} {rest}{share}");
}

fn paragraph(text: &mut String, words: &str) {
    broken(text, words, " ");
}

/// Under the head of an item.
fn indented(text: &mut String, words: &str) {
    broken(text, words, "         ");
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
