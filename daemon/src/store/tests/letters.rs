//! The outbox: order per alert, waits, bound.

use super::*;

fn post(store: &mut Store, letters: &[(&str, u32)]) -> Applied {
    let letters = letters.iter().map(|(alert, revision)| letter(alert, *revision)).collect();
    store.apply(&Batch { letters, ..Batch::default() }).unwrap()
}

/// Number, alert and revision of the next letter, or "none".
fn next(store: &Store, seconds: i64) -> String {
    let found = store.next_letter("mqtt", NOW + Span::seconds(seconds)).unwrap();
    found
        .map_or("none".to_owned(), |letter| format!("{} {} {}", letter.number, letter.alert, letter.revision))
}

#[test]
fn a_letter_never_passes_an_earlier_one_of_its_alert() {
    let folder = folder();
    let mut store = open(&folder);
    post(&mut store, &[("a", 1), ("a", 2), ("b", 1)]);
    assert_eq!(next(&store, 0), "1 a 1");
    store.later(1, NOW, NOW + Span::seconds(30)).unwrap();
    assert_eq!(next(&store, 1), "3 b 1", "another alert need not wait");
    store.delivered(3, NOW).unwrap();
    assert_eq!(next(&store, 29), "none");
    assert_eq!(store.next_due("mqtt").unwrap(), Some(NOW + Span::seconds(30)));
    assert_eq!(next(&store, 30), "1 a 1");
    let again = store.next_letter("mqtt", NOW + Span::seconds(30)).unwrap().unwrap();
    assert_eq!((again.tries, again.id.as_str()), (1, "book:a:1:mqtt"));
    store.refuse_letter(1, NOW, "too large").unwrap();
    assert_eq!(next(&store, 30), "2 a 2", "a refused letter holds nothing back");
    store.delivered(2, NOW).unwrap();
    assert_eq!(
        (next(&store, 99), store.next_due("mqtt").unwrap(), store.waiting("mqtt").unwrap()),
        ("none".to_owned(), None, 0)
    );
}

#[test]
fn channels_do_not_wait_for_each_other() {
    let folder = folder();
    let mut store = open(&folder);
    let mut other = letter("a", 1);
    (other.id, other.channel) = ("book:a:1:file".to_owned(), "file".to_owned());
    post(&mut store, &[("a", 1)]);
    store.apply(&Batch { letters: vec![other], ..Batch::default() }).unwrap();
    store.later(1, NOW, NOW + Span::hours(1)).unwrap();
    assert_eq!(store.next_letter("file", NOW).unwrap().map(|letter| letter.number), Some(2));
    assert_eq!(store.next_letter("mail", NOW).unwrap(), None);
}

#[test]
fn after_a_restart_what_waits_is_due_at_once_under_the_same_id() {
    let folder = folder();
    let mut store = open(&folder);
    post(&mut store, &[("a", 1)]);
    store.later(1, NOW, NOW + Span::hours(9999)).unwrap();
    drop(store);
    let store = open(&folder);
    let letter = store.next_letter("mqtt", EventTime(5)).unwrap().expect("the clock may have gone back");
    assert_eq!((letter.id.as_str(), letter.tries, letter.created), ("book:a:1:mqtt", 1, NOW));
}

#[test]
fn numbers_have_no_gap_and_never_come_twice() {
    let folder = folder();
    let mut store = open(&folder);
    post(&mut store, &[("a", 1)]);
    assert_eq!(post(&mut store, &[("a", 1), ("a", 1), ("b", 1)]).new_letters, 1);
    store.delivered(1, NOW).unwrap();
    assert_eq!(next(&store, 0), "2 b 1");
    store.delivered(2, NOW).unwrap();
    let swept = store.sweep(NOW + Span::hours(24 * 31), Span::minutes(5)).unwrap();
    assert_eq!(swept.letters, 2);
    post(&mut store, &[("c", 1)]);
    assert_eq!(next(&store, 0), "3 c 1");
}

#[test]
fn a_done_letter_is_known_for_thirty_days() {
    let folder = folder();
    let mut store = open(&folder);
    post(&mut store, &[("a", 1)]);
    store.delivered(1, NOW).unwrap();
    assert_eq!(store.sweep(NOW + Span::hours(24 * 30), Span::minutes(5)).unwrap().letters, 0);
    assert_eq!(post(&mut store, &[("a", 1)]).new_letters, 0);
    assert_eq!(next(&store, 0), "none");
}

#[test]
fn when_too_many_wait_repeats_go_first_then_the_oldest_and_the_loss_is_counted() {
    let folder = folder();
    let mut store = open(&folder);
    let names: Vec<String> = (0..MAX_PENDING - 1).map(|index| format!("n{index}")).collect();
    post(&mut store, &[("a", 1)]);
    let fill: Vec<(&str, u32)> = names.iter().map(|name| (name.as_str(), 1)).collect();
    assert_eq!(post(&mut store, &fill).dropped_letters, 0);
    assert_eq!(post(&mut store, &[("a", 2)]).dropped_letters, 1);
    assert_eq!((store.waiting("mqtt").unwrap(), store.lost("mqtt").unwrap()), (MAX_PENDING, 1));
    assert_eq!(next(&store, 0), "2 n0 1", "of alert a only the newest waits");
    assert_eq!(post(&mut store, &[("z", 1), ("y", 1)]).dropped_letters, 2);
    assert_eq!(next(&store, 0), "4 n2 1");
    assert_eq!((store.waiting("mqtt").unwrap(), store.lost("mqtt").unwrap()), (MAX_PENDING, 3));
    assert_eq!(store.levels().unwrap().lost, 3);
}

#[test]
fn the_places_of_each_channel_have_no_gap_also_after_a_sweep() {
    let folder = folder();
    let mut store = open(&folder);
    let to = |channel: &str, alert: &str| NewLetter {
        id: format!("book:{alert}:1:{channel}"),
        channel: channel.to_owned(),
        ..letter(alert, 1)
    };
    let letters = vec![to("mqtt", "a"), to("file", "a"), to("mqtt", "a"), to("mqtt", "b"), to("file", "b")];
    store.apply(&Batch { letters, ..Batch::default() }).unwrap();
    let places = |store: &mut Store, channel: &str| {
        let mut places = Vec::new();
        while let Some(letter) = store.next_letter(channel, NOW).unwrap() {
            places.push(letter.place);
            store.delivered(letter.number, NOW).unwrap();
        }
        places
    };
    assert_eq!((places(&mut store, "mqtt"), places(&mut store, "file")), (vec![1, 2], vec![1, 2]));
    store.sweep(NOW + Span::hours(24 * 31), Span::minutes(5)).unwrap();
    store.apply(&Batch { letters: vec![to("file", "c")], ..Batch::default() }).unwrap();
    assert_eq!(places(&mut store, "file"), [3]);
}
