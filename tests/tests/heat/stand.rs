//! Units on a test stand, integrated in short steps from the differential equations of the standards, with figures of their
//! own that differ from the nameplate as a sound unit's do.
//!
//! * Windings in air: what they store is their loss less what the air takes, which grows with rise^(1/m) in still air,
//!   m = 0.8 (IEEE C57.96, from memory), and with the rise before fans (Newton's law of cooling; IEC 60076-12 q = 2, from
//!   memory).
//! * In a liquid: IEC 60076-7's differential equations of a distribution unit, ONAN: x = 0.8, y = 1.6, k11 = k21 = 1,
//!   k22 = 2; with fans, ONAF, the oil's time constant is shorter (2005 Table 5, from memory). The model goes by C57.91 instead.
//! * Terminations: a body with one time constant, warmed with the current squared (Joule's law).

use super::watch::{HOUR, THURSDAY, World};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;

/// Longest step of the integration in minutes.
const STEP_MIN: f64 = 0.05;

/// Where the heat of the windings goes.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Into {
    /// Still air, or the stream of fans: rated rise, time constant in minutes.
    Air { rise_k: f64, tau_min: f64 },
    /// Oil: its rated rise, that of the hot spot over it, load loss over no-load loss.
    Oil { oil_k: f64, spot_k: f64, ratio: f64 },
}

/// Oil and winding of the distribution unit, minutes.
const OIL_MIN: f64 = 180.0;
const WINDING_MIN: f64 = 2.0 * 4.0;
/// What a fan adds to the rating of a dry unit.
const FAN_SQUARE: f64 = 16.0 / 9.0;
/// And to that of one in a liquid, 15 % (C57.12.00, from memory); its oil then, minutes.
const OIL_FAN_SQUARE: f64 = 1.15 * 1.15;
const OIL_BEFORE_FANS_MIN: f64 = 150.0;
/// Rise of a termination at rated current, and its time constant.
const LUG_K: f64 = 28.0;
const LUG_MIN: f64 = 27.0;

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Trouble {
    /// Of the cooling of all windings, or of the oil, so much is left.
    Blocked(f64),
    /// One winding rises so many times as much.
    HotWinding(usize, f64),
    /// One termination has so many times its resistance.
    HotLug(usize, f64),
    /// Fans that should run do not.
    NoFans,
}

/// How line currents heat the windings: squares per unit of rated.
pub(crate) type Heating = fn([f64; 3]) -> [f64; 3];

pub(crate) struct Stand {
    pub(crate) heats: Into,
    pub(crate) heating: Heating,
    /// Shares of the load on each line, and rated amperes.
    pub(crate) lines: [f64; 3],
    pub(crate) rated_a: f64,
    /// Load per unit by the hour of the day.
    pub(crate) load: fn(f64) -> f64,
    /// Hours of the day in which fans run, of a unit that has some.
    pub(crate) fans: Option<(f64, f64)>,
    pub(crate) troubles: Vec<(i64, i64, Trouble)>,
    at: i64,
    air_c: f64,
    /// Rises: of windings over the air, or over their oil; of terminations.
    windings: [f64; 3],
    oil_c: f64,
    lugs: [f64; 3],
}

impl Stand {
    pub(crate) fn new(heats: Into, heating: Heating, rated_a: f64) -> Self {
        let lines = [1.0, 0.99, 1.01];
        Self {
            heats,
            heating,
            lines,
            rated_a,
            load: two_shifts,
            fans: None,
            troubles: Vec::new(),
            at: THURSDAY,
            air_c: air(0.0),
            windings: [10.0; 3],
            oil_c: 30.0,
            lugs: [2.0; 3],
        }
    }

    fn hour(&self) -> f64 {
        (self.at - THURSDAY).rem_euclid(24 * HOUR) as f64 / HOUR as f64
    }

