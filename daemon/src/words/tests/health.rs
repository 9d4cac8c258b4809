//! Meters that say nothing, parts that fail: each health alarm, as the electrician and the facility's own people read it.

use super::{about_meter, about_part, lines, revised};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::{MeterTrouble, Part};
use kvarden_core::output::{AlertRevision, Revised, Rule};

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

#[test]
fn each_trouble_of_a_meter_or_part_is_told_in_its_own_words() {
    let rules = MeterTrouble::ALL.map(Rule::Trouble);
    let mut stories: Vec<AlertRevision> = rules.into_iter().map(about_meter).collect();
    stories.extend(Part::FIXED.map(about_part));
    let told = stories.iter().flat_map(|open| {
        let over = revised(open, Revised::Returned, AlarmState::ReturnedUnacknowledged, "13:50");
        [open.clone(), over]
    });
    insta::assert_snapshot!(lines(&told.collect::<Vec<_>>()), @r"
    HIGH Larkspur Cannery T2, MP-3: meter link breaking again and again since 13:10, values are missing in between
    HIGH Larkspur Cannery T2, MP-3: meter link holding again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery T2, MP-3: meter giving impossible values since 13:10, these are not used
    HIGH Larkspur Cannery T2, MP-3: meter values possible again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery T2, MP-3: meter clock wrong since 13:10, its values carry wrong times or are refused
    HIGH Larkspur Cannery T2, MP-3: meter clock right again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery T2, MP-3: meter refusing registers of its map since 13:10, what they should give is not judged
    HIGH Larkspur Cannery T2, MP-3: meter answering its whole map again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery T2, MP-3: meter closed to us (not authorised) since 13:10, nothing is judged there
    HIGH Larkspur Cannery T2, MP-3: meter readable again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: no link to the broker of the meters since 13:10, nothing is judged by them
    HIGH Larkspur Cannery: link to the broker of the meters working again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: store not writable since 13:10, judging goes on but is not kept
    HIGH Larkspur Cannery: store working again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: store found damaged, its file set aside and a new one begun since 13:10, history may have gaps
    HIGH Larkspur Cannery: store in use again, begun anew since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: broker of the meters refusing us (not authorised) since 13:10, what it keeps back is not judged
    HIGH Larkspur Cannery: access to the broker of the meters given again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: another program using our name at the broker since 13:10, the link keeps breaking
    HIGH Larkspur Cannery: no other program seen with our name at the broker since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: disk of the store nearly full since 13:10, history may be cut short
    HIGH Larkspur Cannery: disk of the store with room again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: too much waiting to be stored or sent since 13:10, some of it may be given up
    HIGH Larkspur Cannery: little waiting to be stored or sent again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: clock of this machine not to be trusted since 13:10, times may be wrong and digests wait
    HIGH Larkspur Cannery: clock of this machine plausible again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: our certificate for the broker near or past its end since 13:10, then the link to the broker ends
    HIGH Larkspur Cannery: our certificate for the broker good for more than 30 days again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: certificate of the broker's authority near or past its end since 13:10, then the link to the broker ends
    HIGH Larkspur Cannery: certificate of the broker's authority good for more than 30 days again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: certificate that the broker shows near or past its end since 13:10, then the link to the broker ends
    HIGH Larkspur Cannery: certificate that the broker shows good for more than 30 days again since 13:50; still to be acknowledged
    ");
    let lists = stories.iter().map(|one| crate::words::subject::alarm(&one.subject, one.rule));
    insta::assert_snapshot!(lists.collect::<Vec<_>>().join("\n"), @r"
    T2, MP-3: meter link keeps breaking
    T2, MP-3: meter gives impossible values
    T2, MP-3: meter clock wrong
    T2, MP-3: meter refuses registers of its map
    T2, MP-3: meter may not be read
    link to the broker of the meters does not work
    store does not work
    file of the store was begun anew
    access to the broker of the meters refused
    our name at the broker used by another program
    disk of the store nearly full
    queue to store and channels too long
    clock of this machine not to be trusted
    our certificate for the broker near or past its end
    certificate of the broker's authority near or past its end
    certificate that the broker shows near or past its end
    ");
    let instead = revised(&stories[0], Revised::Instead, AlarmState::Unacknowledged, "13:30");
    insta::assert_snapshot!(lines(&[instead]), @"HIGH Larkspur Cannery T2, MP-3: meter link breaking again and again since 13:10, values are missing in between; told now instead of what was told before of this meter");
}
