//! The digest as one page of HTML: no script, nothing from outside, light and dark, for paper and for a phone. Whatever
//! comes from the configuration is escaped where it is put in.

use super::super::advice;
use super::chart::charts;
use super::{Item, MOST_NEEDS, Page};
use crate::digest::FrozenDay;
use crate::words::time::date_in_figures;
use kvarden_core::digest::RecurrenceDay;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("style.css");

/// Nothing is fetched and nothing runs, whatever the page is made to say.
const ALLOWED: &str = "default-src 'none'; style-src 'unsafe-inline'";

/// The whole digest as a page of its own.
pub fn html(day: &FrozenDay) -> String {
    let page = Page::of(day);
    let date = date_in_figures(day.date, page.speech);
    let markup = html! {
        (DOCTYPE)
        html lang=(page.speech.language()) {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(ALLOWED);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (page.with("digest-title", &[("site", &day.site), ("date", &date)])) }
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
                    @for (head, lines) in page.lists() { (list(&head, &lines)) }
                }
                (cautions(&page))
            }
        }
    };
    markup.into_string()
}

fn head(page: &Page<'_>) -> Markup {
    html! {
        header {
            p.site { (page.day.site) }
            h1 { (page.with("digest-head", &[("date", &page.date())])) }
            p.soft { (page.with("digest-times", &[("zone", &page.day.timezone)])) }
            @if let Some(revised) = page.revised() { p.revised { (revised) } }
            @if page.is_not_measured() {
                p.revised { (page.say("digest-not-measured")) }
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
    html! {
        section {
            h2 { (page.needs_head()) }
            @if needs.is_empty() { p { (page.say("digest-needs-none")) } }
            ul.needs { @for need in needs.iter().take(MOST_NEEDS) { (item(page, need)) } }
            @if let Some(more) = page.needs_more(&needs) { p.soft { (more) } }
        }
    }
}

fn item(page: &Page<'_>, item: &Item) -> Markup {
    told(page, item, &[])
}

fn told(page: &Page<'_>, item: &Item, more: &[String]) -> Markup {
    html! {
        li {
            span class={ "rank " (item.priority.key()) } { (page.rank(item.priority)) }
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
            @if charts.is_empty() { p.soft { (page.say("digest-nothing-drawn")) } }
            div.charts { @for chart in &charts { (page.chart(chart)) } }
        }
    }
}

fn findings(page: &Page<'_>) -> Markup {
    let findings = page.findings();
    html! {
        @if !findings.is_empty() {
            section {
                h2 { (page.say("digest-findings")) }
                ul.items {
                    @for finding in &findings { (told(page, &finding.item, &finding.more)) }
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
                h2 { (page.say("digest-alarms")) }
                ul.items { @for alarm in &alarms { (item(page, alarm)) } }
            }
        }
    }
}

fn recurrences(page: &Page<'_>) -> Markup {
    html! {
        @if !page.figures.recurrences.is_empty() {
            section {
                h2 { (page.say("digest-recurrences")) }
                div.recur {
                    @for one in &page.figures.recurrences {
                        @if let Some((what, when)) = page.recurrence(one) {
                            div {
                                h3 { (what) }
                                p.soft { (when) }
                                @if one.times > 1 { (by_hour(page, one)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Excursions by the hour of the wall clock as bars, with the count above.
fn by_hour(page: &Page<'_>, one: &RecurrenceDay) -> Markup {
    let most = one.by_hour.iter().map(|(_, count)| *count).max().unwrap_or(1).max(1);
    let said = one.by_hour.iter().map(|(hour, count)| format!("{}: {count}", page.hour(*hour)));
    let said = said.collect::<Vec<String>>().join(", ");
    html! {
        svg.hours viewBox="0 0 320 46" role="img" aria-label=(page.with("digest-by-hour", &[("hours", &said)])) {
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
        section {
            h2 { (head) }
            ul.plain { @for line in lines { li { (line) } } }
        }
    }
}

fn cautions(page: &Page<'_>) -> Markup {
    let revision = page.day.revision.to_string();
    html! {
        section.caution {
            h2 { (page.say("digest-caution")) }
            p { (advice::caution_in_full(page.speech)) }
            h2 { (page.say("digest-cannot")) }
            p { (page.say("digest-unseen")) }
        }
        p.foot { (page.with("digest-foot", &[("version", &page.day.made_by), ("revision", &revision)])) }
    }
}
