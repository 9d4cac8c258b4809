//! When the cannery works: how much of a load is on at a moment, by local weekday and hour, with the small
//! unrest of real work on top.

use jiff::{Timestamp, tz::TimeZone};

use crate::noise::Chance;

/// The site's time zone, IANA name.
pub const TIMEZONE: &str = "America/Denver";

/// Which days the site lives through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Working {
    /// Shifts, nights and weekends by the site's calendar.
    Calendar,
    /// Always the middle of a weekday's shift, so that a demonstration looks the same at any hour.
    MidShift,
}

/// How a load's use goes with time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pattern {
    /// With the packing hall's two shifts, 06:00 to 22:00; Saturday morning a reduced one.
    Shifts,
    /// With the offices, 08:00 to 17:30 on weekdays.
    Office,
    /// On and off by a thermostat, day and night: seconds a cycle, share of it that is on.
    Thermostat {
        /// Mean length of a cycle, seconds.
        cycle_s: i64,
        /// Share of the cycle that is on, 0 to 1.
        duty: f64,
    },
    /// As [`Pattern::Thermostat`], but only while the packing hall works.
    ShiftThermostat {
        /// Mean length of a cycle, seconds.
        cycle_s: i64,
        /// Share of the cycle that is on, 0 to 1.
        duty: f64,
    },
    /// Day and night.
    Always,
}

/// The site's wall clock.
#[derive(Debug, Clone)]
pub struct WallClock {
    zone: TimeZone,
    working: Working,
}

/// A local moment: days from Monday (0 to 6) and hours of the day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Local {
    /// 0 = Monday.
    pub weekday: i8,
    /// 0 to 24, with its fraction.
    pub hour: f64,
}

impl WallClock {
    /// A clock for the site's time zone.
    pub fn new(working: Working) -> Self {
        let zone = TimeZone::get(TIMEZONE).expect("the zone is in the database built into the program");
        Self { zone, working }
    }

    /// The local moment; times no calendar reaches count as the epoch.
    pub fn local(&self, unix_ms: i64) -> Local {
        let stamp = Timestamp::from_millisecond(unix_ms).unwrap_or(Timestamp::UNIX_EPOCH);
        let zoned = self.zone.to_datetime(stamp);
        let hour =
            f64::from(zoned.hour()) + f64::from(zoned.minute()) / 60.0 + f64::from(zoned.second()) / 3600.0;
        Local { weekday: zoned.weekday().to_monday_zero_offset(), hour }
    }

    /// The local moment by which work goes.
    pub fn working_moment(&self, unix_ms: i64) -> Local {
        match self.working {
            Working::Calendar => self.local(unix_ms),
            Working::MidShift => Local { weekday: 1, hour: 11.0 },
        }
    }
}

/// Share of a load that is on, 0 to about 1.1. `stream` keeps the loads' unrest apart.
pub fn share(pattern: Pattern, moment: Local, unix_ms: i64, chance: Chance, stream: u64) -> f64 {
    let unrest = 1.0
        + 0.05 * chance.wander(stream, unix_ms, 20 * 60_000)
        + 0.03 * chance.wander(stream + 1, unix_ms, 45_000)
        + 0.004 * chance.normal(stream + 2, unix_ms.div_euclid(1000));
    let level = match pattern {
        Pattern::Shifts => shifts(moment),
        Pattern::Office => office(moment),
        Pattern::Thermostat { cycle_s, duty } => on(cycle_s, duty, unix_ms, chance, stream + 3),
        Pattern::ShiftThermostat { cycle_s, duty } => {
            shifts(moment) * on(cycle_s, duty, unix_ms, chance, stream + 3)
        }
        Pattern::Always => 1.0,
    };
    level * unrest
}

/// The packing hall's level of work.
fn shifts(moment: Local) -> f64 {
    const IDLE: f64 = 0.12;
    let work = match moment.weekday {
        0..=4 => {
            let pause = 0.3 * window(moment.hour, 10.0, 10.3, 0.05)
                + 0.4 * window(moment.hour, 13.95, 14.15, 0.05)
                + 0.3 * window(moment.hour, 18.0, 18.5, 0.05);
            window(moment.hour, 5.8, 22.0, 0.3) * (1.0 - pause)
        }
        5 => 0.7 * window(moment.hour, 5.8, 12.2, 0.3),
        _ => 0.0,
    };
    IDLE + (1.0 - IDLE) * work
}

/// The offices' level of work.
fn office(moment: Local) -> f64 {
    const IDLE: f64 = 0.15;
    let work = if moment.weekday < 5 { window(moment.hour, 7.6, 17.4, 0.6) } else { 0.0 };
    IDLE + (1.0 - IDLE) * work
}

/// 0 outside `from..to`, 1 inside, with ramps of `ramp` hours around both ends.
fn window(hour: f64, from: f64, to: f64, ramp: f64) -> f64 {
    let up = ((hour - from) / ramp + 0.5).clamp(0.0, 1.0);
    let down = ((to - hour) / ramp + 0.5).clamp(0.0, 1.0);
    up.min(down)
}

/// A thermostat's 0 or 1; each cycle is on for a slightly different time.
fn on(cycle_s: i64, duty: f64, unix_ms: i64, chance: Chance, stream: u64) -> f64 {
    let cycle_ms = cycle_s * 1000;
    let shifted = unix_ms + (chance.even(stream, -1) * cycle_ms as f64) as i64;
    let cycle = shifted.div_euclid(cycle_ms);
    let part = shifted.rem_euclid(cycle_ms) as f64 / cycle_ms as f64;
    let on_for = duty * (0.85 + 0.3 * chance.even(stream, cycle));
    if part < on_for { 1.0 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hall_works_on_a_weekday_afternoon_and_rests_on_sunday() {
        let at = |weekday, hour| shifts(Local { weekday, hour });
        assert!(at(2, 16.0) > 0.95);
        assert!(at(6, 16.0) < 0.2);
        assert!(at(2, 3.0) < 0.2);
        assert!(at(5, 9.0) > 0.6 && at(5, 9.0) < 0.8);
        assert!(at(2, 18.2) < at(2, 17.0), "supper break");
    }

    #[test]
    fn local_time_follows_the_zone_through_its_change_of_clocks() {
        let clock = WallClock::new(Working::Calendar);
        // Friday 2026-03-06 18:00 UTC is 11:00, Monday 2026-03-09 18:00 UTC already 12:00.
        let friday = clock.local(1_772_820_000_000);
        let monday = clock.local(1_773_079_200_000);
        assert_eq!(friday, Local { weekday: 4, hour: 11.0 });
        assert_eq!(monday, Local { weekday: 0, hour: 12.0 });
    }

    #[test]
    fn mid_shift_is_the_same_at_midnight() {
        let clock = WallClock::new(Working::MidShift);
        assert_eq!(clock.working_moment(0), clock.working_moment(43_200_000));
    }
}
