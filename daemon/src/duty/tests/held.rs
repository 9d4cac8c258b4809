//! What is held back tells nobody, and is told when nothing holds it back any more.

use super::*;
use kvarden_core::output::Held;

fn held(of: &AlertRevision, by: Held) -> AlertRevision {
    AlertRevision { revision: of.revision + 1, held: Some(by), ..of.clone() }
}

fn stands(of: &AlertRevision, after: Held) -> AlertRevision {
    AlertRevision { revision: of.revision + 1, held: None, why: Revised::Stands { after }, ..of.clone() }
}

#[test]
fn what_opens_during_planned_work_is_told_when_it_ends_and_not_if_it_is_over_by_then() {
    let mut duty = duty();
    let (long, short) = (alert("long", 1, Priority::High), alert("short", 1, Priority::High));
    let (long, short) = (held(&long, Held::Work), held(&short, Held::Work));
    duty.hear(&long);
    duty.hear(&short);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (0, 240)), Vec::<String>::new());
    duty.hear(&over(&short));
    duty.hear(&stands(&long, Held::Work));
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (240, 250)), ["240 Ines new"]);
}

/// The rules above: a reminder two hours after the first message. It is due during the work and waits for its end.
#[test]
fn of_what_was_told_before_it_is_held_back_nobody_is_reminded_until_the_hold_ends() {
    for by in [Held::Work, Held::Flood] {
        let mut duty = duty();
        let open = alert("a", 1, Priority::High);
        duty.hear(&open);
        assert_eq!(pass(&mut duty, utc(AFTERNOON), (0, 10)), ["5 Ines new"]);
        let held = held(&open, by);
        duty.hear(&held);
        assert_eq!(pass(&mut duty, utc(AFTERNOON), (10, 400)), Vec::<String>::new(), "{by:?}");
        duty.hear(&stands(&held, by));
        assert_eq!(pass(&mut duty, utc(AFTERNOON), (400, 401)), ["400 Ines still holds"], "{by:?}");
    }
}

#[test]
fn what_is_urgent_is_told_whatever_holds_it_back() {
    let mut duty = duty();
    duty.hear(&held(&alert("a", 1, Priority::Urgent), Held::Work));
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (0, 1)), ["0 Ines new"]);
}

/// It is told as chattering, then nothing, then that it is calm and stands.
#[test]
fn what_chatters_is_told_once_as_that_and_again_when_it_is_calm() {
    let mut duty = duty();
    let open = alert("a", 1, Priority::High);
    duty.hear(&open);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (0, 10)), ["5 Ines new"]);
    let chatters = AlertRevision { revision: 2, why: Revised::Chattering, ..open };
    duty.hear(&chatters);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (10, 11)), ["10 Ines came again"]);
    let held = held(&chatters, Held::Chattering);
    duty.hear(&held);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (11, 60)), Vec::<String>::new());
    duty.hear(&AlertRevision { revision: 4, held: None, why: Revised::Calm, ..held });
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (60, 61)), ["60 Ines still holds"]);
}
