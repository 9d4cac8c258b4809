//! What is stored of one meter as CSV (RFC 4180): a row for each stretch of time or reading, a column for each figure.

use crate::store::{Error as StoreError, MinuteRun, PaneRow, Store};
use crate::words::time::local;
use jiff::tz::TimeZone;
use kvarden_core::time::{EventTime, Span};
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::io::Write;

/// Rows are taken from the store by so much at a time.
const PIECE: Span = Span::hours(24);

/// The columns before the figures.
const FIRST: [&str; 3] = ["meter", "local_time", "utc_time"];

/// The figures of each quantity. `covered_percent`: the share of the row's time that was measured.
const FIGURES: [&str; 5] = ["mean", "min", "max", "rms", "covered_percent"];

/// How fine the rows are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Every {
    /// A row for each minute.
    #[value(name = "1m")]
    Minute,
    /// A row for each ten minutes.
    #[value(name = "10m")]
    Ten,
    /// Each reading of the recordings around alarms.
    Reading,
}

/// What is asked for.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// The meter's name.
    pub meter: String,
    /// First moment.
    pub from: EventTime,
    /// The first moment after.
    pub to: EventTime,
    /// How fine.
    pub every: Every,
    /// Keys of quantities (`current_a.A`); none: all.
    pub quantities: Vec<String>,
}

/// Why nothing could be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Where it is written to.
    #[error("the rows can't be written: {0}")]
    Csv(#[from] csv::Error),
    /// A name that the store does not know.
    #[error("no meter is stored under the name {name:?}; there are: {known}")]
    NoMeter {
        /// What was asked for.
        name: String,
        /// The names that are known.
        known: String,
    },
    /// A quantity that this meter never had.
    #[error("{meter:?} has no {quantity:?} in this span; it has: {known}")]
    NoQuantity {
        /// The meter.
        meter: String,
        /// What was asked for.
        quantity: String,
        /// The keys that are known.
        known: String,
    },
}

/// Writes what is wanted. Gives how many rows; 0: nothing is stored for this span, only the head was written.
///
/// # Errors
/// See [`ExportError`].
pub fn export(store: &Store, wanted: &Wanted, zone: &TimeZone, to: impl Write) -> Result<u64, ExportError> {
    let known = store.meters()?;
    if !known.contains(&wanted.meter) {
        return Err(ExportError::NoMeter { name: wanted.meter.clone(), known: known.join(", ") });
    }
    // RFC 4180 ends a line with both.
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(to);
    let rows = match wanted.every {
        Every::Minute => panes(store, wanted, zone, &mut csv, Span::minutes(1))?,
        Every::Ten => panes(store, wanted, zone, &mut csv, Span::minutes(10))?,
        Every::Reading => readings(store, wanted, zone, &mut csv)?,
    };
    csv.flush().map_err(csv::Error::from)?;
    Ok(rows)
}

fn pieces(wanted: &Wanted) -> impl Iterator<Item = (EventTime, EventTime)> + use<> {
    let (mut from, to) = (wanted.from, wanted.to);
    std::iter::from_fn(move || {
        let begin = from;
        from = (begin + PIECE).min(to);
        (begin < to).then_some((begin, from))
    })
}

fn runs(store: &Store, wanted: &Wanted, piece: (EventTime, EventTime)) -> Result<Vec<MinuteRun>, StoreError> {
    match wanted.every {
        Every::Ten => store.tens(&wanted.meter, piece.0, piece.1),
        _ => store.minutes(&wanted.meter, piece.0, piece.1),
    }
}

/// The columns: those asked for, or all that there are, in the order in which they came.
fn columns(wanted: &Wanted, known: &[String]) -> Result<Vec<String>, ExportError> {
    if wanted.quantities.is_empty() {
        return Ok(known.to_vec());
    }
    match wanted.quantities.iter().find(|key| !known.contains(key)) {
        Some(quantity) if !known.is_empty() => Err(ExportError::NoQuantity {
            meter: wanted.meter.clone(),
            quantity: quantity.clone(),
            known: known.join(", "),
        }),
        _ => Ok(wanted.quantities.clone()),
    }
}

/// Keys in the order in which they came, each once.
#[derive(Default)]
struct Keys {
    ordered: Vec<String>,
    seen: BTreeSet<String>,
}

impl Keys {
    fn add(&mut self, keys: &[String]) {
        for key in keys {
            if self.seen.insert(key.clone()) {
                self.ordered.push(key.clone());
            }
        }
    }
}

