//! The figures as text.

use super::figures::{Bin, Class, Figures, NOTHING};
use std::fmt::Write as _;

const DAYS_OF_A_YEAR: f64 = 365.25;

/// A text with all figures. `title` stands above it.
pub fn table(title: &str, figures: &Figures) -> String {
    let mut text = format!("## {title}: {} scenarios\n\n", figures.scenarios);
    let share = |(all, right): (u32, u32)| {
        if all == 0 { "none".to_owned() } else { format!("{right} of {all} ({:.1} %)", percent(right, all)) }
    };
    let f1 = |value: Option<f64>| value.map_or_else(|| "none".to_owned(), |value| format!("{value:.3}"));
    let _ = writeln!(text, "macro-F1 by cause and variant   {}", f1(figures.macro_f1()));
    let _ = writeln!(text, "macro-F1 by family              {}", f1(figures.family_f1()));
    let _ = writeln!(text, "right feeder, of those found    {}", share(figures.feeders));
    let _ = writeln!(text, "right phase, of those found     {}", share(figures.phases));
    let (false_ones, days) = figures.healthy;
    let _ = writeln!(
        text,
        "false findings on healthy days  {false_ones} in {days:.0} transformer-days ({:.3} a day, {:.1} a year)",
        if days > 0.0 { f64::from(false_ones) / days } else { 0.0 },
        if days > 0.0 { f64::from(false_ones) / days * DAYS_OF_A_YEAR } else { 0.0 },
    );
    let _ = writeln!(text, "wrong beside a true cause       {}", figures.beside);
    let _ = writeln!(text, "the same again within an hour   {}", figures.repeats);
    let _ = writeln!(
        text,
        "events for the record, told     {}; {} where there was none",
        share(figures.events),
        figures.wrong_events
    );
    let _ = writeln!(
        text,
        "can't be seen by these meters   {}; found all the same {}",
        figures.hidden.0, figures.hidden.1
    );
    if !figures.delays_s.is_empty() {
        let _ = writeln!(
            text,
            "delay to the finding            half within {}, nine in ten within {}",
            span(at_rank(&figures.delays_s, 0.5)),
            span(at_rank(&figures.delays_s, 0.9))
        );
    }
    text.push_str("\nconfidence (mean)    told  right  share that is right\n");
    for (tenth, bin) in figures.confidence.iter().enumerate().filter(|(_, bin)| bin.told > 0) {
        let (from, mean) = (tenth as f64 / 10.0, bin.sum / f64::from(bin.told));
        let share = f64::from(bin.right) / f64::from(bin.told);
        let span = format!("{from:.1} to {:.1} ({mean:.2})", from + 0.1);
        let _ = writeln!(text, "{span:<19} {:>5} {:>6}  {share:.2}", bin.told, bin.right);
    }
    text.push_str(
        "\ncause                            found missed wrong    F1   findings right, told with\n",
    );
    for (name, class) in &figures.classes {
        row(&mut text, name, class, figures.sure.get(name).copied().unwrap_or_default());
    }
    text.push_str("\ntrue cause → what was told (where it is not the cause itself)\n");
    for ((truth, told), count) in &figures.confusion {
        if truth != told {
            let _ = writeln!(text, "{count:>5}  {truth} → {told}");
        }
    }
    let quiet = figures.confusion.get(&(NOTHING.to_owned(), NOTHING.to_owned())).copied().unwrap_or(0);
    let _ = writeln!(text, "{quiet:>5}  healthy scenarios without a finding");
    text
}

fn row(text: &mut String, name: &str, class: &Class, told: Bin) {
    let f1 = class.f1().map_or_else(String::new, |value| format!("{value:.3}"));
    let (all, right) = (told.told, told.right);
    let mean = if all > 0 { told.sum / f64::from(all) } else { 0.0 };
    let Class { found, missed, wrong } = class;
    let _ = writeln!(
        text,
        "{name:<32} {found:>5} {missed:>6} {wrong:>5} {f1:>6} {all:>10} {right:>5} {mean:>10.2}"
    );
}

fn percent(part: u32, all: u32) -> f64 {
    100.0 * f64::from(part) / f64::from(all)
}

/// The value at this share of sorted values, by nearest rank.
fn at_rank(sorted: &[f64], share: f64) -> f64 {
    let rank = (share * sorted.len() as f64).ceil().max(1.0) as usize;
    sorted[rank.min(sorted.len()) - 1]
}

fn span(seconds: f64) -> String {
    if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else if seconds < 7200.0 {
        format!("{:.0} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}
