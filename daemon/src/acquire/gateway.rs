//! One task for each `host:port`: polls the meters behind it, one question at a time, and hands over whole readings.

use super::grid::PollGrid;
use super::link::LinkWatch;
use super::modbus::{Fault, Line};
use super::polled::{Polled, PolledMeter, Scratch, every};
use super::queue::{Ending, Queue, Turn};
use super::teller::Teller;
use crate::world::{Dial, Sink};
use kvarden_core::reading::Sample;
use std::collections::HashMap;
use std::rc::Rc;
use std::time::Duration;
use tokio::time::{Instant, sleep_until};

/// Connections whose polls begin in one common slot: enough that a wake-up is well used, few enough that the last
/// of them does not wait for the others.
const CONNECTIONS_PER_SLOT: usize = 16;
/// The shortest deadline of an answer: serial lines behind gateways need this much.
const SHORTEST_DEADLINE: Duration = Duration::from_millis(200);
/// The longest deadline of a meter that has its connection for itself.
const LONGEST_DEADLINE: Duration = Duration::from_secs(3);
/// The longest deadline where others wait for the same connection.
const LONGEST_SHARED_DEADLINE: Duration = Duration::from_secs(1);

/// The meters behind one `host:port`, compiled. Kept by the caller, so that the task can be started again.
#[derive(Debug)]
pub struct Gateway {
    address: Box<str>,
    meters: Box<[Polled]>,
    phase: u32,
    deadline: Duration,
}

impl Gateway {
    /// Its `host:port`.
    pub fn address(&self) -> &str {
        &self.address
    }

    fn new(number: usize, meters: Vec<PolledMeter>) -> Self {
        let shortest = meters.iter().map(|meter| every(&meter.spec)).min().unwrap_or(LONGEST_DEADLINE);
        let deadline = if meters.len() > 1 {
            (shortest / 4).clamp(SHORTEST_DEADLINE, LONGEST_SHARED_DEADLINE)
        } else {
            (shortest * 19 / 20).clamp(SHORTEST_DEADLINE, LONGEST_DEADLINE)
        };
        let address = meters.first().map_or("", |meter| meter.spec.address.as_str()).into();
        let phase = (number / CONNECTIONS_PER_SLOT) as u32;
        Self { address, meters: meters.into_iter().map(Polled::new).collect(), phase, deadline }
    }
}

/// Groups meters by their `host:port`: many devices allow one connection only.
pub fn gateways(meters: impl IntoIterator<Item = PolledMeter>) -> Vec<Rc<Gateway>> {
    let mut groups: Vec<Vec<PolledMeter>> = Vec::new();
    let mut known: HashMap<String, usize> = HashMap::new();
    for meter in meters {
        let at = *known.entry(meter.spec.address.clone()).or_insert(groups.len());
        match groups.get_mut(at) {
            Some(group) => group.push(meter),
            None => groups.push(vec![meter]),
        }
    }
    groups.into_iter().enumerate().map(|(number, group)| Rc::new(Gateway::new(number, group))).collect()
}

/// Polls for ever. Faults of meters are counted and lived with; it ends only with its task.
///
/// * `origin` – the same moment for all gateways: their polls share slots counted from it.
pub async fn run_gateway(gateway: Rc<Gateway>, sink: Rc<dyn Sink>, dial: Rc<dyn Dial>, origin: Instant) {
    let grid = |polled: &Polled| PollGrid::new(origin, gateway.phase, polled.every);
    // A silent unit holds the connection for one deadline: the first request that fails ends the poll.
    let units = gateway.meters.iter().map(|polled| (grid(polled), gateway.deadline, polled.unit));
    let mut queue = Queue::new(units, Instant::now());
    let mut line = Line::new(dial, &gateway.address);
    let mut link = LinkWatch::new(Instant::now());
    let mut told: Vec<_> =
        gateway.meters.iter().map(|polled| Teller::new(&sink, polled.meter, &polled.name)).collect();
    let mut memories: Vec<_> = gateway.meters.iter().map(Polled::memory).collect();
    let mut scratch = Scratch::for_all(&gateway.meters);
    let most = gateway.meters.iter().map(|polled| polled.plan.points()).max().unwrap_or(0);
    let mut values = vec![Sample::ABSENT; most];
    loop {
        let now = Instant::now();
        let at = match queue.next(now, line.relink_at(now)) {
            Turn::Wait(until) => {
                sleep_until(until).await;
                continue;
            }
            Turn::Poll(at) => at,
        };
        let (polled, memory) = (&gateway.meters[at], &mut memories[at]);
        if queue.begin(at, now) > 0 {
            told[at].left_out();
        }
        let values = &mut values[..polled.plan.points()];
        let ending = match polled.poll(&mut line, gateway.deadline, (memory, &mut scratch), values).await {
            Ok(brought) => {
                told[at].brought(&brought);
                sink.reading(polled.meter, sink.now(), values);
                Ending::Good
            }
            Err(fault) => {
                told[at].fault(fault);
                ending(fault)
            }
        };
        // One alarm for the connection that they share, at the first of its meters.
        if let Some(unstable) = link.look(line.last_dial(), Instant::now()) {
            told[0].link_unstable(unstable);
        }
        queue.end(at, ending, Instant::now());
    }
}

fn ending(fault: Fault) -> Ending {
    match fault {
        Fault::NoLine | Fault::Looking => Ending::NotAsked,
        fault if fault.is_of_the_map() => Ending::MapWrong,
        Fault::Exception(_) => Ending::Refused,
        _ => Ending::NoAnswer,
    }
}
