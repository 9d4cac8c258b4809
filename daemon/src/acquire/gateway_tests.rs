//! Polling against scripted meters on a paused clock: hours pass in moments, and always the same way.

use super::gateway::{gateways, run_gateway};
use super::notebook::Notebook;
use super::polled::PolledMeter;
use super::scripted::{Answer, Scripted};
use kvarden_config::{ModbusSpec, NumberKind, Reach, RegisterPoint, Registers};
use kvarden_core::input::MeterTrouble;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;
use kvarden_core::reading::MeterId;
use kvarden_core::time::Span;
use std::rc::Rc;
use std::time::Duration;
use tokio::task::LocalSet;
use tokio::time::{Instant, timeout};

pub(super) const fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

pub(super) fn point(registers: Registers, address: u16) -> RegisterPoint {
    RegisterPoint::plain(registers, address, NumberKind::U16)
}

/// Meter number and unit are the same; it has registers 10 and 11.
pub(super) fn meter(unit: u8) -> PolledMeter {
    let points = vec![point(Registers::Holding, 10), point(Registers::Holding, 11)];
    let spec = ModbusSpec {
        address: "192.0.2.20:502".to_owned(),
        unit,
        answers_as: unit,
        every: Span::seconds(1),
        reach: Reach::default(),
        points,
        sunspec: None,
    };
    let quantities = [Place::A, Place::B].map(|place| Quantity::at(Measurand::Current, place)).to_vec();
    PolledMeter {
        meter: MeterId(unit.into()),
        name: format!("unit {unit}"),
        spec,
        quantities,
        together: vec![],
    }
}

/// Runs one connection's meters for so long.
pub(super) async fn run(meters: Vec<PolledMeter>, device: &Rc<Scripted>, long: Duration) -> Rc<Notebook> {
    let notebook = Rc::new(Notebook::at(0));
    let gateway = gateways(meters).remove(0);
    let task = run_gateway(gateway, notebook.clone(), Rc::new(device.clone()), Instant::now());
    let ended = LocalSet::new().run_until(timeout(long, task)).await;
    assert!(ended.is_err(), "polling goes on for ever");
    notebook
}

/// Which polls of meter 1, counted in whole seconds, gave values. Fails if any value is under a wrong name.
pub(super) fn good_polls(notebook: &Notebook) -> Vec<i64> {
    let polls = notebook.noted().into_iter().map(|noted| {
        let base = f64::from(noted.meter * 1000);
        assert_eq!(noted.values, [Some(base + 10.0), Some(base + 11.0)], "values under their own names");
        noted.at.0 / 1000
    });
    polls.collect()
}

pub(super) fn assert_at_most_one_dial_a_second(device: &Scripted) {
    for pair in device.dials().windows(2) {
        assert!(pair[1] - pair[0] >= ms(1000), "{:?} from dial to dial", pair[1] - pair[0]);
    }
}

/// A meter that answers well but for its fourth answer is good again at the very next poll.
async fn check_one_bad_answer(bad: Answer, trouble: &str) {
    let device = Scripted::new(move |question| if question.number == 3 { bad } else { Answer::Good });
    let notebook = run(vec![meter(1)], &device, ms(8500)).await;
    assert_eq!(good_polls(&notebook), [0, 1, 2, 4, 5, 6, 7, 8], "{bad:?}");
    assert_eq!(notebook.troubles(), [format!("1: {trouble}")], "{bad:?}");
    assert_eq!(device.dials().len(), 2, "{bad:?} ends the connection");
    assert_at_most_one_dial_a_second(&device);
}

/// Fault: an answer after the deadline, or half of it. Seen to fail with the connection kept after it.
#[tokio::test(start_paused = true)]
async fn a_late_answer_is_no_value_and_the_next_poll_is_good() {
    check_one_bad_answer(Answer::After(ms(1100)), "no answer in time").await;
    check_one_bad_answer(Answer::Silence, "no answer in time").await;
    check_one_bad_answer(Answer::InTwoParts(ms(1500)), "no answer in time").await;
}

#[tokio::test(start_paused = true)]
async fn an_answer_in_two_parts_within_the_deadline_is_good() {
    let device = Scripted::new(|_| Answer::InTwoParts(ms(500)));
    let notebook = run(vec![meter(1)], &device, ms(3700)).await;
    assert_eq!(good_polls(&notebook), [0, 1, 2, 3]);
}

