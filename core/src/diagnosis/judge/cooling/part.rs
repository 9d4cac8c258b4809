//! What one winding, or the oil, shows over a healthy one: since when that may be judged, and when it would show.

use super::fans::Fans;
use crate::defaults::usual_rise_k;
use crate::diagnosis::docket::Mark;
use crate::diagnosis::judge::standing::Standing;
use crate::diagnosis::look::{Look, of_quantity};
use crate::diagnosis::plan::UnitPlan;
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::{Cooling as Kind, Priority};
use crate::thermal::dry_type::{NATURAL_AIR, steady_rise_k};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Over what is expected, as shares of the rated rise: from where on it is a fault, and a pressing one.
pub(super) const SHARES: [(f64, Priority); 2] = [(0.12, Priority::Low), (0.30, Priority::High)];
/// And as a share of the rise that is expected now: what a calibration may hide, or harmonics that no meter shows add to a
/// healthy unit, stays below. A vent that is half blocked adds three quarters.
const OF_RISE: f64 = 0.25;
/// The same where no meter shows the spectrum of the load: drives without a reactor on most of it make a rise a quarter larger
/// (worked: harmonic loss factor 3, 12 % eddy loss), and the middle coil runs a little warmer.
const OF_RISE_WITHOUT_SPECTRUM: f64 = 0.3;
/// The same while fans run: how much they take hangs on their stream, which no nameplate tells.
const OF_RISE_WITH_FANS: f64 = 0.4;
/// Below this share of the setpoint it does not show.
const BACK: f64 = 0.6;
/// So many times the setpoint is plain, and needs no long look.
const PLAIN: f64 = 1.5;
/// It must show for so long, and where it is plain.
const AFTER: (Span, Span) = (Span::hours(2), Span::minutes(30));
/// A unit that is slower or faster than its nameplate, or the air around it, makes a healthy winding warmer than expected for
/// a while; but never warmer than the most that was expected of so many hours, or than the present load makes it in the end.
const PAST: Span = Span::hours(3);
/// Pieces in which it is kept.
const PIECES: usize = 6;
/// What has not shown yet is looked for from this share of the rated rise on: there half a vent would show.
const LOOKED_FOR: f64 = 0.25;
/// It is gone where it does not show at so much of the rise at which it did: at night it is never cleared.
const ALIKE: f64 = 0.9;
/// A rise below this share of the rated one is none that cooling could change much: what a sensor shows over it then is its
/// own error, or that of the sensor in the air, and is taken off for so long. More than the other share is no such error.
const AT_REST: f64 = 0.15;
const REST_COUNTS: Span = Span::hours(36);
const LARGEST_ERROR: f64 = 0.06;
/// Without a sensor of the air: no room is warmer than this for a rating, in °C (C57.12.01's table of classes; IEC 60076-11
/// 4.2, from memory), so what a winding shows over a healthy one there is not the weather.
const WARMEST_ROOM_C: f64 = 40.0;
/// Average rise of windings in a liquid without a nameplate, and how much less their oil rises, in K (C57.12.00, from memory;
/// common practice).
const LIQUID_RISE_K: (f64, f64) = (65.0, 10.0);
/// Average rise of windings in air where neither it nor the class is known: the least that they are built for but one
/// (C57.12.01, from memory).
const AIR_RISE_K: f64 = 80.0;

/// What is remembered of one winding, or of the oil.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Part {
    pub(super) alone: Lasting,
    past: Past,
    /// What it showed over what was expected at rest, and when.
    rest: Option<(EventTime, f64)>,
    /// The least rise that was expected while it showed.
    showed_at: Option<f64>,
}

/// How long something has shown, and has been plain.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Lasting {
    shows: Standing,
    plain: Standing,
}

impl Lasting {
    /// Whether it has shown for long enough; `of_setpoint` is absent where it can't be told.
    pub(super) fn enough(&mut self, of_setpoint: Option<f64>, end: EventTime) -> bool {
        let plain = of_setpoint.map(|share| share > PLAIN);
        let plain = self.plain.for_span(plain, end, AFTER.1);
        self.shows.for_span(of_setpoint.map(|share| share > BACK), end, AFTER.0)
            && of_setpoint.is_some_and(|share| share > 1.0)
            || plain
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.shows.shift(by);
        self.plain.shift(by);
    }
}

/// What was expected in each piece of the past: the least rise and the highest temperature.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Past {
    pieces: [Option<(f64, f64)>; PIECES],
    since: Option<EventTime>,
}

/// What one winding, or the oil, shows now.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown {
    /// Over what is expected, without what it shows at rest.
    pub(super) over_k: f64,
    /// The part of it that no time constant explains.
    sure_k: f64,
    /// Whether what is not seen now is not there.
    tells: bool,
    /// What is expected is a bound, as the air is not known.
    pub(super) is_bound: bool,
    setpoint_k: f64,
    pub(super) mark: Mark,
    pub(super) measured: Mark,
}

impl Shown {
    /// How much of its setpoint it shows; absent where that can't be told.
    pub(super) fn of_setpoint(&self) -> Option<f64> {
        let [sure, all] = [self.sure_k, self.over_k].map(|over| over / self.setpoint_k);
        if all < BACK { Some(all) } else { (sure > BACK).then_some(sure) }
    }

    pub(super) fn is_gone(&self) -> bool {
        self.tells && self.over_k < BACK * self.setpoint_k
    }
}

