//! What one meter hears: what is usual, what departs from it, and which faces of a lost conductor stand.

use super::excursion::{DEAD, Excursion};
use super::faces::{Stand, faces};
use super::heard::{CHANNELS, Heard, Notice, VOLTS, idle};
use crate::context::ENERGISING;
use crate::diagnosis::cause::Cause;
use crate::diagnosis::plan::{CircuitPlan, MeterPlace};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Readings of which the middle one is the usual: what lasts for three of them does not move it.
const KEPT: usize = 8;
/// So many must be there before anything is usual.
const ENOUGH: u8 = 5;
/// Times of readings that are kept: more than a minute of a meter of one second, which waits for the slowest.
const TIMES: usize = 96;
/// Volts depart from this share on: less is what taps, cables and ordinary loads do (common practice, no source).
const VOLTS_DEPART: f64 = 0.015;
/// And from so many times the usual scatter on.
const SCATTERS: f64 = 8.0;
/// Amperes depart from this share of the rating on.
pub(super) const AMPERES_DEPART: f64 = 0.15;
/// And from this share of the usual ones.
const OF_USUAL: f64 = 0.4;
/// The scatter follows new readings by this share.
const FOLLOWS: f64 = 1.0 / 32.0;
/// A departure that lasts longer is no excursion but a new state: the longest short event of IEEE 1159.
const LASTING: Span = Span::seconds(60);
/// Volts as before in so many readings in a row: what the amperes did is a change of the load.
const CALM: u8 = 6;
/// A gap of this length: what was usual before it is so no more.
const GAP: Span = Span::seconds(120);
/// Excursions that wait for the other meters.
const MOST_DONE: usize = 16;
/// A feeder all of whose amperes were gone within so long switches its loads off as a whole, and so does one that was not heard for this
/// while: of those nothing is concluded from amperes that are gone (common practice, no source).
const GOES_OFF: Span = Span::hours(8 * 24);
/// See [`GOES_OFF`].
const KNOWN_FOR: Span = Span::hours(3);
/// Less than this share of the usual amperes, or of the rating, is none: what a meter shows of nothing.
const NOTHING: (f64, f64) = (0.02, 0.004);

/// What one meter hears.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Ear {
    pub(super) circuit: usize,
    /// Which of its channels the meter has, a bit each.
    pub(super) shape: u16,
    /// Its latest reading.
    pub(super) last: Option<EventTime>,
    times: Vec<EventTime>,
    next_time: u8,
    recent: [Heard; KEPT],
    next: u8,
    count: u8,
    /// What is usual; it stands still while something departs.
    pub(super) usual: Heard,
    scatter: [f64; CHANNELS],
    /// What departs now.
    pub(super) open: Option<Box<(Excursion, [Heard; KEPT])>>,
    /// What has departed and come back, oldest first.
    pub(super) done: Vec<Excursion>,
    /// Faces that stand or stood.
    pub(super) faces: Vec<Stand>,
    /// Not judged until then.
    settles: Option<EventTime>,
    /// Since when all its volts are dead, and until when they were.
    pub(super) dead: Option<(EventTime, Option<EventTime>)>,
    breaker: Option<bool>,
    /// Its first reading, and the latest in which all its amperes were nothing.
    first: Option<EventTime>,
    off: Option<EventTime>,
}

impl Ear {
    /// `None` for a meter of neither volts nor amperes.
    pub(super) fn new(place: &MeterPlace) -> Option<Self> {
        let shape = shape(place);
        (shape != 0).then(|| Self {
            circuit: place.circuit,
            shape,
            last: None,
            times: Vec::with_capacity(TIMES),
            next_time: 0,
            recent: [Heard::default(); KEPT],
            next: 0,
            count: 0,
            usual: Heard::default(),
            scatter: [0.0; CHANNELS],
            open: None,
            done: Vec::new(),
            faces: Vec::new(),
            settles: None,
            dead: None,
            breaker: None,
            first: None,
            off: None,
        })
    }

    /// Whether it hears volts.
    pub(super) fn has_volts(&self) -> bool {
        self.shape & ((1 << VOLTS) - 1) != 0
    }

    /// Whether there was a reading within this time, give or take `about`.
    pub(super) fn looked(&self, from: EventTime, until: EventTime, about: Span) -> bool {
        let mut times = self.times.iter();
        times.any(|time| *time >= from - about && *time <= until + about)
    }