/// Fault: wrong transaction, unit, function, protocol, byte count, fewer or more registers: refused before a value is
/// taken out of it, by a comparison that is in every build. Seen to fail without the look at each: at the transaction
/// (values of another question), the unit, the function, the protocol, the byte count against the bytes (values that the
/// answer does not count), and at the number of registers against the question.
#[tokio::test(start_paused = true)]
async fn an_odd_answer_is_no_value_and_the_next_poll_is_good() {
    for (odd, trouble) in [
        (Answer::WrongTransaction, "answer to another question"),
        (Answer::WrongUnit, "answer from another unit"),
        (Answer::WrongFunction, "answer to another function"),
        (Answer::WrongProtocol, "answer that is not Modbus"),
        (Answer::OddByteCount, "answer that contradicts itself"),
        (Answer::MoreThanCounted, "answer that contradicts itself"),
        (Answer::FewerRegisters, "wrong number of registers in the answer"),
        (Answer::MoreRegisters, "wrong number of registers in the answer"),
    ] {
        check_one_bad_answer(odd, trouble).await;
    }
}

/// Fault: a length of 65535 and then silence; bytes without end, all at once or one by one. Seen to fail without the
/// bound on the length (the deadline ends it instead), with a deadline for each read in place of one for the whole
/// answer, and without the refusal of bytes behind a frame.
#[tokio::test(start_paused = true)]
async fn a_frame_that_never_ends_is_cut() {
    check_one_bad_answer(Answer::HugeLength, "answer of impossible length").await;
    check_one_bad_answer(Answer::Endless, "answer to another question").await;
    check_one_bad_answer(Answer::Trickle(ms(100)), "no answer in time").await;
    check_one_bad_answer(Answer::GoodThenMore, "answer that contradicts itself").await;
}

/// Fault: accepts and never answers. Seen to fail without the deadline of a question (nothing is asked any more), and
/// with meters of one `host:port` that are not taken together.
#[tokio::test(start_paused = true)]
async fn a_device_that_accepts_and_never_answers_is_asked_again_over_one_connection_at_a_time() {
    let wakes = Instant::now() + ms(100_000);
    let device = Scripted::new(move |q| if q.at < wakes { Answer::Silence } else { Answer::Good });
    let elsewhere = Scripted::new(|_| Answer::Good);
    let mut other = meter(4);
    other.spec.address = "192.0.2.21:502".to_owned();
    let groups = gateways([meter(1), other, meter(2), meter(3)]);
    assert_eq!(groups.len(), 2, "one for each host:port");
    let notebook = Rc::new(Notebook::at(0));
    let tasks = LocalSet::new();
    for (gateway, device) in groups.into_iter().zip([&device, &elsewhere]) {
        tasks.spawn_local(run_gateway(gateway, notebook.clone(), Rc::new(device.clone()), Instant::now()));
    }
    tasks.run_until(tokio::time::sleep(ms(260_500))).await;
    let asked = device.questions().iter().filter(|question| question.at < wakes).count();
    assert!((12..=100).contains(&asked), "each of the three again and again, but not in a burst: {asked}");
    assert_eq!(device.most_open(), 1, "each connection has ended before the next one is asked for");
    assert_at_most_one_dial_a_second(&device);
    for unit in 1..=3 {
        let silent = format!("{unit}: no answer in time");
        assert!(notebook.troubles().iter().filter(|trouble| **trouble == silent).count() >= 4, "unit {unit}");
        let read = notebook.noted().iter().filter(|noted| noted.meter == unit).count();
        assert!(read >= 60, "unit {unit} is read again when it answers: {read}");
    }
    let neighbour: Vec<_> = notebook.noted().into_iter().filter(|noted| noted.meter == 4).collect();
    assert_eq!(neighbour.len(), 261);
    assert!(neighbour.iter().all(|noted| noted.at.0 % 1000 < 50), "the neighbour is not disturbed");
}

/// Fault: a connection that is neither made nor refused. Seen to fail without the deadline of a connection.
#[tokio::test(start_paused = true)]
async fn a_connection_that_is_neither_made_nor_refused_is_given_up_and_tried_again() {
    let device = Scripted::hanging(|number| number < 4, |_| Answer::Good);
    let notebook = run(vec![meter(1)], &device, ms(60_000)).await;
    let waits: Vec<_> = device.dials().windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert_eq!(waits.len(), 4);
    assert!(waits.windows(2).all(|pair| pair[0] < pair[1]) && waits[0] >= ms(3000), "{waits:?}");
    assert!(notebook.troubles().iter().all(|trouble| trouble == "1: no connection"));
    assert!(good_polls(&notebook).len() > 10, "read when the connection is made");
}