    fn now(&self) -> impl Iterator<Item = Trouble> + '_ {
        let on = self.troubles.iter().filter(|(from, to, _)| (*from..*to).contains(&self.at));
        on.map(|(.., trouble)| *trouble)
    }

    fn times(&self, of: impl Fn(Trouble) -> Option<f64>) -> f64 {
        self.now().filter_map(of).product()
    }

    fn fans_run(&self) -> bool {
        let due = self.fans.is_some_and(|(from, to)| (from..to).contains(&self.hour()));
        due && self.now().all(|trouble| trouble != Trouble::NoFans)
    }

    /// Line currents per unit. A motor that comes and goes makes small steps.
    fn currents(&self) -> [f64; 3] {
        let hour = self.hour();
        let motor = if (hour * 7.0).fract() < 0.4 { 0.06 } else { 0.0 };
        self.lines.map(|share| share * ((self.load)(hour) + motor))
    }

    fn step(&mut self, minutes: f64) {
        let currents = self.currents();
        let squares = (self.heating)(currents);
        let left = self.times(|trouble| match trouble {
            Trouble::Blocked(left) => Some(left),
            _ => None,
        });
        let fans = self.fans_run();
        let hot: [f64; 3] = std::array::from_fn(|index| {
            self.times(|trouble| match trouble {
                Trouble::HotWinding(which, times) if which == index => Some(times),
                _ => None,
            })
        });
        match self.heats {
            Into::Air { rise_k, tau_min } => {
                for ((rise, square), hot) in self.windings.iter_mut().zip(squares).zip(hot) {
                    let share = *rise / (rise_k * hot);
                    let takes = if fans { FAN_SQUARE * share } else { share.powf(1.25) };
                    *rise += rise_k * hot * (square - left * takes) / tau_min * minutes;
                }
            }
            Into::Oil { oil_k, spot_k, ratio } => {
                let fan = if fans { OIL_FAN_SQUARE } else { 1.0 };
                let mean = squares.iter().sum::<f64>() / 3.0 / fan;
                let oil_min = if fans { OIL_BEFORE_FANS_MIN } else { OIL_MIN };
                let end = oil_k * ((1.0 + ratio * mean) / (1.0 + ratio)).powf(0.8) / left.powf(0.8);
                self.oil_c += (end - (self.oil_c - self.air_c)) / oil_min * minutes;
                for ((over, square), hot) in self.windings.iter_mut().zip(squares).zip(hot) {
                    *over += (spot_k * hot * square.powf(0.8) - *over) / WINDING_MIN * minutes;
                }
            }
        }
        for (index, current) in currents.into_iter().enumerate() {
            let ohms = self.times(|trouble| match trouble {
                Trouble::HotLug(which, times) if which == index => Some(times),
                _ => None,
            });
            let lug = &mut self.lugs[index];
            *lug += (LUG_K * ohms * current * current - *lug) / LUG_MIN * minutes;
        }
    }
}

impl World for Stand {
    fn advance(&mut self, to: i64) {
        let minutes = (to - self.at) as f64 / 60_000.0;
        let steps = (minutes / STEP_MIN).ceil().max(1.0);
        self.air_c = air(self.hour());
        for _ in 0..steps as u32 {
            self.step(minutes / steps);
        }
        self.at = to;
    }

    fn value(&self, _: &str, quantity: Quantity) -> Option<f64> {
        let index = match quantity.place {
            Place::B => 1,
            Place::C => 2,
            _ => 0,
        };
        let over = match self.heats {
            Into::Air { .. } => self.air_c,
            Into::Oil { .. } => self.oil_c,
        };
        match quantity.what {
            Measurand::Current => Some(self.currents()[index] * self.rated_a),
            Measurand::Winding => Some(over + self.windings[index]),
            Measurand::TopOil => Some(self.oil_c),
            Measurand::Termination => Some(self.air_c + self.lugs[index]),
            Measurand::Ambient => Some(self.air_c),
            Measurand::FanRunning => Some(f64::from(u8::from(self.fans_run()))),
            _ => None,
        }
    }
}

/// °C by the hour: warmest in the afternoon.
fn air(hour: f64) -> f64 {
    20.0 + 6.0 * ((hour - 15.0) * std::f64::consts::TAU / 24.0).cos()
}

/// Two shifts with a pause, and a night.
pub(crate) fn two_shifts(hour: f64) -> f64 {
    match hour {
        _ if !(6.0..22.0).contains(&hour) => 0.15,
        _ if hour < 10.0 => 0.7,
        _ if hour < 12.0 => 0.9,
        _ if hour < 13.0 => 0.4,
        _ if hour < 18.0 => 0.95,
        _ => 0.55,
    }
}