    /// What it hears of one reading. Of a meter whose values do not fit the nameplate only that is asked which would explain it.
    pub(super) fn hear(&mut self, circuit: &CircuitPlan, every: Span, notice: &Notice) {
        let Notice { at, fits, heard: now, .. } = *notice;
        if self.last.is_some_and(|last| at - last > GAP.max(every.times(3))) {
            self.forget();
        }
        let step = self.last.map_or(GAP, |last| at - last);
        self.last = Some(at);
        match self.times.get_mut(usize::from(self.next_time)) {
            Some(oldest) => *oldest = at,
            None => self.times.push(at),
        }
        self.next_time = (self.next_time + 1) % TIMES as u8;
        let opened = self.note_breaker(notice.closed);
        let was_dead = self.note_dead(&now, at);
        if was_dead {
            self.settles = Some(at + ENERGISING);
        }
        let settles = self.settles.is_some_and(|until| at < until);
        faces(self, circuit, (at, fits), &now, settles);
        if !fits {
            return;
        }
        self.follow(circuit, (at, step, opened), &now, notice.second_order, settles);
        self.first.get_or_insert(at);
        let amperes = now.amperes();
        if amperes.iter().all(|amperes| amperes.is_some_and(|amperes| amperes <= self.nothing(circuit))) {
            self.off = Some(at);
        }
        self.push(&now);
    }

    fn note_breaker(&mut self, closed: Option<bool>) -> bool {
        let before = self.breaker;
        self.breaker = closed.or(before);
        before == Some(true) && closed == Some(false)
    }

    /// Whether the volts have just come back from nothing.
    fn note_dead(&mut self, now: &Heard, at: EventTime) -> bool {
        let mut volts = now.volts().peekable();
        if volts.peek().is_none() {
            return false;
        }
        let dead = volts.all(|volts| volts < DEAD);
        match (self.dead, dead) {
            (None | Some((_, Some(_))), true) => self.dead = Some((at, None)),
            (Some((since, None)), false) => {
                self.dead = Some((since, Some(at)));
                return true;
            }
            _ => {}
        }
        false
    }

    /// When its volts last came back from nothing.
    pub(super) fn came_back(&self) -> Option<EventTime> {
        self.dead.and_then(|(_, until)| until)
    }

    /// Whether all its volts were dead at that moment.
    pub(super) fn is_dead(&self, at: EventTime) -> bool {
        self.dead.is_some_and(|(since, until)| since <= at && until.is_none_or(|until| at < until))
    }

    /// Whether a face of a lost conductor or of a blown fuse of the meter stood while something departed, give or take `about`.
    pub(super) fn stood(&self, excursion: &Excursion, about: Span) -> bool {
        self.faces.iter().any(|face| {
            let moves = matches!(face.cause, Cause::LostPhase | Cause::LostPrimaryLine | Cause::MeterFuse);
            let met = face.since <= excursion.last + about
                && face.gone.is_none_or(|gone| gone + about >= excursion.start);
            moves && face.stood.is_some() && met
        })
    }

    fn follow(
        &mut self,
        circuit: &CircuitPlan,
        (at, step, opened): (EventTime, Span, bool),
        now: &Heard,
        second_order: Option<f64>,
        settles: bool,
    ) {
        let nothing = self.nothing(circuit);
        if self.open.is_none() {
            if self.count < ENOUGH || settles || !(opened || self.departs(circuit, now)) {
                return;
            }
            let mut excursion = Excursion::begin(at, self.usual, *now);
            excursion.goes_off = self.off.is_some_and(|off| at - off < GOES_OFF)
                || self.first.is_none_or(|first| at - first < KNOWN_FOR);
            self.open = Some(Box::new((excursion, self.recent)));
        }
        let departs = self.departs(circuit, now);
        let volts_depart = self.volts_depart(now);
        // What a face says stands, and is the new usual no sooner than it ends.
        let stands = self.faces.iter().any(|face| {
            let moves = matches!(face.cause, Cause::LostPhase | Cause::LostPrimaryLine | Cause::MeterFuse);
            moves && face.gone.is_none()
        });
        let Some(open) = &mut self.open else { return };
        let (excursion, recent) = (&mut open.0, open.1);
        excursion.opened |= opened;
        excursion.step = excursion.step.min(step);
        excursion.closed = self.breaker == Some(true);
        if !departs {
            excursion.over = Some(at);
            excursion.after = *now;
            self.recent = recent;
            self.close();
            return;
        }
        excursion.take(at, now, nothing);
        excursion.second_order = second_order.into_iter().chain(excursion.second_order).reduce(f64::max);
        excursion.calm = if volts_depart { 0 } else { excursion.calm.saturating_add(1) };
        if excursion.calm >= CALM || (at - excursion.start >= LASTING && !stands) {
            excursion.lasting = true;
            excursion.after = *now;
            self.close();
        }
    }

