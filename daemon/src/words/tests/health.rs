//! Meters that say nothing, and parts that fail.

use super::{about_meter, about_part, lines, revised};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::Part;
use kvarden_core::output::{Revised, Rule};

#[test]
fn a_meter_that_says_nothing_or_always_the_same_is_told_as_that() {
    use AlarmState::{Normal, ReturnedUnacknowledged};
    let silent = about_meter(Rule::Silent { level: 3 });
    let frozen = about_meter(Rule::Frozen);
    let mut sensor = silent.clone();
    sensor.subject.feeder = None;
    sensor.subject.meter = Some("T2 sensors".to_owned());
    insta::assert_snapshot!(lines(&[
        silent.clone(),
        sensor,
        revised(&silent, Revised::Returned, ReturnedUnacknowledged, "13:50"),
        frozen.clone(),
        revised(&frozen, Revised::Closed, Normal, "14:20"),
    ]), @r#"
    HIGH Larkspur Cannery T2, MP-3: meter silent since 13:10, nothing is judged there
    HIGH Larkspur Cannery T2: meter T2 sensors silent since 13:10, nothing is judged there
    HIGH Larkspur Cannery T2, MP-3: meter values back since 13:50; still to be acknowledged
    HIGH Larkspur Cannery T2, MP-3: meter values frozen since 13:10, nothing is judged by them
    HIGH Larkspur Cannery T2, MP-3: meter values moving again, closed at 14:20
    "#);
}

#[test]
fn a_part_of_the_program_that_fails_says_what_that_costs() {
    use AlarmState::{Normal, ReturnedUnacknowledged};
    let broker = about_part(Part::Broker);
    let channel = about_part(Part::Channel("mqtt".to_owned()));
    insta::assert_snapshot!(lines(&[
        broker.clone(),
        about_part(Part::Store),
        channel.clone(),
        revised(&broker, Revised::Returned, ReturnedUnacknowledged, "13:50"),
        revised(&channel, Revised::Closed, Normal, "14:20"),
    ]), @r#"
    HIGH Larkspur Cannery: no link to the broker of the meters since 13:10, nothing is judged by them
    HIGH Larkspur Cannery: store not writable since 13:10, judging goes on but is not kept
    HIGH Larkspur Cannery: channel mqtt not delivering since 13:10, its messages wait
    HIGH Larkspur Cannery: link to the broker of the meters working again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: channel mqtt delivering again, closed at 14:20
    "#);
}
