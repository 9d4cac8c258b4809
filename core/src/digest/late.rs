//! Minutes that came too late to be judged, in the rows of a day.

use super::{MeterRows, MinuteValue};
use crate::electrical::angle;
use crate::measurand::Kind;
use crate::meter::MINUTE;
use crate::time::EventTime;

impl MeterRows {
    /// Adds what came late of a minute: to its row, or as a row of its own in its place.
    pub fn add_late(&mut self, minute: EventTime, values: Vec<MinuteValue>) {
        let place = self.rows.partition_point(|(known, _)| *known < minute);
        match self.rows.get_mut(place).filter(|(known, _)| *known == minute) {
            Some((_, known)) => {
                for ((known, late), quantity) in known.iter_mut().zip(values).zip(&self.series) {
                    *known = known.with_late(quantity.what.kind(), late);
                }
            }
            None => self.rows.insert(place, (minute, values)),
        }
    }
}

impl MinuteValue {
    /// With what came late of the same minute. Of a counter what was known stays: where in the minute the late readings
    /// stand is not known.
    fn with_late(self, kind: Kind, late: Self) -> Self {
        let (weight, more) = (f64::from(self.covered_ms), f64::from(late.covered_ms));
        if late.covered_ms == 0 || (kind == Kind::Counter && self.covered_ms > 0) {
            return self;
        }
        if self.covered_ms == 0 {
            return late;
        }
        let mean = match kind {
            Kind::Angle => {
                let (sine, cosine) = (self.mean.to_radians().sin_cos(), late.mean.to_radians().sin_cos());
                let (cosines, sines) = (sine.1 * weight + cosine.1 * more, sine.0 * weight + cosine.0 * more);
                angle::mean(cosines, sines, weight + more).unwrap_or(self.mean)
            }
            _ => (self.mean * weight + late.mean * more) / (weight + more),
        };
        let most = self.covered_ms.max(MINUTE.0 as u32);
        Self {
            mean,
            min: self.min.min(late.min),
            max: self.max.max(late.max),
            covered_ms: self.covered_ms.saturating_add(late.covered_ms).min(most),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurand::Quantity;

    #[test]
    fn what_came_late_is_added_to_its_minute_or_stands_in_its_place() {
        let series = ["current_a.A", "voltage_angle_deg.A", "energy_import_wh"];
        let mut meter = MeterRows {
            transformer: "T2".to_owned(),
            feeder: None,
            meter: "MP-3".to_owned(),
            series: series.iter().filter_map(|key| Quantity::from_key(key)).collect(),
            limits: Vec::new(),
            rolls_over_at: Vec::new(),
            shortest_event: None,
            rows: Vec::new(),
        };
        assert_eq!(meter.series.len(), 3);
        let value = |mean: f64, covered_ms| MinuteValue { mean, min: mean, max: mean, covered_ms };
        let at = |minute: i64| EventTime(minute * MINUTE.0);
        meter.rows.push((at(1), vec![value(10.0, 45_000), value(179.0, 30_000), value(500.0, 45_000)]));
        meter.rows.push((at(3), vec![value(10.0, 60_000), MinuteValue::default(), value(700.0, 60_000)]));
        meter.add_late(at(1), vec![value(50.0, 15_000), value(-179.0, 30_000), value(480.0, 15_000)]);
        meter.add_late(at(2), vec![value(7.0, 1000); 3]);
        meter.add_late(at(3), vec![value(30.0, 60_000), value(5.0, 1000), MinuteValue::default()]);
        assert_eq!(meter.rows.iter().map(|(minute, _)| *minute).collect::<Vec<_>>(), [at(1), at(2), at(3)]);
        let first = &meter.rows[0].1;
        assert_eq!(first[0], MinuteValue { mean: 20.0, min: 10.0, max: 50.0, covered_ms: 60_000 });
        assert!((first[1].mean.abs() - 180.0).abs() < 1e-9, "angles meet on the circle: {:?}", first[1]);
        assert_eq!(first[2], value(500.0, 45_000), "the counter stays");
        assert_eq!(meter.rows[2].1[0].covered_ms, 60_000, "a minute is no longer than that");
        assert_eq!(meter.rows[2].1[1], value(5.0, 1000));
    }
}
