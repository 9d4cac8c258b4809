//! The pump on a paused clock, with a courier that follows a script.

use super::fakes::{FakeOutbox, FakeSink, letter};
use super::outbox::Mark;
use super::pump::{LONGEST_WAIT, Pump, SEND_DEADLINE};
use crate::store::Letter;
use crate::world::{Courier, Here, Outcome};
use kvarden_core::input::Part;
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::{Notify, watch};
use tokio::task::LocalSet;
use tokio::time::{Instant, sleep};

type Script = Box<dyn Fn(&Letter, Duration) -> Option<Outcome>>;
type Tries = Rc<RefCell<Vec<(Duration, String)>>>;

/// Answers each letter as the script says; `None` is no answer at all.
struct Scripted {
    start: Instant,
    script: Script,
    tries: Tries,
}

impl Courier for Scripted {
    fn channel(&self) -> &'static str {
        "test"
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        let since = self.start.elapsed();
        self.tries.borrow_mut().push((since, letter.id.clone()));
        match (self.script)(letter, since) {
            Some(outcome) => Box::pin(std::future::ready(outcome)),
            None => Box::pin(std::future::pending()),
        }
    }
}

/// A pump at work.
struct Bench {
    outbox: Rc<FakeOutbox>,
    sink: Rc<FakeSink>,
    letters: Rc<Notify>,
    link: watch::Sender<bool>,
    tries: Tries,
}

impl Bench {
    fn start(script: impl Fn(&Letter, Duration) -> Option<Outcome> + 'static, linked: Option<bool>) -> Self {
        let (outbox, sink) = (Rc::new(FakeOutbox::default()), Rc::new(FakeSink::new()));
        let (letters, tries) = (Rc::new(Notify::new()), Tries::default());
        let (link, watched) = watch::channel(linked.unwrap_or(true));
        let courier = Scripted { start: Instant::now(), script: Box::new(script), tries: Rc::clone(&tries) };
        let (letters_in, outbox_in, sink_in) = (Rc::clone(&letters), Rc::clone(&outbox), Rc::clone(&sink));
        let pump = Pump::new(Box::new(courier), outbox_in, sink_in, letters_in);
        let pump = if linked.is_some() { pump.with_link(watched) } else { pump };
        tokio::task::spawn_local(pump.run());
        Self { outbox, sink, letters, link, tries }
    }

    fn post(&self, letters: &[(&str, u32)]) {
        for (alert, revision) in letters {
            self.outbox.post(letter(alert, *revision));
        }
        self.letters.notify_one();
    }

    /// Seconds, and whether the channel was said to work.
    fn told(&self) -> Vec<(u64, bool)> {
        let parts = self.sink.parts.borrow();
        let of = |(at, part, works): &(u64, Part, bool)| {
            assert_eq!(*part, Part::Channel("test".to_owned()));
            (*at, *works)
        };
        parts.iter().map(of).collect()
    }

    fn gaps(&self) -> Vec<f64> {
        let tries = self.tries.borrow();
        tries.windows(2).map(|pair| pair[1].0.as_secs_f64() - pair[0].0.as_secs_f64()).collect()
    }
}

async fn seconds(seconds: u64) {
    sleep(Duration::from_secs(seconds)).await;
}

fn later() -> Outcome {
    Outcome::TryLater("the other side is away".to_owned())
}

async fn on_local<F: Future>(work: F) -> F::Output {
    LocalSet::new().run_until(work).await
}

