//! Default limits on temperatures.

use super::{Rating, first_figure, level, limit, mean_level};
use crate::measurand::Measurand;
use crate::plant::Priority::{High, Journal, Low, Urgent};
use crate::plant::{Bound, Cooling, Level, Limit, TripPoints};
use crate::time::Span;

/// Sensor in the winding duct of a dry type, by class: high and urgent in °C (common practice, no source).
const DRY_WINDING: &[(u16, f64, f64)] = &[
    (105, 90.0, 100.0),
    (130, 110.0, 120.0),
    (150, 130.0, 145.0),
    (155, 130.0, 145.0),
    (180, 150.0, 170.0),
    (185, 150.0, 170.0),
    (200, 170.0, 185.0),
    (220, 190.0, 205.0),
];

/// The maker's own trip points win over any table.
pub(super) fn winding(rating: &Rating) -> Option<Limit> {
    let minute = Span::seconds(60);
    let TripPoints { warn_c, trip_c } = rating.trip_points;
    let (levels, origin): (Vec<Level>, _) = if warn_c.is_some() || trip_c.is_some() {
        let points = [(warn_c, High), (trip_c, Urgent)];
        let levels = points.into_iter().filter_map(|(point, priority)| Some(level(point?, priority, minute)));
        (levels.collect(), "the maker's own trip points")
    } else if rating.cooling.is_some_and(Cooling::is_liquid) {
        (
            vec![level(120.0, High, minute), level(140.0, Urgent, minute)],
            "hot spot of a liquid-filled unit, common practice",
        )
    } else {
        let of_class = |(class, ..): &&(u16, f64, f64)| Some(*class) == rating.insulation_class_c;
        let (_, high, urgent) = *DRY_WINDING.iter().find(of_class)?;
        (vec![level(high, High, minute), level(urgent, Urgent, minute)], "insulation class, common practice")
    };
    Some(Limit { latch: true, ..limit(Measurand::Winding, levels, 3.0, Span::minutes(5), origin) })
}

/// Largest usual average rise of a class in kelvin: dry types of North America, and for classes that only IEC has, its
/// table. Sources: public class tables; 130, 180 and 185 from memory of C57.12.01 and UL 1561.
const LARGEST_RISE: &[(u16, f64)] = &[
    (105, 55.0),
    (120, 75.0),
    (130, 60.0),
    (150, 80.0),
    (155, 100.0),
    (180, 115.0),
    (185, 115.0),
    (200, 130.0),
    (220, 150.0),
];

/// Largest usual average rise of a class in kelvin.
pub(crate) fn usual_rise_k(class_c: u16) -> Option<f64> {
    LARGEST_RISE.iter().find(|(known, _)| *known == class_c).map(|(_, rise)| *rise)
}

/// Above what a healthy unit would show now: cooling, or one winding. In shares of the rated rise: 10, 15 and 30 % for two
/// hours (common practice, no source). `oil`: of the top oil, which rises 10 K less than the windings.
pub(super) fn above_expected(on: Measurand, rating: &Rating) -> Option<Limit> {
    let liquid = rating.cooling.is_some_and(Cooling::is_liquid);
    let usual = || if liquid { Some(65.0) } else { rating.insulation_class_c.and_then(usual_rise_k) };
    let rise = rating.rated_rise_k.or_else(usual)?;
    let two_hours = Span::hours(2);
    let step = |share: f64, priority| mean_level((share * rise * 10.0).round() / 10.0, priority, two_hours);
    let levels = vec![step(0.10, Journal), step(0.15, Low), step(0.30, High)];
    let origin = format!(
        "10, 15 and 30 % of the rated rise of {rise} K above what a healthy unit would show, common practice"
    );
    Some(limit(on, levels, first_figure(0.02 * rise), Span::minutes(30), &origin))
}

/// The warmest spot of windings in a liquid; for a dry type the sensors in its windings are judged.
pub(super) fn hot_spot(rating: &Rating) -> Option<Limit> {
    let minute = Span::seconds(60);
    let levels = vec![level(120.0, High, minute), level(140.0, Urgent, minute)];
    let origin = "hot spot of a liquid-filled unit, common practice";
    let limit = Limit { latch: true, ..limit(Measurand::HotSpot, levels, 3.0, Span::minutes(5), origin) };
    rating.cooling.is_some_and(Cooling::is_liquid).then_some(limit)
}

/// The model passes the limit of the hot spot within two hours.
pub(super) fn load_time_left() -> Limit {
    let levels = vec![mean_level(2.0, Urgent, Span::minutes(10))];
    let origin = "the model passes the limit of the hot spot within 2 h, common practice";
    Limit { bound: Bound::Low, ..limit(Measurand::LoadTimeLeft, levels, 0.5, Span::minutes(30), origin) }
}

pub(super) fn winding_rise(rating: &Rating) -> Option<Limit> {
    let (rise, origin) = match rating.rated_rise_k {
        Some(rise) => (rise, "rated rise and 15 K, common practice".to_owned()),
        None if rating.cooling.is_some_and(Cooling::is_liquid) => return None,
        None => {
            let class = rating.insulation_class_c?;
            let (_, rise) = LARGEST_RISE.iter().find(|(known, _)| *known == class)?;
            (
                *rise,
                format!(
                    "rise not given, so the largest usual one of class {class} is taken, {rise} K; 15 K common practice"
                ),
            )
        }
    };
    let levels = vec![level(rise + 15.0, Low, Span::minutes(10))];
    Some(Limit { latch: true, ..limit(Measurand::WindingRise, levels, 3.0, Span::minutes(10), &origin) })
}

pub(super) fn top_oil() -> Limit {
    let minute = Span::seconds(60);
    let levels = vec![level(95.0, High, minute), level(105.0, Urgent, minute)];
    Limit { latch: true, ..limit(Measurand::TopOil, levels, 3.0, Span::minutes(5), "common practice") }
}

pub(super) fn termination() -> Limit {
    let levels = vec![level(90.0, High, Span::minutes(5)), level(105.0, Urgent, Span::minutes(1))];
    Limit { latch: true, ..limit(Measurand::Termination, levels, 2.0, Span::minutes(10), "common practice") }
}