#[tokio::test(start_paused = true)]
async fn a_meter_that_ends_idle_connections_loses_no_poll() {
    let device =
        Scripted::new(|question| if question.number % 3 == 2 { Answer::Hangup } else { Answer::Good });
    let notebook = run(vec![meter(1)], &device, ms(6500)).await;
    assert_eq!(good_polls(&notebook), [0, 1, 2, 3, 4, 5, 6]);
    assert!(notebook.troubles().is_empty());
    assert_at_most_one_dial_a_second(&device);
}

#[tokio::test(start_paused = true)]
async fn an_exception_keeps_the_connection_and_the_next_poll_asks_again() {
    for (code, trouble) in [
        (4, "meter reports a failure"),
        (5, "meter needs more time"),
        (6, "meter is busy"),
        (10, "gateway has no path to the meter"),
        (11, "gateway got no answer from the meter"),
        (99, "exception of unknown code"),
    ] {
        let device =
            Scripted::new(
                move |q| if matches!(q.number, 2 | 3) { Answer::Exception(code) } else { Answer::Good },
            );
        let notebook = run(vec![meter(1)], &device, ms(6500)).await;
        assert_eq!(good_polls(&notebook), [0, 1, 4, 5, 6], "exception {code}");
        assert_eq!(notebook.troubles(), vec![format!("1: {trouble}"); 2]);
        assert_eq!(device.dials().len(), 1, "exception {code}");
    }
}

/// Fault: exceptions 1 to 3. Seen to fail where code 3 is taken for a passing one.
#[tokio::test(start_paused = true)]
async fn a_meter_that_does_not_know_its_map_is_asked_again_once_a_minute_and_that_is_an_alarm() {
    for code in 1..=3 {
        let mended = Instant::now() + ms(310_000);
        let device = Scripted::new(
            move |question| {
                if question.at < mended { Answer::Exception(code) } else { Answer::Good }
            },
        );
        let notebook = run(vec![meter(1)], &device, ms(300_500)).await;
        assert_eq!(device.questions().len(), 6, "at 0, 60, 120, … 300 s");
        assert_eq!(notebook.troubles(), vec!["1: meter map wrong"; 6]);
        assert_eq!(device.dials().len(), 1);
        assert_eq!(notebook.meter_troubles(), [(1, MeterTrouble::MapWrong, true)]);
        let notebook = run(vec![meter(1)], &device, ms(120_000)).await;
        assert_eq!(
            notebook.meter_troubles()[..2],
            [(1, MeterTrouble::MapWrong, true), (1, MeterTrouble::MapWrong, false)]
        );
    }
}

/// Fault: refused. Seen to fail without waits that grow.
#[tokio::test(start_paused = true)]
async fn a_refused_connection_is_tried_for_ever_at_growing_waits() {
    let device = Scripted::accepting(|number| number >= 20, |_| Answer::Good);
    let notebook = run(vec![meter(1)], &device, Duration::from_mins(25)).await;
    assert_at_most_one_dial_a_second(&device);
    let dials = device.dials();
    let waits: Vec<_> = dials.windows(2).map(|pair| (pair[1] - pair[0]).as_secs_f64()).collect();
    assert!(waits[0] < 2.5 && waits[19] > 55.0 && waits.iter().all(|&wait| wait < 62.0), "{waits:?}");
    assert_eq!(dials.len(), 21, "one that works is kept");
    assert!(good_polls(&notebook).len() > 100);
    assert_eq!(notebook.troubles()[0], "1: no connection");
}

#[tokio::test(start_paused = true)]
async fn a_link_that_is_dropped_at_once_is_not_made_more_than_once_a_second() {
    let device = Scripted::new(|_| Answer::Hangup);
    run(vec![meter(1), meter(2), meter(3)], &device, Duration::from_mins(10)).await;
    assert_at_most_one_dial_a_second(&device);
    let dials = device.dials().len();
    assert!((10..60).contains(&dials), "{dials} in ten minutes");
}