/// What a healthy one would show.
#[derive(Debug, Clone, Copy)]
pub(super) struct Expected {
    pub(super) celsius: f64,
    pub(super) air_c: f64,
    /// So much more is measured.
    pub(super) over_k: f64,
    /// Where the present load brings its rise in the end, in K.
    pub(super) end_k: Option<f64>,
    pub(super) is_bound: bool,
}

impl Expected {
    /// Without a sensor of the air: the most that a healthy dry winding shows.
    pub(super) fn in_the_warmest_room(look: &Look<'_>, phase: usize, measured: f64) -> Option<Self> {
        let end_k = end_of_rise_k(look, phase)?;
        let celsius = WARMEST_ROOM_C + end_k;
        let over_k = measured - celsius;
        Some(Self { celsius, air_c: WARMEST_ROOM_C, over_k, end_k: Some(end_k), is_bound: true })
    }
}

/// Where a dry winding's present amperes bring its rise, cooled by still air, in K.
pub(super) fn end_of_rise_k(look: &Look<'_>, phase: usize) -> Option<f64> {
    let unit = &look.plan.unit;
    let dry = matches!(unit.cooling, Some(Kind::Dry | Kind::DryFan));
    let rated_a = look.plan.circuits[look.plan.load].rated_a.filter(|rated| dry && *rated > 0.0)?;
    let load = look.load().amperes[phase]? / rated_a;
    steady_rise_k(rated_rise_k(unit, false), load * load, NATURAL_AIR)
}

impl Past {
    /// Takes the rise and the temperature that are expected now; gives the least rise and the highest temperature of the time
    /// kept, and whether that is whole.
    fn take(&mut self, end: EventTime, now: (f64, f64)) -> (f64, f64, bool) {
        let piece = Span(PAST.0 / PIECES as i64);
        let since = *self.since.get_or_insert(end);
        if end - since >= piece {
            self.pieces.rotate_left(1);
            self.pieces[PIECES - 1] = None;
            self.since = Some(end);
        }
        let wider =
            |(least, most): (f64, f64), (rise, celsius): (f64, f64)| (least.min(rise), most.max(celsius));
        let latest = &mut self.pieces[PIECES - 1];
        *latest = Some(latest.map_or(now, |known| wider(known, now)));
        let (least, most) = self.pieces.iter().flatten().copied().fold(now, wider);
        (least, most, self.pieces.iter().all(Option::is_some))
    }
}

impl Part {
    pub(super) fn shift(&mut self, by: Span) {
        self.alone.shift(by);
        self.past.since = self.past.since.map(|since| since + by);
        self.rest = self.rest.map(|(at, over)| (at + by, over));
    }

    pub(super) fn shows(
        &mut self,
        look: &Look<'_>,
        (what, residual): (Measurand, Measurand),
        place: Place,
        (measured, expected): (f64, Expected),
    ) -> Shown {
        let (unit, load) = (&look.plan.unit, look.plan.load);
        let Expected { celsius, air_c, over_k: over, end_k, is_bound } = expected;
        let rise_k = celsius - air_c;
        let rated_k = rated_rise_k(unit, what == Measurand::TopOil);
        let (least, most_c, is_whole) = self.past.take(look.end, (rise_k, celsius));
        if most_c - air_c < AT_REST * rated_k && !is_bound {
            self.rest = Some((look.end, over));
        }
        let at_rest = self.rest.filter(|(at, _)| look.end - *at < REST_COUNTS);
        let over_k = over - at_rest.map_or(0.0, |(_, over)| over.clamp(0.0, LARGEST_ERROR * rated_k));
        let warmest_c = most_c.max(air_c + end_k.unwrap_or(rise_k));
        let sure_k = over_k - (warmest_c - celsius).max(0.0);
        let of_rise = match Fans::of(look) {
            Fans::On => OF_RISE_WITH_FANS,
            _ if knows_spectrum(look) => OF_RISE,
            _ => OF_RISE_WITHOUT_SPECTRUM,
        };
        let setpoint_k = (SHARES[0].0 * rated_k).max(of_rise * rise_k);
        if sure_k > setpoint_k {
            self.showed_at = Some(self.showed_at.map_or(rise_k, |known| known.min(rise_k)));
        }
        let at = self.showed_at.map_or(LOOKED_FOR * rated_k, |showed| ALIKE * showed);
        let mark = of_quantity(residual, place, load, over_k).against(setpoint_k);
        let measured = of_quantity(what, place, load, measured).against(celsius);
        Shown { over_k, sure_k, tells: is_whole && least > at, is_bound, setpoint_k, mark, measured }
    }
}

/// Whether a meter shows of what orders the load is.
fn knows_spectrum(look: &Look<'_>) -> bool {
    let load = look.load();
    load.orders.iter().chain([&load.current_thd]).flatten().any(Option::is_some)
}

/// Rated rise of the windings, or of the oil, in K.
pub(super) fn rated_rise_k(unit: &UnitPlan, oil: bool) -> f64 {
    let known = unit.rated_rise_k.filter(|rise| *rise > LIQUID_RISE_K.1);
    if oil {
        return known.unwrap_or(LIQUID_RISE_K.0) - LIQUID_RISE_K.1;
    }
    let usual = || unit.insulation_class_c.and_then(|class| usual_rise_k(class as u16));
    known.or_else(usual).unwrap_or(AIR_RISE_K)
}
