//! What the page with charts holds, and what it must never hold.

use super::tests::day_of;
use super::*;
use kvarden_core::digest::charts::LimitLine;
use kvarden_core::digest::{DayFigures, DayInput, LimitOn, MeterRows, MinuteValue};
use kvarden_core::output::Excursion;
use kvarden_core::plant::Bound;
use kvarden_core::time::Span;

const MINUTE: i64 = 60_000;
const NASTY: &str = "MP-3 <script>alert(1)</script> \"'&]]> --><style>";

/// A feeder under a nasty name, not measured from 06:00 to 10:00, with excursions in the afternoon.
fn page() -> String {
    super::html(&day(&[(90.0, Priority::High)]))
}

fn day(limits: &[(f64, Priority)]) -> FrozenDay {
    let series =
        [Place::A, Place::B, Place::C].map(|place| Quantity::at(Measurand::Termination, place)).to_vec();
    let line = |(setpoint, priority): &(f64, Priority)| LimitLine {
        bound: Bound::High,
        setpoint: *setpoint,
        priority: *priority,
        over: None,
    };
    let value = |minute: i64, column: usize| {
        let mean = 50.0 + column as f64 + minute as f64 / 200.0;
        let is_measured = !(360..600).contains(&minute);
        MinuteValue {
            mean,
            min: mean - 1.0,
            max: mean + 2.0,
            covered_ms: if is_measured { 60_000 } else { 0 },
        }
    };
    let meter = MeterRows {
        transformer: "T2".to_owned(),
        feeder: Some(NASTY.to_owned()),
        meter: NASTY.to_owned(),
        limits: limits.iter().map(|limit| LimitOn { quantity: series[0], line: line(limit) }).collect(),
        rolls_over_at: Vec::new(),
        shortest_event: None,
        rows: (0..1440)
            .map(|minute| (EventTime(minute * MINUTE), (0..3).map(|column| value(minute, column)).collect()))
            .collect(),
        series: series.clone(),
    };
    let excursion = |minute: i64| Excursion {
        subject: Subject {
            transformer: Some("T2".to_owned()),
            feeder: Some(NASTY.to_owned()),
            meter: Some(NASTY.to_owned()),
            matter: Matter::Quantity(series[0]),
        },
        bound: Bound::High,
        start: EventTime(minute * MINUTE),
        length: Span::seconds(3),
        peak: 93.0,
        setpoint: 90.0,
    };
    let (from, to) = (EventTime(0), EventTime(1440 * MINUTE));
    let hours: Vec<(EventTime, u8)> =
        (0..24).map(|hour| (EventTime(i64::from(hour) * 60 * MINUTE), hour)).collect();
    let excursions = [excursion(800), excursion(803), excursion(1100)];
    let input = DayInput {
        from,
        to,
        until: to,
        hours: &hours,
        changes: &[],
        excursions: &excursions,
        parallel: &[],
        quality: &[],
    };
    let mut day = day_of(DayFigures::new(&input, &[meter]));
    day.site = NASTY.to_owned();
    day.not_judged = vec![NASTY.to_owned()];
    day
}

/// Seen to fail with the meter's name put into the caption as `PreEscaped`.
#[test]
fn no_name_from_the_configuration_becomes_markup() {
    let page = page();
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"), "the name is shown");
    assert!(!page.contains("<script") && !page.contains("--><style>"), "{page}");
    // Within an attribute the quotation mark would end it.
    let label = page.split("aria-label=\"").nth(1).unwrap();
    assert!(label.contains("&quot;") && label.split('"').next().unwrap().contains("termination"), "{label}");
}

#[test]
fn the_page_needs_nothing_beside_it_and_runs_nothing() {
    let page = page();
    for outside in ["http://", "https://", "src=", "href=", "@import", "<link", "<iframe", "onload"] {
        assert!(!page.contains(outside), "{outside}");
    }
    let urls: Vec<&str> = page.split("url(").skip(1).map(|rest| rest.split(')').next().unwrap()).collect();
    assert!(urls.iter().all(|url| *url == "#gap"), "{urls:?}");
    assert!(page.contains("default-src 'none'") && page.contains("prefers-color-scheme:dark"));
    assert!(page.contains("@media print") && page.contains("width=device-width"));
}

