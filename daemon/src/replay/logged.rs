//! One logged CSV file: rows to readings. A missing cell or one that is not a number is absent.

use jiff::tz::TimeZone;
use kvarden_config::{LogSpec, LogTime};
use kvarden_core::reading::Sample;
use kvarden_core::time::{EventTime, Span};
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Read ahead in pieces of this size.
const BUFFER: usize = 1 << 18;
/// So many rows at the start of a file tell how often its meter gives values.
const ROWS_FOR_INTERVAL: usize = 100;

/// Times that are taken, in milliseconds of Unix time: 285,000 years each way, which a number with decimals holds exactly.
const MILLIS: std::ops::Range<i64> = -9_000_000_000_000_000..9_000_000_000_000_000;

/// Why a file can't be read.
#[derive(Debug, thiserror::Error)]
pub enum LogError {
    /// It can't be opened or read.
    #[error("can't read {}: {source}; check the name in columns.toml and the folder after --from", file.display())]
    Unreadable {
        /// Which.
        file: PathBuf,
        /// Why.
        source: csv::Error,
    },
    /// A column is missing from its first line.
    #[error("{} has no column \"{column}\"; its first line has: {has}", file.display())]
    NoColumn {
        /// Which file.
        file: PathBuf,
        /// Which column.
        column: String,
        /// Those that it has.
        has: String,
    },
    /// No row has a time that can be read.
    #[error("{} has no row whose time can be read; the first is \"{example}\", the form in columns.toml is {form}{hint}", file.display())]
    NoTime {
        /// Which file.
        file: PathBuf,
        /// The first time found.
        example: String,
        /// The form that was expected.
        form: &'static str,
        /// What to write instead, where the example shows it.
        hint: &'static str,
    },
}

/// Where the bytes of a logged file come from.
pub type Bytes<'b> = dyn Fn() -> io::Result<Box<dyn Read + Send>> + 'b;

struct Column {
    index: usize,
    factor: f64,
    offset: f64,
}

/// A file being read, with one row in hand.
pub struct LogFile {
    path: PathBuf,
    reader: csv::Reader<Box<dyn Read + Send>>,
    record: csv::ByteRecord,
    time_column: usize,
    form: LogTime,
    zone: TimeZone,
    columns: Vec<Column>,
    every: Span,
    at: Option<EventTime>,
    /// The time of the row before, which says which pass of a repeated hour this is.
    before: Option<EventTime>,
    values: Box<[Sample]>,
    bad_times: u64,
    first_bad_time: Option<String>,
    good_times: u64,
    bad_cells: u64,
}

impl LogFile {
    /// Opens a file, finds its columns and takes its first row in hand.
    ///
    /// # Errors
    /// See [`LogError`].
    pub fn open(log: &LogSpec, zone: &TimeZone) -> Result<Self, LogError> {
        Self::of(log, zone, &|| Ok(Box::new(File::open(&log.file)?)))
    }

    /// The same with bytes from anywhere. They are asked for twice where the file must tell its own interval.
    ///
    /// # Errors
    /// See [`LogError`].
    pub fn of(log: &LogSpec, zone: &TimeZone, bytes: &Bytes<'_>) -> Result<Self, LogError> {
        let every = match log.every {
            Some(every) => every,
            None => Self::start(log, zone, bytes)?.find_interval()?,
        };
        let mut file = Self::start(log, zone, bytes)?;
        file.every = every;
        Ok(file)
    }

