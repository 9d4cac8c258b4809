//! One chart as SVG: a band from least to largest, the mean as a line, limits, excursions as ticks over the hours, and
//! what was not measured as a hatched gap. Lines differ in dash and letter, never in colour alone.

use super::Page;
use super::axis::Axis;
use crate::words::names;
use crate::words::quantity as named;
use crate::words::unit::Scale;
use kvarden_core::digest::charts::{LimitLine, LineDay, STEP, StepValue};
use kvarden_core::measurand::{Measurand, Unit};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Bound, Priority};
use maud::{Markup, html};
use std::fmt::Write;

const WIDTH: f64 = 320.0;
const HEIGHT: f64 = 112.0;
const LEFT: f64 = 32.0;
const RIGHT: f64 = 302.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 98.0;
/// Letters keep this distance from each other.
const APART: f64 = 8.5;
/// The numbers of limits keep this distance: as high as they are on paper, where letters are larger (see the style).
const LABELS_APART: f64 = 11.0;
/// A limit is drawn where it makes the scale at most so many times longer than the values need; else it is only named.
const FAR: f64 = 2.5;
/// A gap of so many steps is wide enough to be named.
const NAMED_GAP: usize = 14;
/// A step measured to less than this, in per cent, is marked under the line.
const THIN: u8 = 90;

/// What is drawn together: the places of one quantity of one meter, and the ambient temperature with what it heats.
pub(super) struct Chart<'a> {
    pub(super) lines: Vec<&'a LineDay>,
    reference: Option<&'a LineDay>,
}

/// The charts of one transformer.
pub(super) fn charts<'a>(lines: &'a [LineDay], transformer: &str) -> Vec<Chart<'a>> {
    let mut charts: Vec<Chart<'a>> = Vec::new();
    let ours = || lines.iter().filter(|line| line.transformer == transformer);
    for line in ours() {
        let same = |chart: &&mut Chart<'a>| {
            let first = chart.lines[0];
            (&first.meter, first.quantity.what) == (&line.meter, line.quantity.what)
        };
        match charts.iter_mut().find(same) {
            Some(chart) => chart.lines.push(line),
            None => charts.push(Chart { lines: vec![line], reference: None }),
        }
    }
    let is_heated = |what| matches!(what, Measurand::Winding | Measurand::Termination);
    let ambient = |meter: &str| {
        ours().find(|line| {
            line.meter == meter && line.quantity.what == Measurand::Ambient && line.excursions.is_empty()
        })
    };
    for chart in charts.iter_mut().filter(|chart| is_heated(chart.lines[0].quantity.what)) {
        chart.reference = ambient(&chart.lines[0].meter);
    }
    let shown: Vec<&LineDay> = charts.iter().filter_map(|chart| chart.reference).collect();
    charts.retain(|chart| !shown.iter().any(|line| std::ptr::eq(*line, chart.lines[0])));
    charts
}

/// Where things lie in one chart.
struct Frame {
    /// In the unit in which people read it.
    axis: Axis,
    scale: Scale,
    length_ms: f64,
}

impl Frame {
    fn x(&self, since_ms: f64) -> f64 {
        LEFT + (RIGHT - LEFT) * (since_ms / self.length_ms).clamp(0.0, 1.0)
    }

    /// The left edge of a step.
    fn edge(&self, step: usize) -> f64 {
        self.x(step as f64 * STEP.0 as f64)
    }

    fn y(&self, value: f64) -> f64 {
        self.y_of_shown(self.scale.read(value))
    }

    /// Where a number of the axis lies.
    fn y_of_shown(&self, shown: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * self.axis.share(shown)
    }
}

