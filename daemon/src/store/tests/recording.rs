//! Recordings: cut from the tail, once, and the same however the inputs were gathered.

use super::*;
use kvarden_core::reading::Sample;

fn series() -> Arc<[Quantity]> {
    [Quantity::at(Measurand::Current, Place::A), Quantity::whole(Measurand::Frequency)].into()
}

fn reading(number: u64, meter: &str) -> TailRecord {
    let now = NOW + Span::seconds(number as i64);
    let values = Box::from([Sample::new(number as f64), Sample::ABSENT]);
    TailRecord {
        number,
        now,
        input: OwnedInput::Reading { meter: meter.into(), at: now - Span(300), values },
    }
}

pub(super) fn recording(id: &str, from: i64, to: i64, number: u64) -> NewRecording {
    NewRecording {
        id: id.to_owned(),
        scope: "T2".to_owned(),
        alarm: "T2/current_a.B high level 1#1".to_owned(),
        from: NOW + Span::seconds(from),
        to: NOW + Span::seconds(to),
        priority: Priority::High,
        number,
        meters: vec![("T2 secondary".into(), series())],
        guessed: false,
        moved: Span::ZERO,
    }
}

/// Puts a recording of some thousand bytes into a store.
pub(super) fn fill(store: &mut Store, id: &str, priority: Priority) {
    let first = store.last_number() + 1;
    let noise = |number: u64| Sample::new((number as f64 * 0.7).sin());
    let tail: Vec<TailRecord> = (first..first + 2000)
        .map(|number| {
            let now = NOW + Span(number as i64 * 100);
            let values = Box::from([noise(number), noise(number + 7)]);
            TailRecord {
                number,
                now,
                input: OwnedInput::Reading { meter: "T2 secondary".into(), at: now, values },
            }
        })
        .collect();
    let (from, to) = (tail[0].now, tail[1999].now);
    let new = NewRecording { from, to, priority, ..recording(id, 0, 0, first + 1999) };
    store.apply(&Batch { tail, recordings: vec![new], ..Batch::default() }).unwrap();
}

fn of_store(store: &Store, id: &str) -> Vec<i64> {
    let meters = store.recording(id).unwrap().expect("it was made");
    meters[0].readings.iter().map(|(at, _)| (*at - NOW).0).collect()
}

#[test]
fn a_recording_holds_the_readings_of_its_span_and_nothing_of_other_meters() {
    let folder = folder();
    let mut store = open(&folder);
    let tail = (1..=100).map(|number| reading(number, if number % 2 == 0 { "T2 secondary" } else { "MP-3" }));
    let batch =
        Batch { tail: tail.collect(), recordings: vec![recording("r", 9, 21, 100)], ..Batch::default() };
    store.apply(&batch).unwrap();
    assert_eq!(of_store(&store, "r"), [9700, 11_700, 13_700, 15_700, 17_700, 19_700]);
    let meters = store.recording("r").unwrap().unwrap();
    assert_eq!((meters[0].meter.as_str(), &meters[0].series[0]), ("T2 secondary", &"current_a.A".to_owned()));
    assert_eq!(meters[0].readings[0].1, [Some(10.0), None]);
    let heads = store.recordings(NOW, NOW + Span::hours(1)).unwrap();
    assert!(heads[0].whole && heads[0].id == "r" && heads[0].priority == Priority::High, "{heads:?}");
    assert_eq!(store.recordings(NOW + Span::hours(1), NOW + Span::hours(2)).unwrap(), Vec::new());
    assert_eq!(store.recording("none").unwrap(), None);
}

/// The guard: the number at which a recording was told keeps later inputs of the same batch out.
#[test]
fn however_the_inputs_were_gathered_a_recording_is_the_same() {
    let records: Vec<TailRecord> = (1..=60).map(|number| reading(number, "T2 secondary")).collect();
    let mut seen = Vec::new();
    for size in [60, 20, 1] {
        let folder = folder();
        let mut store = open(&folder);
        for part in records.chunks(size) {
            let told = part.iter().any(|record| record.number == 40);
            let recordings = if told { vec![recording("r", 10, 50, 40)] } else { vec![] };
            store.apply(&Batch { tail: part.to_vec(), recordings, ..Batch::default() }).unwrap();
        }
        seen.push(store.recording("r").unwrap());
    }
    assert!(seen.windows(2).all(|two| two[0] == two[1]));
    assert_eq!(seen[0].as_ref().unwrap()[0].readings.last().unwrap().1[0], Some(40.0));
}

#[test]
fn a_recording_told_again_stays_as_it_is_and_one_that_lacks_its_beginning_says_so() {
    let folder = folder();
    let mut store = open(&folder);
    for number in 1..=60 {
        let tail = vec![reading(number, "T2 secondary")];
        let recordings = if number == 60 { vec![recording("r", 1, 50, 60)] } else { vec![] };
        store.apply(&Batch { tail, recordings, ..Batch::default() }).unwrap();
    }
    let first = store.recording("r").unwrap();
    store.db.execute("DELETE FROM tail WHERE last_number < 60", ()).unwrap();
    let later = reading(61, "T2 secondary");
    let recordings = vec![recording("r", 1, 50, 61), recording("late", 1, 65, 61)];
    store.apply(&Batch { tail: vec![later], recordings, ..Batch::default() }).unwrap();
    assert_eq!(store.recording("r").unwrap(), first);
    let heads = store.recordings(NOW, NOW + Span::hours(1)).unwrap();
    assert_eq!(heads.iter().map(|head| head.whole).collect::<Vec<_>>(), [true, false]);
}

#[test]
fn recordings_keep_to_their_share_and_the_least_urgent_go_first() {
    let folder = folder();
    let mut store = Store::open(folder.path(), Options { max_bytes: 4 << 20 }, NOW).unwrap().store;
    fill(&mut store, "urgent", Priority::Urgent);
    for index in 0..60 {
        fill(&mut store, &format!("low {index}"), Priority::Low);
    }
    let heads = store.recordings(NOW, NOW + Span::hours(24)).unwrap();
    let bytes: u64 = heads.iter().map(|head| head.bytes).sum();
    assert!(bytes <= 1 << 20, "{bytes}");
    assert!(heads.len() > 5 && heads.len() < 60, "{}", heads.len());
    assert!(heads.iter().any(|head| head.id == "urgent") && heads.iter().any(|head| head.id == "low 59"));
}
