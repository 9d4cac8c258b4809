//! In what context a meter's readings are taken: volts that have just come back, a transfer a moment ago, a source of
//! its own. What is not judged then neither rises nor clears.
//!
//! Everything is dated in the time of the readings and remembered for a while, so a reading is taken in the context of
//! its own moment: neither the order of arrival nor a restart matters.

use crate::measurand::{Measurand, Quantity};
use crate::reading::Sample;
use crate::supply::SourceKind;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// For so long after volts return, unbalance and distortion are those of cores that are being magnetised (common
/// practice, no source).
pub const ENERGISING: Span = Span::seconds(30);
/// For so long after a transfer what a supply is like is marked and not judged (common practice, no source).
pub const AFTER_TRANSFER: Span = Span::minutes(5);
/// On a generator or an island the default steps of distortion and unbalance of the volts stand so many times as high:
/// 8 to 10 % of THD are usual there (common practice, no source).
pub const WIDER: f64 = 1.5;
/// Mean volts below this share of nominal are none. Source: IEEE 1159, an interruption.
const NO_VOLTS: f64 = 0.10;

/// In what context a reading is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Context {
    /// What feeds what the meter sits on, as far as that was ever known; else what feeds it normally.
    pub source: SourceKind,
    /// Whether it is certain that its own transformer feeds it.
    pub at_home: bool,
    /// When it was last transferred to another supply.
    pub transferred: Option<EventTime>,
    /// When its volts last came back.
    pub energised: Option<EventTime>,
}

impl Context {
    /// Of what is fed by the public grid, as always.
    pub const USUAL: Self =
        Self { source: SourceKind::Utility, at_home: true, transferred: None, energised: None };

    /// Until when something is not judged after the volts came back or after a transfer, if that is later than `at`.
    pub fn settles(&self, at: EventTime) -> Option<EventTime> {
        let energised = self.energised.map(|since| since + ENERGISING);
        let ends = [energised, self.transferred.map(|since| since + AFTER_TRANSFER)];
        ends.into_iter().flatten().max().filter(|end| *end > at)
    }
}

/// What a limit does on a generator or an island.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnOwnSource {
    /// The same as on the public grid.
    Same,
    /// Its steps stand [`WIDER`] times as high.
    Wider,
    /// Nothing: it is a table for the public grid.
    NotJudged,
}

/// When a limit is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gate {
    /// Not in the first [`ENERGISING`] after volts return.
    pub energising: bool,
    /// Not in the first [`AFTER_TRANSFER`].
    pub transfer: bool,
    /// What it does on a generator or an island.
    pub own_source: OnOwnSource,
}

impl Gate {
    /// Of a limit on a quantity. Volts themselves are judged always: a supply that fails to come must be told.
    pub fn of(quantity: Quantity, is_default: bool) -> Self {
        use Measurand as M;
        let energising = match quantity.what {
            M::VoltageUnbalance
            | M::VoltageNegativeSequence
            | M::VoltageZeroSequence
            | M::CurrentUnbalance
            | M::CurrentNegativeSequence
            | M::CurrentZeroSequence
            | M::VoltageThd
            | M::CurrentThd
            | M::CurrentTdd
            | M::TriplenCurrent
            | M::EvenCurrent
            | M::OddCurrent
            | M::SecondOrder
            | M::NeutralUnexplained => true,
            M::VoltageHarmonic | M::VoltageHarmonicVolts | M::CurrentHarmonic | M::CurrentHarmonicAmperes => {
                quantity.number > 1
            }
            _ => false,
        };
        let of_supply = matches!(quantity.what, M::Frequency | M::Excitation | M::TapVoltage);
        let own_source = match quantity.what {
            M::CurrentTdd if is_default => OnOwnSource::NotJudged,
            M::VoltageThd | M::VoltageHarmonic | M::VoltageUnbalance if is_default => OnOwnSource::Wider,
            _ => OnOwnSource::Same,
        };
        Self { energising, transfer: energising || of_supply, own_source }
    }

    /// Whether a value at `at` is judged that was made over so long: a mean that has something in it of what is not judged
    /// is not judged either.
    pub fn lets(self, context: &Context, at: EventTime, over: Span) -> bool {
        let within =
            |since: Option<EventTime>, settles: Span| since.is_some_and(|since| at < since + settles + over);
        let own = context.source != SourceKind::Utility && self.own_source == OnOwnSource::NotJudged;
        !(own
            || self.energising && within(context.energised, ENERGISING)
            || self.transfer && within(context.transferred, AFTER_TRANSFER))
    }