#[tokio::test(start_paused = true)]
async fn letters_go_in_order_at_once_and_new_ones_wake_the_pump() {
    on_local(async {
        let bench = Bench::start(|_, _| Some(Outcome::Delivered), None);
        bench.post(&[("T1#1", 1), ("T2#1", 1), ("T1#1", 2)]);
        seconds(1).await;
        assert_eq!(bench.outbox.delivered(), ["k7:T1#1:1:test", "k7:T2#1:1:test", "k7:T1#1:2:test"]);
        bench.post(&[("T2#1", 2)]);
        seconds(0).await;
        sleep(Duration::from_millis(1)).await;
        assert_eq!(bench.outbox.delivered().len(), 4);
        assert_eq!(bench.told(), [(0, true)]);
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn waits_grow_and_all_letters_follow_in_order_when_the_other_side_is_back() {
    on_local(async {
        let hours = Duration::from_hours(72);
        let bench = Bench::start(
            move |_, since| Some(if since < hours { later() } else { Outcome::Delivered }),
            None,
        );
        bench.post(&[("T2#1", 1), ("T2#1", 2), ("T2#1", 3)]);
        sleep(hours + LONGEST_WAIT * 2).await;
        assert_eq!(bench.outbox.delivered(), ["k7:T2#1:1:test", "k7:T2#1:2:test", "k7:T2#1:3:test"]);
        let gaps = bench.gaps();
        assert!(gaps[0] <= 2.0 && gaps[1] > gaps[0] && gaps[5] > gaps[3], "{gaps:?}");
        assert!(gaps.iter().all(|gap| *gap <= LONGEST_WAIT.as_secs_f64() + 1.0), "{gaps:?}");
        // Three days without success are some hundreds of tries, not a storm.
        assert!((280..420).contains(&gaps.len()), "{}", gaps.len());
        let told = bench.told();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].0 <= 5 && !told[0].1 && told[1].1, "{told:?}");
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn a_letter_that_never_goes_holds_up_only_its_own_alert() {
    on_local(async {
        let bench = Bench::start(
            |letter, _| Some(if letter.alert == "T1#1" { later() } else { Outcome::Delivered }),
            None,
        );
        bench.post(&[("T1#1", 1), ("T1#1", 2), ("T2#1", 1), ("T2#1", 2), ("T3#1", 1)]);
        seconds(60).await;
        assert_eq!(bench.outbox.delivered(), ["k7:T2#1:1:test", "k7:T2#1:2:test", "k7:T3#1:1:test"]);
        for revision in 3..63 {
            bench.post(&[("T2#1", revision)]);
            seconds(1).await;
        }
        assert!(bench.outbox.delivered().len() >= 60, "{:?}", bench.outbox.delivered());
        let tries = bench.tries.borrow();
        assert!(tries.iter().all(|(_, id)| id != "k7:T1#1:2:test"));
        // It is tried less and less often, also while the others go.
        let bad = tries.iter().filter(|(_, id)| id == "k7:T1#1:1:test").count();
        assert!((5..=9).contains(&bad), "{bad}");
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn a_refused_letter_is_parked_and_the_next_one_goes() {
    on_local(async {
        let refuse = |letter: &Letter, _| match letter.revision {
            1 => Some(Outcome::Refused("too long".to_owned())),
            _ => Some(Outcome::Delivered),
        };
        let bench = Bench::start(refuse, None);
        bench.post(&[("T2#1", 1), ("T2#1", 2)]);
        seconds(1).await;
        let marks = bench.outbox.marks.borrow();
        assert_eq!(marks[0], ("k7:T2#1:1:test".to_owned(), Mark::Refused { why: "too long".to_owned() }));
        assert_eq!(marks[1], ("k7:T2#1:2:test".to_owned(), Mark::Delivered));
        assert_eq!(marks.len(), 2);
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn a_person_whose_letters_are_refused_is_told_of_until_one_is_taken() {
    on_local(async {
        let refuse = |letter: &Letter, since: Duration| match letter.to.as_deref() {
            Some("Ines") if since.as_secs() < 100 => Some(Outcome::Refused("no such address".to_owned())),
            _ => Some(Outcome::Delivered),
        };
        let bench = Bench::start(refuse, None);
        let post = |alert: &str, person: &str| {
            bench.outbox.post(Letter {
                id: format!("{alert}:{person}"),
                to: Some(person.to_owned()),
                ..letter(alert, 1)
            });
            bench.letters.notify_one();
        };
        post("T2#1", "Ines");
        post("T2#1", "Tomas");
        seconds(50).await;
        assert_eq!(bench.told(), [(0, false)]);
        seconds(100).await;
        post("T2#2", "Ines");
        seconds(1).await;
        assert_eq!(bench.told(), [(0, false), (150, true)]);
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn a_courier_that_never_answers_is_given_up_and_the_channel_told_as_broken() {
    on_local(async {
        let bench = Bench::start(|_, _| None, None);
        bench.post(&[("T2#1", 1)]);
        seconds(100).await;
        let gaps = bench.gaps();
        assert!(gaps[0] >= SEND_DEADLINE.as_secs_f64(), "{gaps:?}");
        // The second failure comes after more than a minute without success: it needs no third.
        let told = bench.told();
        assert_eq!(told.len(), 1);
        assert!(!told[0].1 && (60..=62).contains(&told[0].0), "{told:?}");
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn what_was_delivered_is_not_sent_again_while_the_store_can_not_note_it() {
    on_local(async {
        let bench = Bench::start(|_, _| Some(Outcome::Delivered), None);
        bench.outbox.troubles.set(5);
        bench.post(&[("T2#1", 1), ("T2#1", 2)]);
        seconds(60).await;
        assert_eq!(bench.tries.borrow().len(), 2);
        assert_eq!(bench.outbox.delivered().len(), 2);
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn a_link_that_is_gone_for_a_minute_is_told_even_if_nothing_waits() {
    on_local(async {
        let bench = Bench::start(|_, _| Some(Outcome::Delivered), Some(false));
        seconds(59).await;
        assert_eq!(bench.told(), []);
        seconds(10).await;
        assert_eq!(bench.told(), [(60, false)]);
        bench.link.send_replace(true);
        seconds(1).await;
        assert_eq!(bench.told(), [(60, false), (69, true)]);
        bench.link.send_replace(false);
        seconds(30).await;
        bench.link.send_replace(true);
        seconds(300).await;
        assert_eq!(bench.told().len(), 2);
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn letters_go_at_once_when_the_link_is_back_however_long_they_waited() {
    on_local(async {
        let back = Duration::from_secs(20_000);
        let bench = Bench::start(
            move |_, since| Some(if since < back { later() } else { Outcome::Delivered }),
            Some(false),
        );
        bench.post(&[("T2#1", 1), ("T2#1", 2)]);
        seconds(20_000).await;
        bench.link.send_replace(true);
        sleep(Duration::from_millis(10)).await;
        assert_eq!(bench.outbox.delivered(), ["k7:T2#1:1:test", "k7:T2#1:2:test"]);
    })
    .await;
}
