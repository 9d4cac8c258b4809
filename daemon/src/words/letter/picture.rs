//! The one picture of a letter: the last hours of what the alert is about, with the limit drawn in. Drawn as SVG and made
//! PNG here, since mail programs show no SVG; letters by the one font that is shipped.

use crate::words::digest::axis::Axis;
use crate::words::plot::Plot;
use crate::words::speech::Speech;
use crate::words::time::{local, moment_in, weekday};
use jiff::tz::TimeZone;
use kvarden_core::plant::Bound;
use kvarden_core::time::EventTime;
use maud::{Markup, html};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};
use std::fmt::Write;
use std::sync::{Arc, LazyLock};

const WIDTH: f64 = 600.0;
const HEIGHT: f64 = 250.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 586.0;
const TOP: f64 = 40.0;
const BOTTOM: f64 = 218.0;
/// Columns into which the values are gathered: a line needs no more, whatever was recorded.
const COLUMNS: usize = 262;
/// Dots of the picture for one of its own units: sharp on a phone, some 20 kB.
const DOTS: f32 = 2.0;
/// Where so many times the usual step lies between two values, nothing was measured and nothing is drawn.
const GAP: i64 = 4;
/// About so many times stand below.
const MOST_TIMES: i64 = 6;
/// From one time to the next, in minutes.
const STEPS: &[i64] = &[1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440];

static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(include_bytes!("../fonts/chart.ttf").to_vec());
    Arc::new(fonts)
});

/// A picture with its words for those who can't see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// The bytes of a PNG file.
    pub png: Vec<u8>,
    /// What it shows.
    pub words: String,
}

/// Draws it; nothing where there are not two moments with a value. `since`: when the alert began. Takes some tens of
/// milliseconds: not for the thread that reads meters.
pub fn picture(plot: &Plot, since: Option<EventTime>, speech: Speech, zone: &TimeZone) -> Option<Picture> {
    let frame = Frame::of(plot)?;
    let svg = frame.svg(plot, since, speech, zone).into_string();
    let options =
        Options { font_family: "DejaVu Sans".to_owned(), fontdb: Arc::clone(&FONTS), ..Options::default() };
    let tree = Tree::from_str(&svg, &options).ok()?;
    let mut dots = Pixmap::new((WIDTH as f32 * DOTS) as u32, (HEIGHT as f32 * DOTS) as u32)?;
    resvg::render(&tree, Transform::from_scale(DOTS, DOTS), &mut dots.as_mut());
    Some(Picture { png: dots.encode_png().ok()?, words: frame.words(plot, speech, zone) })
}

/// Where things lie.
struct Frame {
    from: EventTime,
    to: EventTime,
    axis: Axis,
    least: f64,
    most: f64,
}

impl Frame {
    fn of(plot: &Plot) -> Option<Self> {
        let known = || plot.points.iter().filter(|(_, value)| value.is_finite());
        let (from, to) = (known().next()?.0, known().next_back()?.0);
        if to <= from {
            return None;
        }
        let ends = |(low, high): (f64, f64), value: f64| (low.min(value), high.max(value));
        let (least, most) = known().map(|(_, value)| *value).fold((f64::MAX, f64::MIN), ends);
        let (low, high) = plot.limit.into_iter().fold((least, most), ends);
        let unit = 10f64.powi(-i32::try_from(plot.decimals).unwrap_or(0));
        Some(Self { from, to, axis: Axis::over(low, high, 10.0 * unit), least, most })
    }

    fn x(&self, at: EventTime) -> f64 {
        let share = (at - self.from).0 as f64 / (self.to - self.from).0 as f64;
        LEFT + (RIGHT - LEFT) * share.clamp(0.0, 1.0)
    }

    fn y(&self, value: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * self.axis.share(value)
    }