    /// How many times as high its steps stand.
    pub fn times(self, context: &Context) -> f64 {
        let own = context.source != SourceKind::Utility;
        if own && self.own_source == OnOwnSource::Wider { WIDER } else { 1.0 }
    }
}

/// How many turns are remembered: four losses and four returns. A reading is judged seconds late at the most, and a grid's step
/// some minutes.
const REMEMBERED: usize = 8;

/// When volts went and came back, of one meter that gives any.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Returns {
    /// The latest first: when, and whether they went.
    turns: [Option<(EventTime, bool)>; REMEMBERED],
}

impl Returns {
    /// Takes what one reading says: series of volts with what is nominal for each. Without any nothing is known. True: they went
    /// or came back.
    pub(crate) fn observe(&mut self, at: EventTime, volts: &[(usize, f64)], row: &[Sample]) -> bool {
        let (mut shares, mut count) = (0.0, 0.0);
        for share in volts.iter().filter_map(|(series, nominal)| Some(row[*series].get()? / nominal)) {
            shares += share;
            count += 1.0;
        }
        if count == 0.0 {
            return false;
        }
        let gone = shares < NO_VOLTS * count;
        let turned = self.turns[0].is_some_and(|(_, gone)| gone) != gone;
        if turned {
            self.turns.rotate_right(1);
            self.turns[0] = Some((at, gone));
        }
        turned
    }

    /// Whether there were none before `at`, where this meter's readings may come late by `slack`. What is of one moment may come in
    /// any order, so it counts after it.
    pub(crate) fn gone_before(&self, at: EventTime, slack: Span) -> bool {
        let known = self.turns.iter().flatten().find(|(moment, _)| *moment + slack < at);
        known.is_some_and(|(_, gone)| *gone)
    }

    /// The first time after `at` from which [`Returns::gone_before`] knows of another turn.
    pub(crate) fn next_turn(&self, at: EventTime, slack: Span) -> Option<EventTime> {
        let known = self.turns.iter().flatten().map(|(moment, _)| *moment + slack + Span(1));
        known.filter(|moment| *moment > at).min()
    }

    fn moments(&self) -> impl Iterator<Item = EventTime> {
        self.turns.iter().flatten().filter(|(_, gone)| !gone).map(|(moment, _)| *moment)
    }

    /// The latest return of which a reading at `at` of the same meter knows.
    pub(crate) fn until(&self, at: EventTime) -> Option<EventTime> {
        self.moments().find(|moment| *moment <= at)
    }

    /// The same for another meter, where this one's readings may come late by `slack`. What is of one moment may come in
    /// any order, so it begins after it.
    pub(crate) fn before(&self, at: EventTime, slack: Span) -> Option<EventTime> {
        self.moments().find(|moment| *moment + slack < at)
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.turns.iter_mut().flatten().for_each(|(moment, _)| *moment += by);
    }
}

/// What feeds a thing from some moment on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Supplied {
    pub(crate) from: EventTime,
    pub(crate) source: SourceKind,
    pub(crate) at_home: bool,
    pub(crate) transferred: Option<EventTime>,
}

impl Supplied {
    pub(crate) const USUAL: Self =
        Self { from: EventTime(i64::MIN), source: SourceKind::Utility, at_home: true, transferred: None };
}

/// What has fed a thing lately: made anew from what is known of states each time that one moves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Supplies {
    /// In the order of time, never empty.
    pub(crate) stretches: Vec<Supplied>,
}

impl Supplies {
    pub(crate) fn usual() -> Self {
        Self { stretches: vec![Supplied::USUAL] }
    }

    /// What fed it just before `at`: what changes in that very moment may come in any order.
    pub(crate) fn before(&self, at: EventTime) -> Supplied {
        let known = self.stretches.iter().rev().find(|stretch| stretch.from < at);
        known.or(self.stretches.first()).copied().unwrap_or(Supplied::USUAL)
    }