impl Page<'_> {
    /// The chart with its caption.
    pub(super) fn chart(&self, chart: &Chart<'_>) -> Markup {
        let first = chart.lines[0];
        let name = names::measurand(first.quantity.what, self.speech);
        let said = self.chart_words(chart);
        let frame = self.frame(chart);
        let count: u32 = chart.lines.iter().flat_map(|line| &line.excursions).map(|(_, count)| count).sum();
        html! {
            figure {
                figcaption {
                    @if let Some(priority) = self.alarmed(first) { span class={ "rank " (priority.key()) } { (self.rank(priority)) } " " }
                    strong { (capital(name)) } " " span.of { (self.meter_named(&first.meter)) }
                    span.peak { (self.peak_words(chart)) @if count > 0 { " · " (self.excursions(count)) } }
                }
                svg.chart viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(said) {
                    (self.hours_grid(&frame))
                    (self.value_grid(&frame))
                    @for line in &chart.lines { (band(&frame, line)) }
                    (gaps(&frame, &chart.lines, &self.say("digest-gap")))
                    (self.limits(&frame, first))
                    @if let Some(line) = chart.reference { (mean(&frame, line, "ref")) }
                    @for line in &chart.lines { (mean(&frame, line, class(line.quantity.place))) }
                    (thin(&frame, first))
                    (ticks(&frame, &chart.lines))
                    (letters(&frame, chart, &self.say("digest-ambient")))
                }
            }
        }
    }

    /// The highest priority of the day's alarms on what is drawn.
    fn alarmed(&self, line: &LineDay) -> Option<Priority> {
        let alarms = self.figures.alarms.iter().filter(|alarm| {
            let subject = &alarm.subject;
            subject.meter.as_deref() == Some(&line.meter) && subject.measurand() == Some(line.quantity.what)
        });
        alarms.map(|alarm| alarm.priority).max()
    }

    fn frame(&self, chart: &Chart<'_>) -> Frame {
        let values = chart.lines.iter().copied().chain(chart.reference);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for step in values.flat_map(LineDay::steps).flatten() {
            (low, high) = (low.min(step.min), high.max(step.max));
        }
        if low > high {
            (low, high) = (0.0, 0.0);
        }
        let first = chart.lines[0];
        // Shares and currents mean something only from zero.
        let from_zero = matches!(first.quantity.what.facts().unit, Unit::Percent | Unit::Ampere);
        if from_zero {
            low = low.min(0.0);
        }
        let unit = 10f64.powi(-i32::from(first.decimals));
        let least = (high - low).max(10.0 * unit);
        for limit in &first.limits {
            let (lower, upper) = (low.min(limit.setpoint), high.max(limit.setpoint));
            if upper - lower <= FAR * least {
                (low, high) = (lower, upper);
            }
        }
        let length_ms = (self.figures.to - self.figures.from).0.max(1) as f64;
        let scale = Scale { what: first.quantity.what, shows: self.reads().shows };
        Frame { axis: Axis::over(scale.read(low), scale.read(high), 10.0 * unit), scale, length_ms }
    }

    /// Every sixth hour of the wall clock, with its number.
    fn hours_grid(&self, frame: &Frame) -> Markup {
        let hours = crate::digest::calendar::hours(self.day.date, &self.zone);
        let mut sixth: Vec<(f64, u8)> = hours
            .iter()
            .filter(|(_, hour)| hour % 6 == 0)
            .map(|(at, hour)| (frame.x((*at - self.figures.from).0 as f64), *hour))
            .collect();
        sixth.push((RIGHT, 24));
        html! {
            @for (x, hour) in sixth {
                path.grid d=(format!("M{x:.1} {TOP:.1}V{BOTTOM:.1}")) {}
                text x=(format!("{x:.1}")) y=(format!("{:.1}", HEIGHT - 3.0)) text-anchor="middle" { (format!("{hour:02}")) }
            }
        }
    }

    fn peak_words(&self, chart: &Chart<'_>) -> String {
        let what = chart.lines[0].quantity.what;
        let meter = self.figures.meters.iter().find(|meter| meter.meter == chart.lines[0].meter);
        let Some(extremes) = meter.and_then(|meter| super::Extremes::of(meter, what, self)) else {
            return String::new();
        };
        let said = [Some(extremes.peak_at()), extremes.least_at()];
        said.into_iter().flatten().collect::<Vec<String>>().join(", ")
    }

    /// How many ticks there are above the chart.
    fn excursions(&self, count: u32) -> String {
        let parts = [("count", &*count.to_string())];
        if count == 1 {
            self.with("digest-excursion", &parts)
        } else {
            self.with("digest-excursions", &parts)
        }
    }

    /// The chart for those who can't see it.
    fn chart_words(&self, chart: &Chart<'_>) -> String {
        let first = chart.lines[0];
        let names: Vec<String> = chart.lines.iter().map(|line| named(line.quantity, self.speech)).collect();
        let (meter, names) = (self.meter_named(&first.meter), names.join(", "));
        let of = self.with("digest-chart", &[("meter", &meter), ("names", &names)]);
        let mut said = format!("{of}: {}", self.peak_words(chart));
        for limit in &first.limits {
            let value = self.value(first.quantity, limit.setpoint);
            let parts = [("limit", value.as_str())];
            let limited = match limit.bound {
                Bound::Low => self.with("line-low-limit", &parts),
                Bound::High => self.with("line-limit", &parts),
            };
            let _ = write!(said, "; {limited} ({})", self.rank(limit.priority));
        }
        let count: u32 = chart.lines.iter().flat_map(|line| &line.excursions).map(|(_, count)| count).sum();
        if count > 0 {
            let count = count.to_string();
            let _ = write!(said, "; {}", self.with("digest-chart-excursions", &[("count", &count)]));
        }
        let steps = first.mean.len().max(1);
        let absent = first.mean.iter().filter(|mean| mean.is_none()).count();
        if absent > 0 {
            let share = super::percent(absent as f64 / steps as f64);
            let _ = write!(said, "; {}", self.with("digest-chart-not-measured", &[("share", &share)]));
        }
        said
    }
}

