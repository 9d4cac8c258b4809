//! What one poll makes of its answers, against scripted meters on a paused clock: values of one moment, far scale
//! registers, all four tables, models that describe themselves, gateways with a unit of their own, slow registers.

use super::gateway_tests::{assert_at_most_one_dial_a_second, good_polls, meter, ms, point, run};
use super::notebook::Notebook;
use super::polled::PolledMeter;
use super::scripted::{Answer, Question, Scripted};
use kvarden_config::{
    MOST_REGISTERS, NumberKind, OneModel, Order, Reach, RegisterPoint, Registers, ScaleRegister, Scaling,
    model,
};
use kvarden_core::input::MeterTrouble;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place::{A, BC};
use kvarden_core::time::Span;
use std::rc::Rc;
use std::time::Duration;
use tokio::time::Instant;

fn values(notebook: &Notebook) -> Vec<Vec<Option<f64>>> {
    notebook.noted().into_iter().map(|noted| noted.values).collect()
}

/// A meter whose two points, which a formula combines, lie in two tables and so in two requests.
fn parted() -> PolledMeter {
    let mut meter = meter(1);
    meter.spec.points = vec![point(Registers::Holding, 10), point(Registers::Input, 11)];
    meter.together = vec![vec![0, 1]];
    meter
}

/// Fault: two requests straddle an update. Seen to fail without the masking of what came earlier.
#[tokio::test(start_paused = true)]
async fn values_that_a_formula_combines_come_from_one_request_or_within_half_a_second() {
    // Every answer is of another moment: the number of its question.
    let device = |pause: u64| {
        Scripted::holding(|question, _| question.number as u16, move |_| Answer::After(ms(pause)))
    };
    let near = run(vec![parted()], &device(200), ms(2700)).await;
    assert_eq!(values(&near), [[Some(0.0), Some(1.0)], [Some(2.0), Some(3.0)], [Some(4.0), Some(5.0)]]);
    assert!(near.troubles().is_empty());
    let far = run(vec![parted()], &device(300), ms(2700)).await;
    assert_eq!(values(&far), [[None, Some(1.0)], [None, Some(3.0)], [None, Some(5.0)]]);
    assert_eq!(far.troubles(), vec!["1: values that belong together came too far apart"; 3]);
    // Those that adjoin come with one request, however slow it is.
    let mut one = meter(1);
    one.together = vec![vec![0, 1]];
    let one = run(vec![one], &device(700), ms(2800)).await;
    assert_eq!(values(&one), [[Some(0.0), Some(0.0)], [Some(1.0), Some(1.0)], [Some(2.0), Some(2.0)]]);
}

fn scaled(address: u16, by: u16) -> RegisterPoint {
    let (kind, order) = (NumberKind::I16, Order::default());
    let register = ScaleRegister { address: by, kind, order, says: Scaling::PowerOfTen };
    RegisterPoint {
        scale_register: Some(register),
        ..RegisterPoint::plain(Registers::Holding, address, kind)
    }
}

/// Seen to fail without the comparison of the two readings of a far scale register.
#[tokio::test(start_paused = true)]
async fn a_scale_register_out_of_reach_counts_only_if_it_stands_still_around_the_value() {
    let mut scaled_meter = meter(1);
    scaled_meter.spec.points = vec![scaled(10, 400), scaled(20, 21)];
    // The scale register changes at the seventh question, which is the last of the second poll.
    let device = Scripted::holding(
        |question, address| match address {
            400 => (question.number / 7) as u16,
            21 => 1,
            address => address,
        },
        |_| Answer::Good,
    );
    let notebook = run(vec![scaled_meter], &device, ms(2700)).await;
    let asked: Vec<_> = device.questions()[..4].iter().map(|q| (q.address, q.count)).collect();
    assert_eq!(asked, [(400, 1), (10, 1), (20, 2), (400, 1)]);
    assert_eq!(
        values(&notebook),
        [[Some(10.0), Some(200.0)], [None, Some(200.0)], [Some(100.0), Some(200.0)]]
    );
}

#[tokio::test(start_paused = true)]
async fn all_four_tables_are_read_each_with_its_function() {
    let mut all = meter(1);
    all.spec.points = vec![
        RegisterPoint::plain(Registers::Coils, 7, NumberKind::Bit),
        RegisterPoint::plain(Registers::Coils, 16, NumberKind::Bit),
        RegisterPoint::plain(Registers::DiscreteInputs, 3, NumberKind::Bit),
        point(Registers::Holding, 10),
        point(Registers::Input, 11),
    ];
    all.spec.reach = Reach { gap: 8, most: MOST_REGISTERS };
    let device = Scripted::holding(
        |question, address| u16::from(question.function > 2 || address == 16 || address == 3),
        |_| Answer::Good,
    );
    let notebook = run(vec![all], &device, ms(500)).await;
    let asked: Vec<_> = device.questions().iter().map(|q| (q.function, q.address, q.count)).collect();
    assert_eq!(asked, [(1, 7, 10), (2, 3, 1), (3, 10, 1), (4, 11, 1)]);
    assert_eq!(values(&notebook), [[Some(0.0), Some(1.0), Some(1.0), Some(1.0), Some(1.0)]]);
}

