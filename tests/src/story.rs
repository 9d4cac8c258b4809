//! Two stories for the simulated daemon: a day of fifty meters with faults drawn from a seed, and a quarter of an
//! hour of eight meters with faults and delays so short that a restart can fall into every one of them.

use crate::scripted::{Fault, Kind, Odd, ScriptedMeter, Signal, chance};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// A slot of the day has at most one fault for each meter, and is long enough for all its alarms to clear.
const SLOT_S: i64 = 3 * 3600;
/// Slots of the day.
const SLOTS: i64 = 8;
const MINUTE: i64 = 60;

/// Which story.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Story {
    /// Fifty meters, 24 hours, default limits, faults by the seed.
    Day,
    /// Eight meters, a quarter of an hour, short delays, faults by a fixed schedule; the seed makes the noise.
    QuarterHour,
}

impl Story {
    /// By its name on a command line.
    pub fn named(name: &str) -> Option<Self> {
        [Self::Day, Self::QuarterHour].into_iter().find(|story| story.name() == name)
    }

    /// Its name on a command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::QuarterHour => "quarter-hour",
        }
    }

    /// How many seconds it has.
    pub fn seconds(self) -> i64 {
        match self {
            Self::Day => SLOT_S * SLOTS,
            Self::QuarterHour => 14 * MINUTE,
        }
    }

    /// When the one channel does not work, in seconds of the story.
    pub fn channel_fault(self) -> std::ops::Range<i64> {
        match self {
            Self::Day => 36_000..50_000,
            Self::QuarterHour => 0..0,
        }
    }

    /// Its meters.
    pub fn meters(self, seed: u64) -> Vec<ScriptedMeter> {
        let transformers = if self == Self::Day { 5 } else { 1 };
        let mut meters: Vec<ScriptedMeter> = (1..=transformers).flat_map(|t| meters_of(self, t)).collect();
        for (number, meter) in meters.iter_mut().enumerate() {
            meter.faults = match self {
                Self::Day => (0..SLOTS).filter_map(|slot| drawn(seed, number as u64, slot, meter)).collect(),
                Self::QuarterHour => scheduled(&meter.name),
            };
        }
        meters
    }

    /// Writes configuration and maps into a folder; gives the path of the configuration.
    ///
    /// # Errors
    /// When the folder can't be written.
    pub fn write(self, folder: &Path) -> std::io::Result<PathBuf> {
        std::fs::create_dir_all(folder.join("maps"))?;
        for (name, points) in MAPS {
            let point = |(address, (measurand, place)): (usize, &(&str, &str))| {
                let place = if place.is_empty() { String::new() } else { format!("place = \"{place}\"\n") };
                format!(
                    "[[point]]\nmeasurand = \"{measurand}\"\n{place}address = {address}\nkind = \"u16\"\nscale = 0.1\n"
                )
            };
            let text: Vec<String> = points.iter().enumerate().map(point).collect();
            std::fs::write(folder.join("maps").join(name), text.join("\n"))?;
        }
        let path = folder.join("kvarden.toml");
        std::fs::write(&path, self.configuration())?;
        Ok(path)
    }

    fn configuration(self) -> String {
        let mut text = String::from("[site]\nname = \"Larkspur Cannery\"\ntimezone = \"America/Denver\"\n");
        for meter in self.meters(0) {
            let transformer = meter.name.split(' ').next().unwrap_or_default().to_owned();
            let what = &meter.name[transformer.len() + 1..];
            if what == "secondary" {
                let _ = write!(
                    text,
                    "\n[[transformer]]\nname = \"{transformer}\"\nkva = 75\nprimary = {{ volts = 480, form = \
                     \"delta\" }}\nsecondary = {{ volts = 208, form = \"wye\" }}\nrated_rise_c = 115\n\
                     insulation_class_c = 220\n"
                );
            }
            let (measures, map) = match what {
                "secondary" => (format!("{{ transformer = \"{transformer}\" }}"), "main.toml"),
                "sensors" => (format!("{{ transformer = \"{transformer}\" }}"), "sensors.toml"),
                _ => (format!("{{ feeder = \"{}\" }}", meter.name), "feeder.toml"),
            };
            if map == "feeder.toml" {
                let _ = write!(
                    text,
                    "\n[[feeder]]\nname = \"{}\"\nfed_by = \"{transformer}\"\nrated_a = 40\n",
                    meter.name
                );
            }
            let _ = write!(
                text,
                "\n[[meter]]\nname = \"{}\"\nmeasures = {measures}\nmodbus = {{ address = \"{}\", unit = {}, map \
                 = \"maps/{map}\" }}\n{}",
                meter.name,
                meter.address,
                meter.unit,
                if self == Self::QuarterHour {
                    "silent_after = \"20s\"\nfrozen_after = \"30s\"\n"
                } else {
                    ""
                }
            );
        }
        if self == Self::QuarterHour {
            text.push_str(SHORT_LIMITS);
        }
        text.push_str("\n[tell]\nmqtt = false\nfile = \"alerts.jsonl\"\n\n[store]\nfolder = \"data\"\n");
        text
    }

    /// How often each alarm must rise, by the schedule alone; a recurrence counts once. Only for [`Story::Day`].
    pub fn expected(self, seed: u64) -> BTreeMap<String, u32> {
        let mut expected = BTreeMap::from([("channel file broken".to_owned(), 1)]);
        for meter in self.meters(seed) {
            for fault in &meter.faults {
                let lasts = fault.to - fault.from;
                let rises: &[&str] = match fault.kind {
                    Kind::Silent | Kind::Refused | Kind::Exception(_) if lasts > 16 * MINUTE => {
                        &["meter silent level 1", "meter silent level 2"]
                    }
                    Kind::Silent | Kind::Refused | Kind::Exception(_) => &["meter silent level 1"],
                    Kind::Frozen => &["meter frozen"],
                    Kind::Times(_) => {
                        &["loading_phase_percent high level 1", "loading_phase_percent high level 3"]
                    }
                    Kind::Excursions { .. } => {
                        let key = format!("{} voltage_unbalance_percent high recurrence", meter.name);
                        expected.insert(key, 1);
                        &[]
                    }
                    Kind::Odd(_) => &[],
                };
                let map_wrong: &[&str] = match fault.kind {
                    Kind::Exception(1..=3) => &["meter map wrong"],
                    _ => &[],
                };
                for rise in rises.iter().chain(map_wrong) {
                    *expected.entry(format!("{} {rise}", meter.name)).or_default() += 1;
                }
                if rises.contains(&"meter silent level 1")
                    && meter.faults.iter().any(|other| stands(other, fault))
                {
                    *expected.entry(format!("{} meter silent level 3", meter.name)).or_default() += 1;
                }
            }
        }
        expected
    }
}

