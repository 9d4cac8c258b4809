//! A limit passed, from the first word to the close.

use super::{about, at, ines, lines, often, revised, unbalance};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::measurand::Measurand;
use kvarden_core::output::{AlertRevision, Revised, Rule};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::time::Span;

#[test]
fn a_limit_passed_is_told_from_the_first_word_to_the_close() {
    use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
    let open = unbalance();
    let mut worse = revised(&open, Revised::Worse, Unacknowledged, "13:20");
    (worse.priority, worse.value, worse.peak, worse.setpoint) =
        (Priority::Urgent, Some(5.04), Some(5.04), Some(5.0));
    let mut milder = revised(&worse, Revised::Milder, Unacknowledged, "13:30");
    (milder.priority, milder.value, milder.setpoint) = (Priority::Low, Some(2.2), Some(2.0));
    let told = lines(&[
        open.clone(),
        worse.clone(),
        milder,
        revised(&open, Revised::Acknowledged { by: ines() }, Acknowledged, "13:40"),
        revised(&open, Revised::Returned, ReturnedUnacknowledged, "14:02"),
        revised(&open, Revised::Closed, Normal, "14:05"),
    ]);
    insta::assert_snapshot!(told, @r#"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10
    URGENT Larkspur Cannery T2, MP-3: voltage unbalance 5.04 % (limit 5.0 %) since 13:10; told now because it got worse or came back
    LOW Larkspur Cannery T2, MP-3: voltage unbalance 2.2 % (limit 2.0 %) since 13:10; was up to 5.0 %; milder than before, not over
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; acknowledged by Ines
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance back within limits since 14:02; still to be acknowledged; was up to 4.1 % (limit 3.0 %) since 13:10
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance back within limits, closed at 14:05; was up to 4.1 % (limit 3.0 %) since 13:10
    "#);
}

#[test]
fn what_comes_and_goes_is_told_with_how_often_and_how_long() {
    use AlarmState::{Acknowledged, ReturnedUnacknowledged, Unacknowledged};
    let level = AlertRevision { recurred: Some(often("13:10", "16:40")), at: at("16:40"), ..unbalance() };
    let rule = Rule::Recurrence { bound: Bound::High };
    let only = AlertRevision { rule, value: Some(0.9), setpoint: Some(2.0), ..level.clone() };
    let later = AlertRevision { since: at("14:00"), ..level.clone() };
    let mut next_day = revised(&only, Revised::CameAgain, Acknowledged, "16:40");
    next_day.at += Span::hours(24);
    insta::assert_snapshot!(lines(&[
        level,
        only.clone(),
        later,
        next_day,
        revised(&only, Revised::Acknowledged { by: ines() }, Acknowledged, "17:00"),
        revised(&only, Revised::Worse, Unacknowledged, "17:00"),
        revised(&only, Revised::Returned, ReturnedUnacknowledged, "22:40"),
    ]), @r#"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10, 31 times, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since 13:10, 31 times, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 14:00; 31 times since 13:10, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since Tue 24 Nov 13:10, 31 times, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since 13:10, 31 times, 2-9 s each; acknowledged by Ines
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since 13:10, 31 times, 2-9 s each; told now because it got worse or came back
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance not seen again after 16:40; still to be acknowledged; 31 times since 13:10, 2-9 s each; was up to 4.1 % (limit 2.0 %) since 13:10
    "#);
}

#[test]
fn a_hot_place_that_cooled_is_never_told_as_mended() {
    use AlarmState::{Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal};
    let mut hot = about(Measurand::Termination, Place::B, 96.04, 90.0);
    hot.peak = Some(101.3);
    let cooled = revised(&hot, Revised::Returned, LatchedUnacknowledged, "15:00");
    insta::assert_snapshot!(lines(&[
        hot.clone(),
        revised(&hot, Revised::Acknowledged { by: ines() }, Acknowledged, "13:30"),
        cooled.clone(),
        revised(&cooled, Revised::Acknowledged { by: ines() }, LatchedAcknowledged, "15:10"),
        revised(&cooled, Revised::Closed, Normal, "16:00"),
    ]), @r#"
    HIGH Larkspur Cannery T2: termination temperature phase B 96.0 deg C (limit 90.0 deg C) since 13:10; was up to 101.3 deg C; meter T2 secondary
    HIGH Larkspur Cannery T2: termination temperature phase B 96.0 deg C (limit 90.0 deg C) since 13:10; was up to 101.3 deg C; meter T2 secondary; acknowledged by Ines
    HIGH Larkspur Cannery T2: termination temperature phase B cooler now since 15:00, the fault may remain; to be acknowledged and released; was up to 101.3 deg C (limit 90.0 deg C) since 13:10; meter T2 secondary
    HIGH Larkspur Cannery T2: termination temperature phase B cooler now, the fault may remain; to be released with a note; was up to 101.3 deg C (limit 90.0 deg C) since 13:10; meter T2 secondary; acknowledged by Ines
    HIGH Larkspur Cannery T2: termination temperature phase B back within limits, closed at 16:00; was up to 101.3 deg C (limit 90.0 deg C) since 13:10; meter T2 secondary
    "#);
}

#[test]
fn what_is_held_back_or_dropped_says_who_and_until_when() {
    use AlarmState::{Normal, OutOfService, Shelved, Unacknowledged};
    let open = unbalance();
    let until = at("13:40") + Span::hours(8);
    let tomorrow = at("13:40") + Span::hours(24);
    insta::assert_snapshot!(lines(&[
        revised(&open, Revised::Shelved { by: ines(), until }, Shelved, "13:40"),
        revised(&open, Revised::Shelved { by: ines(), until: tomorrow }, Shelved, "13:40"),
        revised(&open, Revised::Unshelved, Unacknowledged, "21:40"),
        revised(&open, Revised::OutOfService { by: ines() }, OutOfService, "13:40"),
        revised(&open, Revised::NoLongerWatched, Normal, "15:00"),
    ]), @r#"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; shelved by Ines until 21:40: no messages, recording goes on
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; shelved by Ines until Wed 25 Nov 13:40: no messages, recording goes on
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; told again: no longer shelved or out of service
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; taken out of service by Ines: no messages, recording goes on
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance no longer watched: removed from the configuration; was up to 4.1 % (limit 3.0 %) since 13:10; this says nothing about the fault
    "#);
}