#[tokio::test(start_paused = true)]
async fn a_gateway_that_answers_under_its_own_unit_is_read_if_the_configuration_says_so() {
    let device = Scripted::new(|_| Answer::WrongUnit);
    let plain = run(vec![meter(1)], &device, ms(2500)).await;
    assert_eq!(plain.troubles()[0], "1: answer from another unit");
    assert!(plain.noted().is_empty());
    let mut behind = meter(1);
    behind.spec.answers_as = 2;
    let notebook = run(vec![behind], &device, ms(2500)).await;
    assert_eq!(notebook.noted().len(), 3);
    assert!(notebook.troubles().is_empty());
}

/// Fault: the link drops each second. Seen to fail without the watch over connections: no alarm.
#[tokio::test(start_paused = true)]
async fn a_link_that_drops_each_second_is_one_alarm_and_is_made_at_most_once_a_second() {
    let mended = Instant::now() + ms(120_000);
    let device = Scripted::new(
        move |question| {
            if question.at < mended { Answer::GoodThenHangup } else { Answer::Good }
        },
    );
    let mut meters = vec![meter(1), meter(2)];
    meters[1].spec.every = Span::seconds(30);
    let notebook = run(meters, &device, ms(300_000)).await;
    assert_at_most_one_dial_a_second(&device);
    let unstable: Vec<_> = notebook
        .meter_troubles()
        .into_iter()
        .filter(|(_, what, _)| *what == MeterTrouble::LinkUnstable)
        .collect();
    assert_eq!(unstable, [(1, MeterTrouble::LinkUnstable, true), (1, MeterTrouble::LinkUnstable, false)]);
    assert!(
        notebook.noted().iter().filter(|noted| noted.meter == 1).count() > 250,
        "and it is read all the time"
    );
}

/// Fault: a device with room for one connection that holds dead ones. Seen to fail where a connection that is of no use
/// any more is left open, and with waits after refusals that don't grow.
#[tokio::test(start_paused = true)]
async fn a_device_with_room_for_one_connection_is_left_alone_longer_and_longer_and_read_when_it_lets_go() {
    // It sticks to the dead connection for a minute and a half.
    let device = Scripted::with_room(1, |question| match question.number {
        5 => Answer::SilenceAndHold(ms(90_000)),
        _ => Answer::Good,
    });
    let notebook = run(vec![meter(1)], &device, ms(200_000)).await;
    let dials = device.dials();
    let waits: Vec<_> = dials[1..].windows(2).map(|pair| (pair[1] - pair[0]).as_secs()).collect();
    assert!(waits.len() < 9 && waits.windows(2).all(|pair| pair[0] <= pair[1]), "{waits:?}");
    assert!(good_polls(&notebook).len() > 60, "read again");
    // One that notices the end at once is read again at once: the old connection had ended before.
    let device = Scripted::with_room(1, |question| match question.number {
        5 => Answer::WrongTransaction,
        _ => Answer::Good,
    });
    let notebook = run(vec![meter(1)], &device, ms(9500)).await;
    assert_eq!(good_polls(&notebook), [0, 1, 2, 3, 4, 6, 7, 8, 9]);
    assert_eq!(device.dials().len(), 2);
}

#[tokio::test(start_paused = true)]
async fn registers_that_change_more_slowly_than_they_are_polled_are_learned() {
    let start = Instant::now();
    let device =
        Scripted::holding(move |question, _| ((question.at - start).as_secs() / 5) as u16, |_| Answer::Good);
    let notebook = run(vec![meter(1)], &device, ms(100_000)).await;
    assert_eq!(notebook.shortest_events(), [(1, Span::seconds(5))]);
    let device = Scripted::holding(|question, _| question.number as u16, |_| Answer::Good);
    assert_eq!(run(vec![meter(1)], &device, ms(60_000)).await.shortest_events(), [(1, Span::seconds(1))]);
}

/// A device with model 1 and, after `others` models of no use, model 203 with `length`, from `base` on.
fn sunspec_device(base: u16, others: u16, length: u16) -> impl Fn(u16) -> Option<u16> + Clone {
    let mut registers: Vec<u16> = vec![0x5375, 0x6E53, 1, 66];
    registers.resize(registers.len() + 66, 0);
    for other in 0..others {
        registers.extend([1000 + other, 1, 0]);
    }
    registers.extend([203, length]);
    registers.extend((0..length).map(|nth| nth + 2));
    // The scale registers: -1 for current, 0 for voltage, -2 for frequency, 1 for power and energy.
    let header = registers.len() - usize::from(length) - 2;
    for (at, power) in [(6, -1i16), (15, 0), (17, -2), (22, 1), (54, 1)] {
        if let Some(register) = registers.get_mut(header + at) {
            *register = power as u16;
        }
    }
    registers.extend([0xFFFF, 0]);
    move |address: u16| registers.get(usize::from(address.checked_sub(base)?)).copied()
}

