//! Many connections at once against scripted meters on a paused clock: what one of them suffers is not felt by another.

use super::gateway::{gateways, run_gateway};
use super::gateway_tests::{meter, ms};
use super::grid::SLOT;
use super::notebook::Notebook;
use super::polled::PolledMeter;
use super::scripted::{Answer, Scripted};
use crate::world::{Dial, Here, Wire};
use std::collections::HashMap;
use std::io;
use std::rc::Rc;
use std::time::Duration;
use tokio::task::LocalSet;
use tokio::time::Instant;

/// Devices by their `host:port`; who has none is never reached: neither refused nor accepted.
struct Network(HashMap<String, Rc<Scripted>>);

impl Dial for Network {
    fn dial<'a>(&'a self, address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>> {
        match self.0.get(address) {
            Some(device) => device.dial(address),
            None => Box::pin(std::future::pending()),
        }
    }
}

/// A meter with a connection for itself.
fn alone(unit: u8) -> PolledMeter {
    let mut meter = meter(unit);
    meter.spec.address = format!("192.0.2.{unit}:502");
    meter
}

/// Runs all meters, each connection a task of its own as in the daemon.
async fn run(meters: Vec<PolledMeter>, network: Network, long: Duration) -> Rc<Notebook> {
    let (notebook, origin) = (Rc::new(Notebook::at(0)), Instant::now());
    let network: Rc<dyn Dial> = Rc::new(network);
    let local = LocalSet::new();
    for gateway in gateways(meters) {
        local.spawn_local(run_gateway(gateway, notebook.clone(), Rc::clone(&network), origin));
    }
    local.run_until(tokio::time::sleep(long)).await;
    notebook
}

/// How late in its second each reading of a meter came, at the most, and how many there were.
fn lateness(notebook: &Notebook, unit: u8) -> (u64, usize) {
    let polls = notebook.noted();
    let polls = polls.iter().filter(|noted| noted.meter == u32::from(unit));
    let late: Vec<u64> = polls.map(|noted| noted.at.0 as u64 % 1000).collect();
    (late.iter().copied().max().unwrap_or(0), late.len())
}

/// Fault: fifty slow meters. Seen to fail with one deadline of half a period for all (no values).
#[tokio::test(start_paused = true)]
async fn fifty_meters_at_nine_tenths_of_the_period_keep_their_pace_and_disturb_nobody() {
    let slow: Vec<u8> = (1..=50).collect();
    let mut devices = HashMap::new();
    for &unit in &slow {
        // One answer of each is slower than its period.
        let device = Scripted::new(move |question| {
            Answer::After(ms(if question.number == usize::from(unit) { 2500 } else { 900 }))
        });
        devices.insert(format!("192.0.2.{unit}:502"), device);
    }
    devices.insert("192.0.2.60:502".to_owned(), Scripted::new(|_| Answer::After(ms(2))));
    let network = Network(devices.clone());
    let meters = slow.iter().copied().chain([60]).map(alone).collect();
    let notebook = run(meters, network, ms(120_500)).await;
    for &unit in &slow {
        let (_, polls) = lateness(&notebook, unit);
        assert!((115..=120).contains(&polls), "unit {unit}: {polls} readings in two minutes");
        let questions = devices[&format!("192.0.2.{unit}:502")].questions();
        for pair in questions.windows(2) {
            assert!(pair[1].at - pair[0].at >= ms(950), "unit {unit} makes up for a missed poll");
        }
    }
    let first = |device: &Rc<Scripted>| device.questions()[0].at;
    let mut begun: Vec<Instant> = devices.values().map(first).collect();
    begun.sort_unstable();
    begun.dedup();
    let slots: Vec<_> = begun.iter().map(|at| (*at - begun[0]).as_millis() / SLOT.as_millis()).collect();
    assert_eq!(slots, [0, 1, 2, 3], "51 connections begin in four slots, not each at a moment of its own");
    let (late, polls) = lateness(&notebook, 60);
    assert_eq!(polls, 121);
    // Its slot within the second, and at most 50 ms more.
    assert!(late < 120, "the neighbour was {late} ms late");
}

/// Fault: unreachable without an answer. Seen to fail without the deadline of a connection: the task waits for ever and
/// nothing is told.
#[tokio::test(start_paused = true)]
async fn connections_that_are_never_made_are_tried_for_ever_and_disturb_nobody() {
    let reached = Scripted::new(|_| Answer::After(ms(2)));
    let network = Network(HashMap::from([("192.0.2.60:502".to_owned(), reached)]));
    let notebook = run((1..=20).chain([60]).map(alone).collect(), network, Duration::from_mins(10)).await;
    for unit in 1..=20 {
        let tries =
            notebook.troubles().iter().filter(|told| *told == &format!("{unit}: no connection")).count();
        assert!(tries > 10, "unit {unit} was tried {tries} times");
    }
    let (late, polls) = lateness(&notebook, 60);
    assert_eq!(polls, 600);
    assert!(late < 50, "the neighbour was {late} ms late");
}

/// Faults of all kinds at once, each with its own connection: the sound meter loses no poll.
#[tokio::test(start_paused = true)]
async fn hostile_servers_disturb_nobody() {
    let hostile = [
        Answer::Silence,
        Answer::After(ms(1100)),
        Answer::InTwoParts(ms(1500)),
        Answer::WrongTransaction,
        Answer::FewerRegisters,
        Answer::HugeLength,
        Answer::Endless,
        Answer::Exception(2),
        Answer::Exception(6),
        Answer::GoodThenHangup,
        Answer::Hangup,
    ];
    let mut devices = HashMap::from([("192.0.2.60:502".to_owned(), Scripted::new(|_| Answer::After(ms(2))))]);
    for (unit, answer) in (1..).zip(hostile) {
        devices.insert(format!("192.0.2.{unit}:502"), Scripted::new(move |_| answer));
    }
    let units = (1..=hostile.len() as u8).chain([60]);
    let notebook = run(units.map(alone).collect(), Network(devices), Duration::from_mins(5)).await;
    let (late, polls) = lateness(&notebook, 60);
    assert_eq!(polls, 300);
    assert!(late < 50, "the neighbour was {late} ms late");
    let only_readings: Vec<u32> =
        notebook.noted().iter().map(|noted| noted.meter).filter(|&unit| unit != 60).collect();
    assert!(
        only_readings.iter().all(|unit| *unit == 10),
        "only the one that answers before it hangs up gives values"
    );
}