    fn start(log: &LogSpec, zone: &TimeZone, bytes: &Bytes<'_>) -> Result<Self, LogError> {
        let unreadable = |source| LogError::Unreadable { file: log.file.clone(), source };
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(log.delimiter)
            .buffer_capacity(BUFFER)
            .flexible(true)
            .trim(csv::Trim::Headers)
            .from_reader(bytes().map_err(|error| unreadable(error.into()))?);
        let headers = reader.headers().map_err(unreadable)?.clone();
        let find = |name: &str| {
            headers.iter().position(|header| header.trim_start_matches('\u{feff}') == name).ok_or_else(|| {
                LogError::NoColumn {
                    file: log.file.clone(),
                    column: name.to_owned(),
                    has: headers.iter().collect::<Vec<_>>().join(", "),
                }
            })
        };
        let columns = log.columns.iter().map(|column| {
            Ok(Column { index: find(&column.column)?, factor: column.factor, offset: column.offset })
        });
        let mut file = Self {
            path: log.file.clone(),
            time_column: find(&log.time_column)?,
            columns: columns.collect::<Result<Vec<_>, LogError>>()?,
            reader,
            record: csv::ByteRecord::new(),
            form: log.time_form,
            zone: zone.clone(),
            every: Span::seconds(1),
            at: None,
            before: None,
            values: vec![Sample::ABSENT; log.columns.len()].into(),
            bad_times: 0,
            first_bad_time: None,
            good_times: 0,
            bad_cells: 0,
        };
        file.go_on()?;
        if file.good_times == 0 && file.bad_times > 0 {
            let example = file.first_bad_time.take().unwrap_or_default();
            let form = form_name(log.time_form);
            let local = log.time_form != LogTime::Local && example.parse::<jiff::civil::DateTime>().is_ok();
            let hint = if local { "; times without an offset are form = \"local\"" } else { "" };
            return Err(LogError::NoTime { file: log.file.clone(), example, form, hint });
        }
        Ok(file)
    }

    /// The median step of the first rows.
    fn find_interval(mut self) -> Result<Span, LogError> {
        let mut steps = Vec::with_capacity(ROWS_FOR_INTERVAL);
        let mut last = self.at;
        while steps.len() < ROWS_FOR_INTERVAL {
            self.go_on()?;
            let (Some(before), Some(at)) = (last, self.at) else { break };
            if at > before {
                steps.push(at - before);
            }
            last = self.at;
        }
        steps.sort_unstable();
        Ok(steps.get(steps.len() / 2).copied().unwrap_or(Span::minutes(1)))
    }

    /// Goes to the next row whose time can be read and in which at least one of the meter's columns has a value: in a
    /// file of several meters a row without any is not a reading of this one.
    ///
    /// # Errors
    /// When the file can't be read on.
    pub fn go_on(&mut self) -> Result<(), LogError> {
        self.at = None;
        loop {
            let more = self.reader.read_byte_record(&mut self.record);
            if !more.map_err(|source| LogError::Unreadable { file: self.path.clone(), source })? {
                return Ok(());
            }
            let Some(at) = self
                .record
                .get(self.time_column)
                .and_then(|cell| parse_time(cell.trim_ascii(), self.form, &self.zone, self.before))
            else {
                self.bad_times += 1;
                let cell = self.record.get(self.time_column).unwrap_or_default();
                if !cell.trim_ascii().is_empty() {
                    self.first_bad_time.get_or_insert_with(|| String::from_utf8_lossy(cell).into_owned());
                }
                continue;
            };
            self.good_times += 1;
            self.before = Some(at);
            for (value, column) in self.values.iter_mut().zip(&self.columns) {
                *value = Sample::ABSENT;
                let cell = self.record.get(column.index).unwrap_or_default().trim_ascii();
                if cell.is_empty() {
                    continue;
                }
                match fast_float2::parse::<f64, _>(cell) {
                    Ok(number) => *value = Sample::new(number * column.factor + column.offset),
                    Err(_) => self.bad_cells += 1,
                }
            }
            if self.values.iter().any(|value| value.is_present()) {
                self.at = Some(at);
                return Ok(());
            }
        }
    }

    /// Time of the row in hand; `None` at the end of the file.
    pub fn at(&self) -> Option<EventTime> {
        self.at
    }

    /// Values of the row in hand, one per column.
    pub fn values(&self) -> &[Sample] {
        &self.values
    }