fn sunspec_meter(unit: u8) -> PolledMeter {
    let mut meter = meter(unit);
    let of = model(203).expect("the standard has it").values();
    let of: Vec<_> = of.into_iter().filter(|(_, always, _)| *always).collect();
    meter.quantities = of.iter().map(|(quantity, ..)| *quantity).collect();
    meter.spec.points = of.into_iter().map(|(.., point)| point).collect();
    meter.spec.sunspec = Some(OneModel { id: 203, nth: 1 });
    meter.spec.reach = Reach { gap: MOST_REGISTERS, most: MOST_REGISTERS };
    meter
}

fn serving(device: impl Fn(u16) -> Option<u16> + Clone + 'static, pause: Duration) -> Rc<Scripted> {
    let known = device.clone();
    let has = move |question: Question| {
        (question.address..question.address + question.count).all(|address| known(address).is_some())
    };
    Scripted::holding(
        move |question, address| match question.unit {
            9 => device(address).unwrap_or(0),
            unit => u16::from(unit) * 1000 + address,
        },
        move |question| {
            if question.unit != 9 || has(question) { Answer::After(pause) } else { Answer::Exception(2) }
        },
    )
}

#[tokio::test(start_paused = true)]
async fn a_model_is_found_wherever_it_stands_and_read_with_one_request() {
    for base in [40_000, 50_000, 0, 39_999, 40_001] {
        let device = serving(sunspec_device(base, 0, 105), ms(1));
        let notebook = run(vec![sunspec_meter(9)], &device, ms(3500)).await;
        assert!(notebook.troubles().is_empty(), "{base}: {:?}", notebook.troubles());
        let readings = notebook.noted();
        assert!(readings.len() >= 2, "at {base}");
        let meter = sunspec_meter(9);
        let value = |quantity| {
            let at = meter.quantities.iter().position(|known| *known == quantity).expect("the model has it");
            readings[0].values[at]
        };
        assert_eq!(value(Quantity::at(Measurand::Current, A)), Some(0.3));
        assert_eq!(value(Quantity::at(Measurand::VoltageLn, A)), Some(8.0));
        assert_eq!(value(Quantity::at(Measurand::VoltageLl, BC)), Some(13.0));
        assert_eq!(value(Quantity::whole(Measurand::Frequency)), Some(0.16));
        assert_eq!(value(Quantity::whole(Measurand::Power)), Some(180.0));
        assert_eq!(value(Quantity::whole(Measurand::EnergyExport)), Some(f64::from(38 * 65_536 + 39) * 10.0));
        let last = device.questions().pop().expect("it was asked");
        assert_eq!((last.address, last.count), (base + 70, 55), "from the header to the last scale register");
    }
}

/// Seen to fail without the look at the header with each poll (values of the wrong registers).
#[tokio::test(start_paused = true)]
async fn a_model_that_has_moved_is_no_value_and_is_found_again() {
    let moves = Instant::now() + ms(5500);
    let (before, after) = (sunspec_device(40_000, 0, 105), sunspec_device(40_000, 3, 105));
    let holds = move |question: Question, address| {
        if question.at < moves { before(address) } else { after(address) }.unwrap_or(0)
    };
    let device = Scripted::holding(holds, |_| Answer::Good);
    let notebook = run(vec![sunspec_meter(9)], &device, ms(12_500)).await;
    let amps: Vec<_> = notebook.noted().iter().map(|noted| noted.values[0]).collect();
    assert!(amps.len() >= 8 && amps.iter().all(|amps| *amps == Some(0.3)), "{amps:?}");
    assert!(notebook.troubles().is_empty());
}

#[tokio::test(start_paused = true)]
async fn a_device_without_the_model_is_a_wrong_map_and_asked_again_once_a_minute() {
    for length in [50, 0] {
        let device = serving(sunspec_device(40_000, 0, length), ms(1));
        let notebook = run(vec![sunspec_meter(9)], &device, ms(200_000)).await;
        assert!(notebook.noted().is_empty(), "{length} registers are too few for what is read");
        assert!((1..12).contains(&notebook.troubles().len()), "{:?}", notebook.troubles());
        assert_eq!(notebook.meter_troubles()[0], (9, MeterTrouble::MapWrong, true));
    }
}

/// Neighbours behind the same gateway are not disturbed by a long walk through a device.
#[tokio::test(start_paused = true)]
async fn looking_for_a_model_does_not_hold_up_the_neighbours() {
    let device = serving(sunspec_device(50_000, 90, 105), ms(4));
    let notebook = run(vec![meter(1), sunspec_meter(9), meter(2)], &device, ms(60_500)).await;
    for unit in [1, 2] {
        let polls: Vec<_> = notebook.noted().into_iter().filter(|noted| noted.meter == unit).collect();
        assert_eq!(polls.len(), 61);
        assert!(polls.iter().all(|poll| poll.at.0 % 1000 < 50), "unit {unit} is late");
    }
    assert!(notebook.noted().iter().any(|noted| noted.meter == 9), "and the model is found");
}