fn panes<W: Write>(
    store: &Store,
    wanted: &Wanted,
    zone: &TimeZone,
    csv: &mut csv::Writer<W>,
    long: Span,
) -> Result<u64, ExportError> {
    let mut keys = Keys::default();
    for piece in pieces(wanted) {
        for run in runs(store, wanted, piece)? {
            keys.add(&run.series);
        }
    }
    let columns = columns(wanted, &keys.ordered)?;
    let figures = columns.iter().flat_map(|key| FIGURES.iter().map(move |figure| format!("{key} {figure}")));
    csv.write_record(FIRST.iter().map(|name| (*name).to_owned()).chain(figures))?;
    let mut count = 0;
    for piece in pieces(wanted) {
        for run in runs(store, wanted, piece)? {
            let places: Vec<Option<usize>> =
                columns.iter().map(|key| run.series.iter().position(|known| known == key)).collect();
            for (at, row) in &run.rows {
                begin(csv, &wanted.meter, *at, zone)?;
                for place in &places {
                    let pane = place.and_then(|place| row.get(place)).copied().unwrap_or_default();
                    for cell in cells(&pane, long) {
                        csv.write_field(cell)?;
                    }
                }
                csv.write_record(None::<&[u8]>)?;
                count += 1;
            }
        }
    }
    Ok(count)
}

/// The figures of a pane, kept as 32-bit numbers, so that is what is written. Absent is an empty cell.
fn cells(pane: &PaneRow, long: Span) -> [String; 5] {
    let number = |value: Option<f64>| value.map(|value| (value as f32).to_string()).unwrap_or_default();
    let share = (f64::from(pane.covered_ms) / long.0 as f64 * 1000.0).round() / 10.0;
    [number(pane.mean), number(pane.min), number(pane.max), number(pane.rms), share.to_string()]
}

fn readings<W: Write>(
    store: &Store,
    wanted: &Wanted,
    zone: &TimeZone,
    csv: &mut csv::Writer<W>,
) -> Result<u64, ExportError> {
    let heads = store.recordings(wanted.from, wanted.to)?;
    let of_meter = |id: &str| -> Result<_, StoreError> {
        let meters = store.recording(id)?.unwrap_or_default();
        Ok(meters.into_iter().find(|one| one.meter == wanted.meter))
    };
    let mut keys = Keys::default();
    for head in &heads {
        if let Some(meter) = of_meter(&head.id)? {
            keys.add(&meter.series);
        }
    }
    let columns = columns(wanted, &keys.ordered)?;
    csv.write_record(
        FIRST.iter().copied().chain(["recorded_for"]).chain(columns.iter().map(String::as_str)),
    )?;
    let mut count = 0;
    for head in &heads {
        let Some(meter) = of_meter(&head.id)? else { continue };
        let places: Vec<Option<usize>> =
            columns.iter().map(|key| meter.series.iter().position(|known| known == key)).collect();
        for (at, values) in &meter.readings {
            if !(wanted.from..wanted.to).contains(at) {
                continue;
            }
            begin(csv, &wanted.meter, *at, zone)?;
            csv.write_field(&*text(&head.alarm))?;
            for place in &places {
                let value = place.and_then(|place| values.get(place).copied().flatten());
                csv.write_field(value.map(|value| value.to_string()).unwrap_or_default())?;
            }
            csv.write_record(None::<&[u8]>)?;
            count += 1;
        }
    }
    Ok(count)
}

fn begin<W: Write>(
    csv: &mut csv::Writer<W>,
    meter: &str,
    at: EventTime,
    zone: &TimeZone,
) -> Result<(), csv::Error> {
    const FORM: &str = "%Y-%m-%dT%H:%M:%S%.3f%:z";
    csv.write_field(&*text(meter))?;
    csv.write_field(local(at, zone).strftime(FORM).to_string())?;
    csv.write_field(local(at, &TimeZone::UTC).strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_string())
}

/// A name as a cell: one line, and never a formula to a spreadsheet (it would run it).
fn text(name: &str) -> Cow<'_, str> {
    let is_formula = name.trim_start().starts_with(['=', '+', '-', '@']);
    if !is_formula && !name.contains(char::is_control) {
        return Cow::Borrowed(name);
    }
    let line: String = name.chars().map(|one| if one.is_control() { ' ' } else { one }).collect();
    Cow::Owned(if is_formula { format!("'{line}") } else { line })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_one_line_and_no_formula() {
        assert_eq!(text("T2 secondary"), "T2 secondary");
        assert_eq!(text("=HYPERLINK(\"x\")"), "'=HYPERLINK(\"x\")");
        assert_eq!(text("\t@SUM(A1)"), "' @SUM(A1)");
        assert_eq!(text("a\r\nb"), "a  b");
        assert_eq!(text("-1"), "'-1");
    }
}