/// Whether the recurrence that `one` brings stands when the silence `other` is first told: then the meter is the only
/// eye on a high alarm, and its silence is high at once. The third excursion raises it; six hours without one clear it.
fn stands(one: &Fault, other: &Fault) -> bool {
    let Kind::Excursions { every, length } = one.kind else { return false };
    let told = other.from + 2 * MINUTE;
    let last = one.from + (one.to - 1 - one.from) / every * every;
    one.from + 2 * every + length < told && told < last + length + 6 * 3600
}

/// Delays of seconds instead of minutes and hours.
const SHORT_LIMITS: &str = r#"
[[limit]]
on = "voltage_unbalance_percent"
levels = [{ setpoint = 2.0, priority = "low", over = "1m" }, { setpoint = 3.0, priority = "high" }]
deadband = 0.3
on_delay = "6s"
off_delay = "10s"
recurs = { times = 3, within = "5m", shortest = "2s", priority = "high" }

[[limit]]
on = "loading_phase_percent"
levels = [
  { setpoint = 80, priority = "journal" },
  { setpoint = 100, priority = "low", on_delay = "20s" },
  { setpoint = 110, priority = "high", on_delay = "40s" },
]
deadband = 3
on_delay = "10s"
off_delay = "30s"

[[limit]]
on = "winding_c"
levels = [{ setpoint = 100, priority = "urgent" }]
deadband = 3
on_delay = "10s"
off_delay = "20s"
latch = true
"#;

type Points = &'static [(&'static str, &'static str)];

const MAPS: [(&str, Points); 3] = [
    (
        "main.toml",
        &[
            ("voltage_ll_v", "AB"),
            ("voltage_ll_v", "BC"),
            ("voltage_ll_v", "CA"),
            ("current_a", "A"),
            ("current_a", "B"),
            ("current_a", "C"),
        ],
    ),
    ("feeder.toml", &[("current_a", "A"), ("current_a", "B"), ("current_a", "C")]),
    (
        "sensors.toml",
        &[
            ("winding_c", "A"),
            ("winding_c", "B"),
            ("winding_c", "C"),
            ("termination_c", "A"),
            ("termination_c", "B"),
            ("termination_c", "C"),
            ("ambient_c", ""),
        ],
    ),
];