/// The class of a place: its colour and its dashes.
fn class(place: Place) -> &'static str {
    match place {
        Place::Whole | Place::A | Place::AB => "a",
        Place::B | Place::BC => "b",
        Place::C | Place::CA => "c",
        Place::N => "n",
    }
}

pub(super) fn capital(words: &str) -> String {
    let mut signs = words.chars();
    signs.next().map_or_else(String::new, |first| first.to_uppercase().chain(signs).collect())
}

/// Runs of steps that were measured: the first step and the values.
fn runs(line: &LineDay) -> Vec<(usize, Vec<StepValue>)> {
    let mut runs: Vec<(usize, Vec<StepValue>)> = Vec::new();
    for (step, value) in line.steps().enumerate() {
        let Some(value) = value else { continue };
        match runs.last_mut().filter(|(first, values)| first + values.len() == step) {
            Some((_, values)) => values.push(value),
            None => runs.push((step, vec![value])),
        }
    }
    runs
}

/// Points at the middle of each step, reaching to both edges of the run: a gap begins where nothing was measured.
fn points(frame: &Frame, first: usize, values: &[f64]) -> Vec<(f64, f64)> {
    let mut points = Vec::with_capacity(values.len() + 2);
    let (begin, end) = (frame.edge(first), frame.edge(first + values.len()));
    points.extend(values.first().map(|value| (begin, frame.y(*value))));
    for (step, value) in values.iter().enumerate() {
        let middle = f64::midpoint(frame.edge(first + step), frame.edge(first + step + 1));
        points.push((middle, frame.y(*value)));
    }
    points.extend(values.last().map(|value| (end, frame.y(*value))));
    points
}

fn path(points: &[(f64, f64)]) -> String {
    let mut path = String::new();
    for (index, (x, y)) in points.iter().enumerate() {
        let _ = write!(path, "{}{x:.1} {y:.1}", if index == 0 { 'M' } else { 'L' });
    }
    path
}

fn band(frame: &Frame, line: &LineDay) -> Markup {
    let mut outline = String::new();
    for (first, values) in runs(line) {
        let side =
            |of: fn(&StepValue) -> f64| points(frame, first, &values.iter().map(of).collect::<Vec<f64>>());
        let (mut upper, lower) = (side(|value| value.max), side(|value| value.min));
        upper.extend(lower.into_iter().rev());
        outline.push_str(&path(&upper));
        outline.push('Z');
    }
    html! { path class={ "band " (class(line.quantity.place)) } d=(outline) {} }
}

fn mean(frame: &Frame, line: &LineDay, class: &str) -> Markup {
    let lines: String = runs(line)
        .iter()
        .map(|(first, values)| {
            path(&points(frame, *first, &values.iter().map(|value| value.mean).collect::<Vec<f64>>()))
        })
        .collect();
    html! { path class={ "mean " (class) } d=(lines) {} }
}

/// Steps in which none of the lines was measured.
fn gaps(frame: &Frame, lines: &[&LineDay], name: &str) -> Markup {
    let count = lines[0].mean.len();
    let absent = |step: usize| lines.iter().all(|line| line.mean.get(step).is_none_or(Option::is_none));
    let mut gaps: Vec<(usize, usize)> = Vec::new();
    for step in (0..count).filter(|step| absent(*step)) {
        match gaps.last_mut().filter(|(first, length)| first + length == step) {
            Some((_, length)) => *length += 1,
            None => gaps.push((step, 1)),
        }
    }
    html! {
        @for (first, length) in gaps {
            @let (begin, end) = (frame.edge(first), frame.edge(first + length));
            path.gap d=(format!("M{begin:.1} {TOP:.1}H{end:.1}V{BOTTOM:.1}H{begin:.1}Z")) {}
            @if length >= NAMED_GAP {
                text x=(format!("{:.1}", f64::midpoint(begin, end))) y=(format!("{:.1}", f64::midpoint(TOP, BOTTOM))) text-anchor="middle" { (name) }
            }
        }
    }
}

/// Steps that were measured in part only: a bar at the foot of the chart.
fn thin(frame: &Frame, line: &LineDay) -> Markup {
    let mut step = 0usize;
    let mut bars = String::new();
    for (steps, share) in &line.measured {
        let next = step + usize::from(*steps);
        if (1..THIN).contains(share) {
            let (begin, end, top) = (frame.edge(step), frame.edge(next), BOTTOM - 2.5);
            let _ = write!(bars, "M{begin:.1} {top:.1}H{end:.1}V{BOTTOM:.1}H{begin:.1}Z");
        }
        step = next;
    }
    html! { @if !bars.is_empty() { path.thin d=(bars) {} } }
}

