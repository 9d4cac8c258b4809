//! What goes wrong in a trial, how strongly at a moment, and where.

use super::plant::Load;

/// What changes.
#[derive(Debug, Clone)]
pub enum What {
    /// The loads of a feeder (`None`: of all feeders of the first transformer) times this.
    Loads {
        /// Which feeder.
        feeder: Option<usize>,
        /// 1 is healthy.
        times: f64,
    },
    /// A further load on a feeder.
    Extra {
        /// Which feeder.
        feeder: usize,
        /// The load.
        load: Load,
    },
    /// A capacitor on a feeder, var in each phase.
    Capacitor {
        /// Which feeder.
        feeder: usize,
        /// Var a phase.
        var: f64,
    },
    /// This share of a feeder's single-phase loads moves to one phase.
    Moved {
        /// Which feeder.
        feeder: usize,
        /// To which phase.
        to: usize,
        /// 0 to 1.
        share: f64,
    },
    /// The single-phase loads of a feeder draw these harmonic amperes.
    Spectrum {
        /// Which feeder.
        feeder: usize,
        /// Shares of the fundamental.
        shares: [f64; super::network::HARMONICS],
    },
    /// A contact at the head of a feeder.
    Contact {
        /// Which feeder.
        feeder: usize,
        /// Which phase.
        phase: usize,
        /// Ohms more.
        ohms: f64,
    },
    /// The neutral of a feeder.
    Neutral {
        /// Which feeder.
        feeder: usize,
        /// Ohms more.
        ohms: f64,
    },
    /// A termination of the first transformer's secondary.
    Terminal {
        /// Which phase.
        phase: usize,
        /// Ohms more.
        ohms: f64,
    },
    /// A primary line of the first transformer is open.
    PrimaryLine {
        /// Which line.
        line: usize,
    },
    /// The transfer switch before the first transformer stands between its supplies.
    Transfer,
    /// The first transformer is fed by the standby generator.
    Generator {
        /// Rated kVA of the generator.
        kva: f64,
    },
    /// All three phases of a feeder are open.
    Trip {
        /// Which feeder.
        feeder: usize,
    },
    /// The supply's volts times these, by line.
    Source {
        /// 1 is healthy.
        times: [f64; 3],
    },
    /// Share of the first transformer's cooling that is left.
    Vents {
        /// 1 is healthy.
        left: f64,
    },
    /// The first transformer's fans don't start.
    FansStop,
    /// The first transformer's room is warmer by this.
    Room {
        /// Kelvin.
        warmer_k: f64,
    },
    /// The room of every transformer is warmer by this: the weather.
    Weather {
        /// Kelvin.
        warmer_k: f64,
    },
    /// A drive of a feeder has lost the fuse of this line and draws by the two others.
    DriveFuse {
        /// Which feeder.
        feeder: usize,
        /// Which line.
        line: usize,
    },
    /// A machine's transformer is energised: amperes of its inrush in the first instant.
    Inrush {
        /// Which feeder.
        feeder: usize,
        /// Amperes r.m.s. of the strongest phase.
        amperes: f64,
    },
    /// A meter is at fault.
    Meter {
        /// Its name.
        meter: String,
        /// How.
        how: Wrong,
    },
}

/// What is wrong with a meter or sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wrong {
    /// The current transformer of this phase is reversed.
    Reversed(usize),
    /// The current transformers of this phase and the next are exchanged.
    AmperesExchanged(usize),
    /// The voltage leads of this phase and the next are exchanged.
    VoltsExchanged(usize),
    /// The fuse of this phase's voltage lead is blown; the input floats at this share.
    Fuse(usize, f64),
    /// A temperature sensor (its index among the module's) drifts away, K an hour.
    Drift(usize, f64),
    /// It stands off by this since then, K.
    Jump(usize, f64),
    /// It goes on showing its last value.
    Stuck(usize),
    /// It shows this, which can't be.
    Impossible(usize, f64),
    /// The meter gives nothing.
    Silent,
}

/// How a fault goes with time.
#[derive(Debug, Clone, PartialEq)]
pub enum Course {
    /// All of it, from beginning to end.
    Steady,
    /// From nothing at the beginning to all of it at the end.
    Growing,
    /// All of it in these spans only, unix milliseconds.
    Spells(Vec<(i64, i64)>),
}

/// A fault and its time.
#[derive(Debug, Clone)]
pub struct Fault {
    /// What.
    pub what: What,
    /// Its beginning, unix milliseconds.
    pub from: i64,
    /// Its end.
    pub until: i64,
    /// How it goes.
    pub course: Course,
}

impl Fault {
    /// Steady between these.
    pub fn steady(what: What, from: i64, until: i64) -> Self {
        Self { what, from, until, course: Course::Steady }
    }

    /// How much of it there is now: 0 to 1.
    pub fn level(&self, now: i64) -> f64 {
        if now < self.from || now >= self.until {
            return 0.0;
        }
        match &self.course {
            Course::Steady => 1.0,
            Course::Growing => (now - self.from) as f64 / (self.until - self.from) as f64,
            Course::Spells(spells) => f64::from(u8::from(Self::spell(spells, now).is_some())),
        }
    }

    /// The spell in which `now` lies; spells are in their order.
    fn spell(spells: &[(i64, i64)], now: i64) -> Option<(i64, i64)> {
        let after = spells.partition_point(|(from, _)| *from <= now);
        let spell = *spells.get(after.checked_sub(1)?)?;
        (now < spell.1).then_some(spell)
    }

    /// When what is on now began.
    pub fn began(&self, now: i64) -> i64 {
        match &self.course {
            Course::Spells(spells) => Self::spell(spells, now).map_or(self.from, |(from, _)| from),
            _ => self.from,
        }
    }

    /// Moments of sudden change.
    pub fn edges(&self) -> Vec<i64> {
        match &self.course {
            Course::Spells(spells) => spells.iter().flat_map(|(from, to)| [*from, *to]).collect(),
            Course::Steady => vec![self.from, self.until],
            Course::Growing => vec![self.until],
        }
    }
}