/// A transformer's ten (or eight) meters: main meter, sensors, four feeders behind one gateway, the others alone.
fn meters_of(story: Story, transformer: usize) -> Vec<ScriptedMeter> {
    let signal = |level, swing, noise| Signal { level, swing, noise };
    let meter = |what: &str, address: String, unit, signals| ScriptedMeter {
        name: format!("T{transformer} {what}"),
        address,
        unit,
        signals,
        faults: Vec::new(),
    };
    let alone = |what: &str| format!("t{transformer}-{what}:502");
    let volts = signal(2080, 10, 4);
    let amps = signal(1100, 60, 20);
    let main = vec![volts, volts, volts, amps, amps, amps];
    // In the day as warm as the load makes a healthy winding; in the quarter of an hour nothing is settled yet.
    let winding = if story == Story::Day { signal(695, 20, 1) } else { signal(900, 30, 1) };
    let lug = signal(500, 20, 1);
    let sensors = vec![winding, winding, winding, lug, lug, lug, signal(280, 20, 1)];
    let feeders = if story == Story::Day { 8 } else { 6 };
    let mut meters =
        vec![meter("secondary", alone("main"), 1, main), meter("sensors", alone("sensors"), 1, sensors)];
    meters.extend((1..=feeders).map(|feeder| {
        let address = if feeder <= 4 { alone("gateway") } else { alone(&format!("f{feeder}")) };
        meter(&format!("F{feeder}"), address, feeder as u8, vec![signal(200, 2, 3); 3])
    }));
    meters
}

/// The fault, if any, of one meter in one slot of the day.
fn drawn(seed: u64, number: u64, slot: i64, meter: &ScriptedMeter) -> Option<Fault> {
    let dice = |what: u64, below: i64| (chance(&[seed, number, slot as u64, what]) % below as u64) as i64;
    let from = slot * SLOT_S + 10 * MINUTE + dice(1, 20 * MINUTE);
    let lasting =
        |kind, least: i64, most: i64| Some(Fault { kind, from, to: from + least + dice(2, most - least) });
    let (is_main, is_feeder) = (meter.name.ends_with("secondary"), meter.name.contains(" F"));
    let shares_line = meter.address.contains("gateway");
    match dice(0, 24) {
        0 => lasting(Kind::Silent, 4 * MINUTE, 12 * MINUTE),
        1 => lasting(Kind::Silent, 20 * MINUTE, 40 * MINUTE),
        2 if !shares_line => lasting(Kind::Refused, 5 * MINUTE, 12 * MINUTE),
        3 => lasting(Kind::Exception([2, 4, 6, 11][dice(3, 4) as usize]), 5 * MINUTE, 12 * MINUTE),
        4 | 5 => lasting(Kind::Odd(Odd::ALL[dice(3, 6) as usize]), 5, 25),
        6 if meter.signals[0].noise > 1 => lasting(Kind::Frozen, 8 * MINUTE, 40 * MINUTE),
        7..12 if is_feeder => lasting(Kind::Times(235), 75 * MINUTE, 100 * MINUTE),
        7..15 if is_main => {
            let (every, length) = (40 + dice(3, 200), 3 + dice(4, 6));
            Some(Fault {
                kind: Kind::Excursions { every, length },
                from,
                to: from + every * (4 + dice(5, 8)),
            })
        }
        _ => None,
    }
}

/// The faults of the short story. A restart at second 421 falls into a sag, standing and rising overloads, a silent
/// and a frozen meter, and a count of excursions under way.
fn scheduled(meter: &str) -> Vec<Fault> {
    let fault = |kind, from, to| Fault { kind, from, to };
    match meter {
        "T1 secondary" => vec![
            fault(Kind::Excursions { every: 20, length: 4 }, 60, 160),
            fault(Kind::Excursions { every: 30, length: 12 }, 350, 560),
        ],
        "T1 sensors" => vec![fault(Kind::Times(120), 200, 300)],
        "T1 F1" => vec![fault(Kind::Times(230), 100, 200), fault(Kind::Times(230), 300, 500)],
        "T1 F2" => vec![fault(Kind::Times(230), 405, 600)],
        "T1 F3" => vec![fault(Kind::Exception(6), 380, 480)],
        "T1 F4" => vec![fault(Kind::Frozen, 370, 470)],
        "T1 F5" => vec![fault(Kind::Exception(6), 410, 520)],
        _ => Vec::new(),
    }
}