    /// How often the file has values.
    pub fn every(&self) -> Span {
        self.every
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Rows passed over because their time could not be read.
    pub fn bad_times(&self) -> u64 {
        self.bad_times
    }

    /// Cells that held something that is not a number.
    pub fn bad_cells(&self) -> u64 {
        self.bad_cells
    }
}

fn form_name(form: LogTime) -> &'static str {
    match form {
        LogTime::Rfc3339 => "rfc3339",
        LogTime::UnixSeconds => "unix-s",
        LogTime::UnixMillis => "unix-ms",
        LogTime::Local => "local",
    }
}

/// Reads a time. A local time that comes twice on the night the clocks go back is the first of the two, unless that
/// would go back behind the row `before` it: then it is the second.
fn parse_time(cell: &[u8], form: LogTime, zone: &TimeZone, before: Option<EventTime>) -> Option<EventTime> {
    let text = std::str::from_utf8(cell).ok()?;
    match form {
        LogTime::Rfc3339 => Some(EventTime(text.parse::<jiff::Timestamp>().ok()?.as_millisecond())),
        LogTime::UnixSeconds => {
            let seconds: f64 = fast_float2::parse(cell).ok()?;
            let millis = (seconds * 1000.0).round();
            (millis.is_finite() && MILLIS.contains(&(millis as i64))).then_some(EventTime(millis as i64))
        }
        LogTime::UnixMillis => {
            text.parse::<i64>().ok().filter(|millis| MILLIS.contains(millis)).map(EventTime)
        }
        LogTime::Local => {
            let civil: jiff::civil::DateTime = text.parse().ok()?;
            let ambiguous = zone.to_ambiguous_zoned_datetime(civil);
            // In the gap of spring, where no such time is, the clock that was not yet changed counts.
            let first = EventTime(ambiguous.clone().compatible().ok()?.timestamp().as_millisecond());
            let second = EventTime(ambiguous.later().ok()?.timestamp().as_millisecond());
            Some(if before.is_some_and(|before| first <= before && before < second) { second } else { first })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_of_time_reads_the_same_moment() {
        let zone = TimeZone::get("America/Denver").unwrap();
        let expected = Some(EventTime(1_790_000_000_000));
        assert_eq!(parse_time(b"2026-09-21T14:13:20Z", LogTime::Rfc3339, &zone, None), expected);
        assert_eq!(parse_time(b"2026-09-21T08:13:20-06:00", LogTime::Rfc3339, &zone, None), expected);
        assert_eq!(parse_time(b"1790000000", LogTime::UnixSeconds, &zone, None), expected);
        assert_eq!(parse_time(b"1790000000000", LogTime::UnixMillis, &zone, None), expected);
        assert_eq!(parse_time(b"2026-09-21 08:13:20", LogTime::Local, &zone, None), expected);
        for bad in [&b"yesterday"[..], b"", b"\xff\xfe"] {
            assert_eq!(parse_time(bad, LogTime::Rfc3339, &zone, None), None);
            assert_eq!(parse_time(bad, LogTime::UnixSeconds, &zone, None), None);
        }
        assert_eq!(parse_time(b"1e300", LogTime::UnixSeconds, &zone, None), None);
    }

    #[test]
    fn on_the_night_the_clocks_go_back_the_hour_is_read_twice_in_file_order() {
        let zone = TimeZone::get("America/Denver").unwrap();
        let mut before = None;
        let cells = ["01:00", "01:30", "01:59", "01:00", "01:30", "02:00"];
        let read = cells.map(|clock| {
            let cell = format!("2026-11-01 {clock}");
            before = parse_time(cell.as_bytes(), LogTime::Local, &zone, before);
            before.unwrap().0 / 60_000
        });
        let minutes = read.map(|minute| minute - read[0]);
        assert_eq!(minutes, [0, 30, 59, 60, 90, 120]);
    }
}