impl Page<'_> {
    fn value_grid(&self, frame: &Frame) -> Markup {
        let unit = frame.scale.symbol();
        html! {
            @for tick in &frame.axis.ticks {
                @let y = frame.y_of_shown(*tick);
                path.grid d=(format!("M{LEFT:.1} {y:.1}H{RIGHT:.1}")) {}
                text x=(format!("{:.1}", LEFT - 3.0)) y=(format!("{:.1}", y + 3.0)) text-anchor="end" { (self.speech.digits(&format!("{tick:.*}", frame.axis.decimals))) }
            }
            text x=(format!("{:.1}", LEFT - 3.0)) y="7.0" text-anchor="end" { (unit) }
            path.frame d=(format!("M{LEFT:.1} {TOP:.1}V{BOTTOM:.1}H{RIGHT:.1}")) {}
        }
    }

    /// Limits within the scale, each with its number where there is room for it: at the left, or else at the right.
    fn limits(&self, frame: &Frame, line: &LineDay) -> Markup {
        let within = |limit: &&LimitLine| {
            (frame.axis.low..=frame.axis.high).contains(&frame.scale.read(limit.setpoint))
        };
        let mut drawn: Vec<(f64, &LimitLine, Option<Side>)> = Vec::new();
        for limit in line.limits.iter().filter(within) {
            let y = frame.y(limit.setpoint);
            let free = |side: &Side| {
                drawn
                    .iter()
                    .all(|(other, _, named)| *named != Some(*side) || (other - y).abs() >= LABELS_APART)
            };
            let side = [Side::Left, Side::Right].into_iter().find(free);
            if drawn.iter().all(|(other, ..)| (other - y).abs() > 0.05) {
                drawn.push((y, limit, side));
            }
        }
        let named = drawn.iter().filter_map(|(y, limit, side)| Some((y, limit, (*side)?)));
        // Every line before any number: a number breaks the lines that it lies on.
        html! {
            @for (y, limit, _) in &drawn {
                path class={ "limit " (limit.priority.key()) } d=(format!("M{LEFT:.1} {y:.1}H{RIGHT:.1}")) {}
            }
            @for (y, limit, side) in named {
                @let (x, anchor) = side.place();
                text.limits x=(format!("{x:.1}")) y=(format!("{:.1}", y - 2.0)) text-anchor=(anchor) {
                    (self.value(line.quantity, limit.setpoint)) " " (self.rank(limit.priority))
                }
            }
        }
    }
}

/// At which end of its line a limit has its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Left,
    Right,
}

impl Side {
    /// Where its text stands, and by which end it hangs there.
    fn place(self) -> (f64, &'static str) {
        match self {
            Self::Left => (LEFT + 3.0, "start"),
            Self::Right => (RIGHT - 3.0, "end"),
        }
    }
}

/// Excursions over the hours: the more in a step, the longer the tick.
fn ticks(frame: &Frame, lines: &[&LineDay]) -> Markup {
    let mut strokes = String::new();
    for (step, count) in lines.iter().flat_map(|line| &line.excursions) {
        let step = usize::from(*step);
        let x = f64::midpoint(frame.edge(step), frame.edge(step + 1));
        let length = 4.0 + f64::from((*count).min(4));
        let _ = write!(strokes, "M{x:.1} {:.1}v-{length:.1}", TOP - 2.0);
    }
    html! { @if !strokes.is_empty() { path.tick d=(strokes) {} } }
}

/// Letters of the places at the ends of their lines, kept apart.
fn letters(frame: &Frame, chart: &Chart<'_>, ambient: &str) -> Markup {
    let places = chart.lines.iter().filter(|_| chart.lines.len() > 1);
    let mut letters: Vec<(f64, String, &str)> = places
        .filter_map(|line| {
            let last = line.steps().flatten().last()?;
            Some((frame.y(last.mean) + 3.0, line.quantity.place.to_string(), class(line.quantity.place)))
        })
        .collect();
    if let Some(last) = chart.reference.and_then(|line| line.steps().flatten().last()) {
        letters.push((frame.y(last.mean) + 3.0, ambient.to_owned(), "ref"));
    }
    letters.sort_by(|one, other| one.0.total_cmp(&other.0));
    for index in 1..letters.len() {
        letters[index].0 = letters[index].0.max(letters[index - 1].0 + APART);
    }
    // What was pushed out at the foot pushes the others up.
    let mut lowest = BOTTOM + 2.0;
    for letter in letters.iter_mut().rev() {
        letter.0 = letter.0.min(lowest);
        lowest = letter.0 - APART;
    }
    html! {
        @for (y, letter, class) in letters {
            text class={ "l" (class) } x=(format!("{:.1}", RIGHT + 2.0)) y=(format!("{y:.1}")) { (letter) }
        }
    }
}
