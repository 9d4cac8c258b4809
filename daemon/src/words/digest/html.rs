//! The digest as one page of HTML: no script, nothing from outside, light and dark, for paper and for a phone. Whatever
//! comes from the configuration is escaped where it is put in.

use super::super::advice;
use super::chart::charts;
use super::{Item, MOST_NEEDS, NOT_SEEN, Page};
use crate::digest::FrozenDay;
use kvarden_core::digest::RecurrenceDay;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("style.css");

/// Nothing is fetched and nothing runs, whatever the page is made to say.
const ALLOWED: &str = "default-src 'none'; style-src 'unsafe-inline'";

/// The whole digest as a page of its own.
pub fn html(day: &FrozenDay) -> String {
    let page = Page::of(day);
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(ALLOWED);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (day.site) ": digest of " (day.date) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (head(&page))
                main {
                    (needs(&page))
                    (findings(&page))
                    @for transformer in &day.transformers { (drawn(&page, transformer)) }
                    (alarms(&page))
                    (recurrences(&page))
                    (page.figure_tables())
                    (list("Planned work", &page.works()))
                    (list("Alarms in figures, beside those of the standard", &page.asked()))
                    (list("Events without a fault", &page.events()))
                    (list("Counted on the day", &page.counters()))
                    (list("Ageing of insulation", &page.ageing()))
                    (list("Side by side: how transformers shared", &page.sharing()))
                    (list("Distortion against IEEE 519", &page.quality()))
                    (list("States", &page.states()))
                    (list("Recordings: readings kept around alarms", &page.recordings()))
                    (list("The watching itself", &page.watching()))
                    (list("Not judged, and why", &day.not_judged))
                }
                (cautions(day))
            }
        }
    };
    markup.into_string()
}

fn head(page: &Page<'_>) -> Markup {
    html! {
        header {
            p.site { (page.day.site) }
            h1 { "Digest of " (page.date()) }
            p.soft { "Times are local (" (page.day.timezone) "). Figures are over what was measured, with the share beside." }
            @if let Some(revised) = page.revised() { p.revised { (revised) } }
            @if page.is_not_measured() {
                p.revised { "Not measured: no meter gave a value on this day, so nothing could be judged." }
            } @else {
                ul.short { @for line in page.in_short() { li { (line) } } }
            }
            // The hatching of what was not measured, used by every chart.
            svg width="0" height="0" aria-hidden="true" style="position:absolute" {
                defs {
                    pattern id="gap" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                        path d="M0 0V5" {}
                    }
                }
            }
        }
    }
}

fn needs(page: &Page<'_>) -> Markup {
    let needs = page.needs();
    let more = needs.len().saturating_sub(MOST_NEEDS);
    let end =
        if page.figures.until < page.figures.to { "when the log ends" } else { "at the end of the day" };
    html! {
        section {
            h2 { "Needs a person " (end) }
            @if needs.is_empty() { p { "Nothing waited for a person." } }
            ul.needs { @for need in needs.iter().take(MOST_NEEDS) { (item(need)) } }
            @if more > 0 { p.soft { "and " (more) " more, of lower priority or later" } }
        }
    }
}

fn item(item: &Item) -> Markup {
    told(item, &[])
}

fn told(item: &Item, more: &[String]) -> Markup {
    let rank = item.priority.key();
    html! {
        li {
            span class={ "rank " (rank) } { (rank) }
            span.what { (item.what) }
            span.said { (item.said) }
            @for line in more { span.said { (line) } }
        }
    }
}

fn drawn(page: &Page<'_>, transformer: &str) -> Markup {
    let charts = charts(&page.figures.lines, transformer);
    html! {
        section {
            h2 { (transformer) }
            @if charts.is_empty() { p.soft { "Nothing to draw: no values, or a day kept before charts were." } }
            div.charts { @for chart in &charts { (page.chart(chart)) } }
        }
    }
}

fn findings(page: &Page<'_>) -> Markup {
    let findings = page.findings();
    html! {
        @if !findings.is_empty() {
            section {
                h2 { "Named causes, the most pressing first" }
                ul.items {
                    @for finding in &findings { (told(&finding.item, &finding.more)) }
                }
            }
        }
    }
}

fn alarms(page: &Page<'_>) -> Markup {
    let alarms: Vec<Item> = page.alarms(false).map(|alarm| page.alarm(alarm)).collect();
    html! {
        @if !alarms.is_empty() {
            section {
                h2 { "Alarms, the most pressing first" }
                ul.items { @for alarm in &alarms { (item(alarm)) } }
            }
        }
    }
}

fn recurrences(page: &Page<'_>) -> Markup {
    html! {
        @if !page.figures.recurrences.is_empty() {
            section {
                h2 { "Came and went (short excursions past the first limit)" }
                div.recur {
                    @for one in &page.figures.recurrences {
                        @if let Some((what, when)) = page.recurrence(one) {
                            div {
                                h3 { (what) }
                                p.soft { (when) }
                                @if one.times > 1 { (by_hour(one)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Excursions by the hour of the wall clock as bars, with the count above.
fn by_hour(one: &RecurrenceDay) -> Markup {
    let most = one.by_hour.iter().map(|(_, count)| *count).max().unwrap_or(1).max(1);
    let said: Vec<String> = one.by_hour.iter().map(|(hour, count)| format!("{hour:02} h: {count}")).collect();
    html! {
        svg.hours viewBox="0 0 320 46" role="img" aria-label={ "Excursions by hour: " (said.join(", ")) } {
            path.frame d="M4 34H316" {}
            @for (hour, count) in &one.by_hour {
                @let (x, height) = (4.0 + 13.0 * f64::from(*hour), 22.0 * f64::from(*count) / f64::from(most));
                path.bar d=(format!("M{:.1} 34V{:.1}H{:.1}V34Z", x + 1.5, 34.0 - height, x + 11.5)) {}
                text x=(format!("{:.1}", x + 6.5)) y=(format!("{:.1}", 32.0 - height)) text-anchor="middle" { (count) }
            }
            @for hour in [0, 6, 12, 18, 24] {
                text x=(4 + 13 * hour) y="44" text-anchor="middle" { (format!("{hour:02}")) }
            }
        }
    }
}

fn list(head: &str, lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            section {
                h2 { (head) }
                ul.plain { @for line in lines { li { (line) } } }
            }
        }
    }
}

fn cautions(day: &FrozenDay) -> Markup {
    html! {
        section.caution {
            h2 { "Before anyone acts on this" }
            p { (advice::caution_in_full()) }
            h2 { "What meters can't see" }
            p { (NOT_SEEN) }
        }
        p.foot {
            "Lines are means of ten minutes, the band reaches from the least to the largest value; hatched: not measured; a bar at the foot: \
             measured in part. Limits are those in force on the day. Made by Kvarden " (day.made_by) ", revision " (day.revision) " of this day."
        }
    }
}
