//! Circuits by phasors, worked here and not by core: a source behind a transformer's impedance, feeders that draw what a story
//! says, and what meters of any kind would show of them.
#![allow(unreachable_pub, reason = "a module of one test binary")]

use num_complex::Complex;
use std::fmt::Write;

pub type Phasor = Complex<f64>;
pub type Abc = [Phasor; 3];

/// Line-to-neutral volts of 208Y/120 V.
pub const VOLTS: f64 = 120.089;
/// Orders that a full meter gives.
pub const ORDERS: [u8; 8] = [2, 3, 4, 5, 7, 9, 11, 13];
/// T2's impedance at 75 kVA, 208 V and 4.5 %, in ohms to neutral; reactance twice the resistance.
const OHMS: f64 = 0.045 * 208.0 * 208.0 / 75_000.0;

/// Three phases of these magnitudes, each so many degrees behind its nominal angle.
pub fn lagging(magnitudes: [f64; 3], degrees: f64) -> Abc {
    [0, 1, 2].map(|phase| {
        let angle = -120.0 * phase as f64 - degrees;
        Phasor::from_polar(magnitudes[phase], angle.to_radians())
    })
}

/// What a feeder draws: the fundamental, and orders in amperes by phase.
#[derive(Clone, Default)]
pub struct Draw {
    pub fundamental: Abc,
    pub orders: Vec<(u8, Abc)>,
}

impl Draw {
    /// Equal amperes on each phase at a power factor of 0.95.
    pub fn even(amperes: f64) -> Self {
        Self::of([amperes; 3])
    }

    /// Amperes by phase at a power factor of 0.95.
    pub fn of(amperes: [f64; 3]) -> Self {
        Self { fundamental: lagging(amperes, 18.2), orders: Vec::new() }
    }

    /// With an order of so many per cent of each phase's fundamental: an order's angles are its number times the phase's.
    pub fn with(mut self, order: u8, percent: f64) -> Self {
        let amperes = [0, 1, 2].map(|phase| {
            let size = self.fundamental[phase].norm() * percent / 100.0;
            Phasor::from_polar(size, (-120.0 * f64::from(order) * phase as f64).to_radians())
        });
        self.orders.push((order, amperes));
        self
    }

    fn add(mut self, other: &Self) -> Self {
        for (own, theirs) in self.fundamental.iter_mut().zip(&other.fundamental) {
            *own += theirs;
        }
        for (order, amperes) in &other.orders {
            if let Some((_, own)) = self.orders.iter_mut().find(|(known, _)| known == order) {
                own.iter_mut().zip(amperes).for_each(|(own, theirs)| *own += theirs);
            } else {
                self.orders.push((*order, *amperes));
            }
        }
        self
    }
}

/// What a kind of meter gives.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Meters {
    /// Volts, amperes, neutral, active and reactive power, angles, orders.
    Full,
    /// Without angles and reactive power.
    NoAngles,
    /// Without orders and distortion.
    NoOrders,
}

impl Meters {
    /// The points of such a meter.
    pub fn points(self) -> String {
        let mut keys = vec!["voltage_ln_v", "current_a", "power_w"];
        if self != Self::NoAngles {
            keys.extend(["reactive_power_var", "voltage_angle_deg", "current_angle_deg"]);
        }
        if self != Self::NoOrders {
            keys.extend(["voltage_thd_percent", "current_thd_percent"]);
        }
        let mut points = "voltage_ll_v.AB voltage_ll_v.BC voltage_ll_v.CA neutral_current_a".to_owned();
        for key in keys {
            for place in ["A", "B", "C"] {
                let _ = write!(points, " {key}.{place}");
            }
        }
        if self != Self::NoOrders {
            for order in ORDERS {
                for place in ["A", "B", "C"] {
                    let _ = write!(points, " current_harmonic_percent.{place}.{order}");
                }
            }
        }
        points
    }
}