    fn svg(&self, plot: &Plot, since: Option<EventTime>, speech: Speech, zone: &TimeZone) -> Markup {
        let begun = since.filter(|since| (self.from..=self.to).contains(since));
        html! {
            svg xmlns="http://www.w3.org/2000/svg" viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } width=(WIDTH) height=(HEIGHT) font-family="DejaVu Sans" font-size="13" fill="#1b1f24" {
                rect width=(WIDTH) height=(HEIGHT) fill="#ffffff" {}
                text x="8" y="19" font-size="14" { (plot.title) }
                @for tick in &self.axis.ticks {
                    @let y = self.y(*tick);
                    path d=(format!("M{LEFT:.1} {y:.1}H{RIGHT:.1}")) stroke="#d5dae0" fill="none" {}
                    text x=(format!("{:.1}", LEFT - 7.0)) y=(format!("{:.1}", y + 4.5)) text-anchor="end" { (speech.digits(&format!("{tick:.*}", self.axis.decimals))) }
                }
                @for (at, words) in self.times(zone, speech) {
                    @let x = self.x(at);
                    path d=(format!("M{x:.1} {BOTTOM:.1}v5")) stroke="#5b6570" fill="none" {}
                    text x=(format!("{x:.1}")) y=(format!("{:.1}", BOTTOM + 20.0)) text-anchor="middle" { (words) }
                }
                path d=(format!("M{LEFT:.1} {TOP:.1}V{BOTTOM:.1}H{RIGHT:.1}")) stroke="#5b6570" fill="none" {}
                @if let Some(begun) = begun {
                    @let x = self.x(begun);
                    @let late = x > f64::midpoint(LEFT, RIGHT);
                    path d=(format!("M{x:.1} {TOP:.1}V{BOTTOM:.1}")) stroke="#1b1f24" stroke-dasharray="2 3" fill="none" {}
                    text x=(format!("{:.1}", if late { x - 5.0 } else { x + 5.0 })) y=(format!("{:.1}", TOP - 5.0)) text-anchor=(if late { "end" } else { "start" }) { (speech.with("picture-since", &[("at", &moment_in(begun, self.to, zone, speech))])) }
                }
                path d=(self.line(plot)) stroke="#0b5cad" stroke-width="1.8" stroke-linejoin="round" stroke-linecap="round" fill="none" {}
                @if let Some(limit) = plot.limit {
                    @let y = self.y(limit);
                    @let above = y - TOP > 18.0;
                    path d=(format!("M{LEFT:.1} {y:.1}H{RIGHT:.1}")) stroke="#a4262c" stroke-width="1.6" stroke-dasharray="9 4" fill="none" {}
                    text x=(format!("{:.1}", LEFT + 6.0)) y=(format!("{:.1}", if above { y - 5.0 } else { y + 15.0 })) fill="#a4262c" stroke="#ffffff" stroke-width="3" stroke-linejoin="round" paint-order="stroke" { (limit_words(plot, limit, speech)) }
                }
            }
        }
    }

    /// The values as one path: of each column the least and the largest, broken where nothing was measured.
    fn line(&self, plot: &Plot) -> String {
        let mut columns: Vec<Option<(f64, f64)>> = vec![None; COLUMNS];
        let mut steps: Vec<i64> = plot.points.windows(2).map(|pair| (pair[1].0 - pair[0].0).0).collect();
        steps.sort_unstable();
        let usual = steps.get(steps.len() / 2).copied().unwrap_or(1).max(1);
        let column = |at: EventTime| {
            let share = (at - self.from).0 as f64 / (self.to - self.from).0 as f64;
            ((share * (COLUMNS - 1) as f64).round() as usize).min(COLUMNS - 1)
        };
        let mut gaps = vec![false; COLUMNS];
        let mut last: Option<EventTime> = None;
        for (at, value) in plot.points.iter().filter(|(_, value)| value.is_finite()) {
            let place = column(*at);
            if last.is_some_and(|last| (*at - last).0 > GAP * usual && column(last) != place) {
                gaps[place] = true;
            }
            last = Some(*at);
            let (low, high) = columns[place].unwrap_or((*value, *value));
            columns[place] = Some((low.min(*value), high.max(*value)));
        }
        let mut path = String::new();
        for (place, (low, high)) in columns.iter().enumerate().filter_map(|(at, ends)| Some((at, (*ends)?))) {
            let x = LEFT + (RIGHT - LEFT) * place as f64 / (COLUMNS - 1) as f64;
            let pen = if path.is_empty() || gaps[place] { 'M' } else { 'L' };
            let _ = write!(path, "{pen}{x:.1} {:.1}L{x:.1} {:.1}", self.y(low), self.y(high));
        }
        path
    }

    /// Round times of the wall clock below the line.
    fn times(&self, zone: &TimeZone, speech: Speech) -> Vec<(EventTime, String)> {
        let length = (self.to - self.from).0;
        let minute = 60_000;
        let step = STEPS.iter().map(|step| step * minute).find(|step| length / step <= MOST_TIMES);
        let step = step.unwrap_or(length.max(1));
        let ahead = i64::from(local(self.from, zone).offset().seconds()) * 1000;
        let first = (self.from.0 + ahead).div_euclid(step) + 1;
        let times = (first..).map(|count| EventTime(count * step - ahead)).take_while(|at| *at <= self.to);
        let form = if step >= 1440 * minute { "%d" } else { "%H:%M" };
        let words = |at| {
            let at = local(at, zone);
            let said = at.strftime(form).to_string();
            if step >= 1440 * minute { format!("{} {said}", weekday(&at, speech)) } else { said }
        };
        times.map(|at| (at, words(at))).collect()
    }

    fn words(&self, plot: &Plot, speech: Speech, zone: &TimeZone) -> String {
        let number = |value: f64| speech.digits(&format!("{value:.*}", plot.decimals));
        let (from, to) =
            (moment_in(self.from, self.to, zone, speech), moment_in(self.to, self.to, zone, speech));
        let (least, most) = (number(self.least), number(self.most));
        let said: [(&str, &str); 5] =
            [("what", &plot.title), ("from", &from), ("to", &to), ("least", &least), ("most", &most)];
        match plot.limit {
            None => speech.with("picture-alt", &said),
            Some(limit) => {
                let limit = number(limit);
                let said: Vec<(&str, &str)> = said.into_iter().chain([("limit", limit.as_str())]).collect();
                speech.with("picture-alt-limit", &said)
            }
        }
    }
}

fn limit_words(plot: &Plot, limit: f64, speech: Speech) -> String {
    let limit = speech.digits(&format!("{limit:.*}", plot.decimals));
    match plot.bound {
        Bound::High => speech.with("picture-limit", &[("limit", &limit)]),
        Bound::Low => speech.with("picture-low-limit", &[("limit", &limit)]),
    }
}