    fn close(&mut self) {
        if let Some(open) = self.open.take() {
            if self.done.len() >= MOST_DONE {
                self.done.remove(0);
            }
            self.done.push(open.0);
        }
    }

    /// Amperes below this are none.
    fn nothing(&self, circuit: &CircuitPlan) -> f64 {
        let most = self.usual.amperes().into_iter().flatten().fold(0.0, f64::max);
        (NOTHING.0 * most).max(NOTHING.1 * circuit.rated_a.unwrap_or(0.0))
    }

    fn volts_depart(&self, now: &Heard) -> bool {
        (0..VOLTS).any(|channel| {
            let (Some(now), Some(usual)) = (now.0[channel], self.usual.0[channel]) else { return false };
            (now - usual).abs() > (VOLTS_DEPART * usual).max(SCATTERS * self.scatter[channel])
        })
    }

    fn departs(&self, circuit: &CircuitPlan, now: &Heard) -> bool {
        let rated = circuit.rated_a.unwrap_or(0.0);
        self.volts_depart(now)
            || (VOLTS..CHANNELS).any(|channel| {
                let (Some(now), Some(usual)) = (now.0[channel], self.usual.0[channel]) else { return false };
                let least = (AMPERES_DEPART * rated).max(OF_USUAL * usual).max(idle(circuit));
                let gone = usual >= 2.0 * idle(circuit) && now <= NOTHING.0 * usual;
                gone || (now - usual).abs() > least.max(SCATTERS * self.scatter[channel])
            })
    }

    /// Takes a reading into what is usual.
    fn push(&mut self, now: &Heard) {
        self.recent[usize::from(self.next) % KEPT] = *now;
        self.next = (self.next + 1) % KEPT as u8;
        self.count = self.count.saturating_add(1).min(KEPT as u8);
        if self.open.is_some() {
            return;
        }
        if self.count >= ENOUGH {
            for channel in 0..CHANNELS {
                if let (Some(now), Some(usual)) = (now.0[channel], self.usual.0[channel]) {
                    self.scatter[channel] += FOLLOWS * ((now - usual).abs() - self.scatter[channel]);
                }
            }
        }
        for channel in 0..CHANNELS {
            self.usual.0[channel] = middle(&self.recent[..usize::from(self.count)], channel);
        }
    }

    fn forget(&mut self) {
        (self.next, self.count, self.open, self.breaker) = (0, 0, None, None);
        self.recent = [Heard::default(); KEPT];
        self.usual = Heard::default();
        for face in &mut self.faces {
            face.gone = face.gone.or(Some(face.last));
        }
    }

    pub(super) fn shift(&mut self, by: Span) {
        let times = [&mut self.last, &mut self.settles, &mut self.first, &mut self.off];
        let times = times.into_iter().filter_map(Option::as_mut);
        times.chain(self.times.iter_mut()).for_each(|time| *time += by);
        let open = self.open.as_mut().map(|open| &mut open.0);
        for excursion in open.into_iter().chain(&mut self.done) {
            excursion.start += by;
            excursion.last += by;
            [&mut excursion.over, &mut excursion.nothing].into_iter().flatten().for_each(|time| *time += by);
        }
        for face in &mut self.faces {
            face.since += by;
            face.last += by;
            face.gone = face.gone.map(|gone| gone + by);
            face.stood = face.stood.map(|stood| stood + by);
        }
        self.dead = self.dead.map(|(since, until)| (since + by, until.map(|until| until + by)));
    }
}

/// Which channels a meter has, a bit each.
pub(super) fn shape(place: &MeterPlace) -> u16 {
    let channels = place.ln.iter().chain(&place.ll).chain(&place.amperes);
    channels.enumerate().filter(|(_, slot)| slot.is_some()).fold(0, |shape, (bit, _)| shape | 1 << bit)
}

/// The middle one of a channel's values.
fn middle(readings: &[Heard], channel: usize) -> Option<f64> {
    let mut values = [0.0; KEPT];
    let mut count = 0;
    for value in readings.iter().filter_map(|heard| heard.0[channel]) {
        values[count] = value;
        count += 1;
    }
    let values = &mut values[..count];
    values.sort_unstable_by(f64::total_cmp);
    values.get(count / 2).copied()
}