#[test]
fn a_gap_is_hatched_and_breaks_the_line_and_every_chart_is_told_in_words() {
    let page = page();
    // 06:00 to 10:00 of a day 270 wide from 32 on: 99.5 to 144.5.
    assert!(page.contains("<path class=\"gap\" d=\"M99.5 12.0H144.5V98.0H99.5Z\">"), "{page}");
    let mean = page.split("class=\"mean a\" d=\"").nth(1).and_then(|rest| rest.split('"').next()).unwrap();
    assert_eq!(mean.matches('M').count(), 2, "the line is broken once: {mean}");
    assert!(mean.contains("L99.5 ") && mean.contains("M144.5 "), "it ends and begins at the gap: {mean}");
    for said in ["role=\"img\"", "3 excursions", "limit 90.0 °C (high)", "not measured for 17 % of the day"]
    {
        assert!(page.contains(said), "{said}: {page}");
    }
    // Colour is never alone: each line has its letter, and its own dashes in the style.
    for letter in ["A", "B", "C"] {
        let class = letter.to_lowercase();
        assert!(page.contains(&format!("class=\"l{class}\"")) && page.contains(&format!(">{letter}</text>")));
    }
    assert!(page.contains("svg .b{stroke:var(--b);stroke-dasharray:"));
}

/// Where the text of a limit stands: x and y.
fn label(page: &str, said: &str) -> Option<(f64, f64)> {
    let before = &page[..page.find(&format!(">{said}</text>"))?];
    let element = &before[before.rfind("<text")?..];
    let number = |key: &str| element.split(key).nth(1)?.split('"').next()?.parse().ok();
    Some((number(" x=\"")?, number(" y=\"")?))
}

/// Letters are 10.5 units high on paper (see the style), so two numbers nearer than that lie on each other.
#[test]
fn the_numbers_of_near_limits_stand_at_both_ends_and_never_on_each_other() {
    let page = super::html(&day(&[(60.0, Priority::Low), (61.9, Priority::High), (64.0, Priority::Urgent)]));
    let [low, high] = ["60.0 °C low", "61.9 °C high"].map(|said| label(&page, said).unwrap());
    assert!((low.1 - high.1).abs() < 10.5, "they are near: {low:?} {high:?}");
    assert!(low.0 < 100.0 && high.0 > 200.0, "one at each end: {low:?} {high:?}");
    if let Some(urgent) = label(&page, "64.0 °C urgent") {
        for other in [low, high] {
            let same_end = (other.0 - urgent.0).abs() < 1.0;
            assert!(!same_end || (other.1 - urgent.1).abs() >= 10.5, "{other:?} {urgent:?}");
        }
    }
}

/// 90 °C is 194 °F, by the definition of the scales; the day's own numbers stay in °C.
#[test]
fn a_site_that_reads_fahrenheit_has_its_charts_and_figures_in_it() {
    let mut day = day(&[(90.0, Priority::High)]);
    day.reads_fahrenheit = true;
    let page = super::html(&day);
    assert!(page.contains("limit 194.0 °F (high)") && !page.contains("°C"), "{page}");
    let ticks: Vec<f64> = page
        .split("text-anchor=\"end\">")
        .skip(1)
        .filter_map(|rest| rest.split('<').next()?.parse().ok())
        .collect();
    // Values from 49 to 61.2 °C are 120.2 to 142.2 °F.
    assert!(!ticks.is_empty() && ticks.iter().all(|tick| *tick > 100.0), "{ticks:?}");
    assert!(
        crate::digest::render(&day, crate::digest::Form::Json).contains("90.0"),
        "for programs in Celsius"
    );
    let text = super::text(&day);
    assert!(text.contains("°F") && !text.contains("°C"), "{text}");
}