/// A source behind the transformer's impedance with what its feeders draw; what no meter of a feeder shows comes last.
#[derive(Clone)]
pub struct Site {
    /// Volts of the source to neutral, as the load side would have them without load.
    pub source: Abc,
    pub feeders: Vec<Draw>,
    pub unmetered: Draw,
    /// Distortion of the volts in per cent.
    pub volt_thd: f64,
    pub meters: Meters,
}

impl Site {
    pub fn new(feeders: Vec<Draw>) -> Self {
        let source = lagging([VOLTS; 3], 0.0);
        Self { source, feeders, unmetered: Draw::default(), volt_thd: 1.5, meters: Meters::Full }
    }

    /// What a meter shows at a second: 0 is the transformer's own. Each channel is off by up to 0.3 % for ever and by 0.2 %
    /// each time.
    pub fn shown(&self, meter: usize, second: i64) -> Vec<f64> {
        let all = self.feeders.iter().fold(self.unmetered.clone(), Draw::add);
        let ohms = Phasor::from_polar(OHMS, 2f64.atan());
        let volts = [0, 1, 2].map(|phase| self.source[phase] - ohms * all.fundamental[phase]);
        let draw = if meter == 0 { &all } else { &self.feeders[meter - 1] };
        let values = values(volts, draw, self.volt_thd, self.meters);
        let off = |channel: usize, seed: i64| {
            let mixed = (channel as i64 * 7919 + meter as i64 * 104_729 + seed * 15_485_863).rem_euclid(2003);
            mixed as f64 / 1001.0 - 1.0
        };
        let is_angle = |value: f64, channel: usize| self.meters.is_angle(channel).then_some(value);
        let values = values.into_iter().enumerate();
        values
            .map(|(channel, value)| {
                let error = 0.003 * off(channel, 1) + 0.002 * off(channel, second + 7);
                is_angle(value, channel).unwrap_or(value * (1.0 + error))
            })
            .collect()
    }
}

impl Meters {
    fn is_angle(self, channel: usize) -> bool {
        self != Self::NoAngles && (16..22).contains(&channel)
    }
}

fn values(volts: Abc, draw: &Draw, volt_thd: f64, meters: Meters) -> Vec<f64> {
    let own = |order: u8| draw.orders.iter().find(|(known, _)| *known == order).map(|(_, amperes)| *amperes);
    let squares =
        |phase: usize| draw.orders.iter().map(|(_, amperes)| amperes[phase].norm_sqr()).sum::<f64>();
    let fundamental = draw.fundamental.map(Phasor::norm);
    let total = [0, 1, 2].map(|phase| (fundamental[phase].powi(2) + squares(phase)).sqrt());
    let sum = |abc: &Abc| abc.iter().sum::<Phasor>().norm_sqr();
    let neutral = (sum(&draw.fundamental) + draw.orders.iter().map(|(_, abc)| sum(abc)).sum::<f64>()).sqrt();
    let lines = [0, 1, 2].map(|phase| (volts[phase] - volts[(phase + 1) % 3]).norm());
    let power = [0, 1, 2].map(|phase| volts[phase] * draw.fundamental[phase].conj());
    let mut shown = lines.to_vec();
    shown.push(neutral);
    shown.extend(volts.map(Phasor::norm));
    shown.extend(total);
    shown.extend(power.map(|power| power.re));
    let degrees = |phasor: Phasor| (phasor / volts[0]).arg().to_degrees();
    if meters != Meters::NoAngles {
        shown.extend(power.map(|power| power.im));
        shown.extend(volts.map(degrees));
        shown.extend(draw.fundamental.map(degrees));
    }
    if meters != Meters::NoOrders {
        shown.extend([volt_thd; 3]);
        let percent = |amperes: f64, phase: usize| {
            if fundamental[phase] > 0.01 { 100.0 * amperes / fundamental[phase] } else { 0.0 }
        };
        shown.extend([0, 1, 2].map(|phase| percent(squares(phase).sqrt(), phase)));
        for order in ORDERS {
            let amperes = own(order).unwrap_or_default();
            shown.extend([0, 1, 2].map(|phase| percent(amperes[phase].norm(), phase)));
        }
    }
    shown
}