    /// The first time after `at` from which [`Supplies::before`] knows of another stretch.
    pub(crate) fn next_turn(&self, at: EventTime) -> Option<EventTime> {
        let ways = self.stretches.iter().skip(1).map(|stretch| stretch.from + Span(1));
        ways.filter(|from| *from > at).min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phases::Place;

    const AT: EventTime = EventTime(1_767_225_600_000);

    fn gate(what: Measurand) -> Gate {
        Gate::of(Quantity::whole(what), true)
    }

    #[test]
    fn what_a_core_and_a_transfer_do_is_not_judged_and_what_must_be_told_is() {
        let context = Context { energised: Some(AT), ..Context::USUAL };
        let lets = |what, seconds: i64| gate(what).lets(&context, AT + Span::seconds(seconds), Span::ZERO);
        for what in [Measurand::VoltageUnbalance, Measurand::EvenCurrent, Measurand::CurrentThd] {
            assert!(!lets(what, 0) && !lets(what, 29) && lets(what, 30), "{what:?}");
        }
        assert!(
            lets(Measurand::Frequency, 1) && lets(Measurand::VoltageLn, 1) && lets(Measurand::Current, 1)
        );
        let context = Context { transferred: Some(AT), ..Context::USUAL };
        let lets = |what, seconds: i64| gate(what).lets(&context, AT + Span::seconds(seconds), Span::ZERO);
        for what in [Measurand::VoltageThd, Measurand::Frequency] {
            assert!(!lets(what, 299) && lets(what, 300), "{what:?}");
        }
        assert!(
            lets(Measurand::VoltageLl, 1) && lets(Measurand::Winding, 1) && lets(Measurand::LoadingKva, 1)
        );
        let order = |number| Gate::of(Quantity::numbered(Measurand::CurrentHarmonic, Place::A, number), true);
        assert!(order(2).energising && !order(1).energising, "the first order is the load itself");
    }

    #[test]
    fn a_mean_is_judged_when_nothing_of_it_is_left_in_its_window() {
        let context = Context { energised: Some(AT), ..Context::USUAL };
        let lets = |seconds| {
            let at = AT + Span::seconds(seconds);
            gate(Measurand::VoltageThd).lets(&context, at, Span::minutes(10))
        };
        assert!(!lets(629) && lets(630));
    }

    #[test]
    fn a_generator_has_no_table_of_the_public_grid_and_wider_steps_where_the_owner_set_none() {
        let context = Context { source: SourceKind::Generator, ..Context::USUAL };
        assert!(!gate(Measurand::CurrentTdd).lets(&context, AT, Span::ZERO));
        let thd = gate(Measurand::VoltageThd);
        let own = Gate::of(Quantity::whole(Measurand::VoltageThd), false);
        let times = [thd.times(&context), thd.times(&Context::USUAL), own.times(&context)];
        assert_eq!(Some(times), Some([WIDER, 1.0, 1.0]));
        assert!(Gate::of(Quantity::whole(Measurand::CurrentTdd), false).lets(&context, AT, Span::ZERO));
    }

    #[test]
    fn volts_return_once_and_absent_ones_say_nothing() {
        let volts = [(0, 120.0), (1, 120.0), (2, 120.0)];
        let mut returns = Returns::default();
        // A sag to 30 % is no interruption (IEEE 1159: below a tenth). Seen to fail with a half for the tenth.
        for (second, share) in [(-3, 1.0), (-2, 0.3), (-1, 1.0)] {
            returns.observe(AT + Span::seconds(second), &volts, &[Sample::new(120.0 * share); 3]);
        }
        assert_eq!(returns.until(AT), None);
        let mut see = |second, values: [f64; 3]| {
            returns.observe(AT + Span::seconds(second), &volts, &values.map(Sample::new));
            returns.until(AT + Span::seconds(second)).map(|at| (at - AT).0 / 1000)
        };
        assert_eq!(see(0, [120.0; 3]), None, "they never went");
        assert_eq!(see(1, [120.0, 0.0, 120.0]), None, "a lost phase is no interruption");
        assert_eq!(see(2, [1.0, 0.0, 2.0]), None);
        assert_eq!(see(3, [f64::NAN; 3]), None);
        assert_eq!(see(4, [118.0, 117.0, f64::NAN]), Some(4));
        assert_eq!(see(5, [118.0; 3]), Some(4));
        assert_eq!(returns.before(AT + Span::seconds(4), Span::ZERO), None, "another meter's same moment");
        assert_eq!(returns.until(AT + Span::seconds(3)), None, "what came late is of before");
        assert!(returns.before(AT + Span::seconds(5), Span::ZERO).is_some());
    }

    #[test]
    fn the_moment_of_a_reading_decides_what_fed_it() {
        let later = Supplied { from: AT, source: SourceKind::Generator, ..Supplied::USUAL };
        let supplies = Supplies { stretches: vec![Supplied::USUAL, later] };
        assert_eq!(supplies.before(AT).source, SourceKind::Utility);
        assert_eq!(supplies.before(AT + Span(1)).source, SourceKind::Generator);
    }
}