/// Fault: a dead unit behind a gateway. Seen to fail where a unit that failed is asked like any other.
#[tokio::test(start_paused = true)]
async fn a_dead_unit_does_not_eat_the_time_of_its_neighbours() {
    let died = Instant::now() + ms(5500);
    let device = Scripted::new(move |question| match question.unit {
        3 if question.at >= died => Answer::Silence,
        _ => Answer::After(ms(8)),
    });
    let notebook = run((1..=4).map(meter).collect(), &device, ms(600_500)).await;
    for unit in [1, 2, 4] {
        let polls: Vec<_> = notebook.noted().into_iter().filter(|noted| noted.meter == unit).collect();
        assert_eq!(polls.len(), 601, "unit {unit} loses no poll");
        let late = polls.iter().filter(|poll| poll.at.0 % 1000 > 50).count();
        assert!(late <= 1, "unit {unit} was late {late} times: only when the other one died");
    }
    let tries = device.questions().iter().filter(|q| q.unit == 3 && q.at >= died).count();
    assert!((8..20).contains(&tries), "the dead one is still tried, now and then: {tries}");
    assert_at_most_one_dial_a_second(&device);
}

#[tokio::test(start_paused = true)]
async fn all_units_are_back_soon_after_their_gateway_is() {
    let back = Instant::now() + Duration::from_mins(10);
    let device =
        Scripted::new(move |question| if question.at < back { Answer::Silence } else { Answer::Good });
    let notebook = run((1..=4).map(meter).collect(), &device, Duration::from_secs(700)).await;
    let first = |unit| notebook.noted().iter().find(|noted| noted.meter == unit).map(|noted| noted.at);
    let firsts: Vec<_> = (1..=4).map(|unit| first(unit).expect("it is back")).collect();
    let (earliest, latest) = (firsts.iter().min().unwrap(), firsts.iter().max().unwrap());
    assert!(latest.0 <= 665_000 && latest.0 - earliest.0 <= 2000, "{firsts:?}");
    assert_at_most_one_dial_a_second(&device);
}

#[tokio::test(start_paused = true)]
async fn an_hour_of_polls_has_no_drift() {
    let device = Scripted::new(|question| Answer::After(ms(3 + question.number as u64 % 40)));
    let notebook = run(vec![meter(1)], &device, Duration::from_hours(1)).await;
    let questions = device.questions();
    assert_eq!(questions.len(), 3600);
    for (number, question) in questions.iter().enumerate() {
        let due = questions[0].at + ms(1000) * number as u32;
        assert!(question.at >= due && question.at - due <= ms(2), "poll {number}");
    }
    assert_eq!(good_polls(&notebook), (0..3600).collect::<Vec<_>>());
}

#[tokio::test(start_paused = true)]
async fn a_meter_that_takes_nine_tenths_of_its_period_loses_no_poll() {
    let device = Scripted::new(|_| Answer::After(ms(900)));
    let notebook = run(vec![meter(1)], &device, ms(10_000)).await;
    assert_eq!(good_polls(&notebook), (0..10).collect::<Vec<_>>());
}

#[tokio::test(start_paused = true)]
async fn polls_that_can_not_be_held_are_left_out_and_not_made_up() {
    let mut slow = meter(1);
    slow.spec.points = vec![point(Registers::Holding, 10), point(Registers::Input, 11)];
    let device = Scripted::new(|question| Answer::After(if question.number < 10 { ms(600) } else { ms(5) }));
    let notebook = run(vec![slow], &device, ms(14_500)).await;
    assert_eq!(good_polls(&notebook), [1, 3, 5, 7, 9, 10, 11, 12, 13, 14]);
}

#[tokio::test(start_paused = true)]
async fn a_reading_is_handed_over_whole_or_not_at_all() {
    let mut two = meter(1);
    two.spec.points = vec![point(Registers::Holding, 10), point(Registers::Input, 11)];
    for bad in [Answer::Exception(4), Answer::Silence, Answer::FewerRegisters, Answer::WrongTransaction] {
        let device = Scripted::new(move |q| if q.number == 5 { bad } else { Answer::Good });
        let notebook = run(vec![two.clone()], &device, ms(4500)).await;
        assert_eq!(good_polls(&notebook), [0, 1, 3, 4], "{bad:?} for the second request of the third poll");
    }
}

#[tokio::test(start_paused = true)]
async fn nothing_but_reading_is_ever_asked() {
    let mut two = meter(1);
    two.spec.points = vec![point(Registers::Holding, 10), point(Registers::Input, 11)];
    let device = Scripted::new(|question| match question.number % 7 {
        3 => Answer::Exception(6),
        5 => Answer::Silence,
        _ => Answer::Good,
    });
    run(vec![two], &device, Duration::from_mins(2)).await;
    let questions = device.questions();
    assert!(questions.len() > 100);
    assert!(questions.iter().all(|q| matches!((q.function, q.address), (3, 10) | (4, 11)) && q.count == 1));
}
