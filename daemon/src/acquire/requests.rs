//! The points of one meter as few read requests, compiled once: what to ask for, what lies where in the answers, and
//! which values may be combined.

use super::frame::Question;
use super::registers::Decoder;
use super::spans::{Item, Span, spans};
use kvarden_config::{ModbusSpec, Model, RegisterPoint, Registers, model};
use kvarden_core::reading::Sample;
use std::time::Duration;
use tokio::time::Instant;

/// Values that a formula combines may be so far apart: within it a load hardly changes, and a sag hits all of them.
pub const MOST_APART: Duration = Duration::from_millis(500);

/// All requests of one poll of a meter.
#[derive(Debug, Clone)]
pub struct ReadPlan {
    requests: Box<[ReadRequest]>,
    slots: Box<[Slot]>,
    parted: Box<[Parted]>,
    points: usize,
    words: usize,
    header: Option<Header>,
}

/// One request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadRequest {
    span: Span,
    begins: usize,
}

/// Where one point lies in the answers, put one behind the other.
#[derive(Debug, Clone)]
struct Slot {
    point: usize,
    begins: usize,
    scale: Scale,
    decoder: Decoder,
}

/// Where the scale register of a point lies.
#[derive(Debug, Clone, Copy)]
enum Scale {
    /// There is none.
    None,
    /// In the same answer as the point.
    Near(usize),
    /// In requests of its own before and after: only if both say the same is it the scale of the value between.
    Far { before: usize, after: usize, count: usize },
}

/// Points that a formula combines and that no single request can give.
#[derive(Debug, Clone)]
struct Parted {
    /// Each with its request.
    points: Box<[(usize, usize)]>,
}

/// The header of a SunSpec model, which each poll reads along.
#[derive(Debug, Clone, Copy)]
struct Header {
    begins: usize,
    id: u16,
    least_length: u16,
}

/// When a request was sent and answered: its values are of a moment between.
#[derive(Debug, Clone, Copy)]
pub struct Stamp {
    /// Sent.
    pub sent: Instant,
    /// Answered.
    pub answered: Instant,
}

/// The header's item, and the model.
fn header_of(spec: &ModbusSpec) -> Option<(Item, &'static Model)> {
    let model = spec.sunspec.and_then(|one| model(one.id))?;
    Some((Item { registers: Registers::Holding, address: 0, count: 2 }, model))
}

fn item_of(point: &RegisterPoint) -> Item {
    Item { registers: point.registers, address: point.address, count: point.extent() }
}

fn scale_of(point: &RegisterPoint) -> Option<Item> {
    let register = point.scale_register?;
    Some(Item { registers: point.registers, address: register.address, count: register.kind.registers() })
}

impl ReadPlan {
    /// Joins what can be read together.
    ///
    /// * `together` – points, by index, that a formula combines.
    pub fn new(spec: &ModbusSpec, together: &[Vec<usize>]) -> Self {
        let points = &spec.points;
        let header = header_of(spec);
        let near = near_scales(spec, together, header.map(|(item, _)| item), &vec![true; points.len()]);
        // Without the far ones the requests may fall otherwise, so that one more may become far.
        let near = near_scales(spec, together, header.map(|(item, _)| item), &near);
        let body = planned(spec, together, header.map(|(item, _)| item), &near);
        let mut far: Vec<Item> = points
            .iter()
            .zip(&near)
            .filter(|(_, near)| !**near)
            .filter_map(|(point, _)| scale_of(point))
            .collect();
        far.sort_unstable();
        far.dedup();
        let far = spans(&far, &[], spec.reach);
        let mut words = 0;
        let requests: Box<[ReadRequest]> = far
            .iter()
            .chain(&body)
            .chain(&far)
            .map(|span| {
                let begins = words;
                words += usize::from(span.count);
                ReadRequest { span: *span, begins }
            })
            .collect();
        let (head, rest) = requests.split_at(far.len());
        let (middle, tail) = rest.split_at(body.len());
        let slots = points.iter().enumerate().filter_map(|(at, point)| {
            let (request, begins) = place(middle, item_of(point))?;
            let scale = match scale_of(point) {
                None => Scale::None,
                Some(item) if near[at] => Scale::Near(request.begins + request.span.begins(item)?),
                Some(item) => Scale::Far {
                    before: place(head, item)?.1,
                    after: place(tail, item)?.1,
                    count: usize::from(item.count),
                },
            };
            Some(Slot { point: at, begins, scale, decoder: Decoder::new(point) })
        });
        let number = |point: usize| {
            let item = item_of(&points[point]);
            middle.iter().position(|request| request.span.begins(item).is_some()).map(|at| far.len() + at)
        };
        let parted = together.iter().filter_map(|group| {
            let placed: Box<[(usize, usize)]> =
                group.iter().filter_map(|&point| Some((point, number(point)?))).collect();
            let one = placed.iter().all(|(_, request)| *request == placed[0].1);
            (!one).then_some(Parted { points: placed })
        });
        let header = header.and_then(|(item, model)| {
            let reaches = points.iter().flat_map(|point| [Some(item_of(point)), scale_of(point)]).flatten();
            let least = reaches.map(|item| item.address + item.count - 2).max().unwrap_or(0);
            Some(Header { begins: place(middle, item)?.1, id: model.id, least_length: least })
        });
        Self {
            slots: slots.collect(),
            parted: parted.collect(),
            points: points.len(),
            words,
            header,
            requests: requests.clone(),
        }
    }

    /// The requests, in the order in which they are sent.
    pub fn requests(&self) -> &[ReadRequest] {
        &self.requests
    }

    /// How many values a poll gives.
    pub fn points(&self) -> usize {
        self.points
    }

    /// How many registers and bits all answers of a poll have.
    pub fn words(&self) -> usize {
        self.words
    }

    /// The points that a formula combines and that no single request gives, each group by index.
    pub fn parted(&self) -> impl Iterator<Item = Vec<usize>> {
        self.parted.iter().map(|parted| parted.points.iter().map(|(point, _)| *point).collect())
    }

    /// The length of the SunSpec model that the answers show at the expected place; none if it is not there (any
    /// more), or shorter than what is read of it. Without a model always 0.
    pub fn header(&self, words: &[u16]) -> Option<u16> {
        let Some(header) = self.header else { return Some(0) };
        match words.get(header.begins..header.begins + 2) {
            Some(&[id, length]) if id == header.id && length >= header.least_length => Some(length),
            _ => None,
        }
    }

    /// Makes values of the answers of one poll. Says whether values that a formula combines came too far apart: of
    /// those only the latest are given, so that nothing is made of two moments.
    ///
    /// * `words` – the answers, each where [`ReadRequest::range`] says.
    /// * `stamps` – one per request.
    pub fn decode(&self, words: &[u16], stamps: &[Stamp], values: &mut [Sample]) -> bool {
        values.fill(Sample::ABSENT);
        for slot in &self.slots {
            let from = |at: usize| words.get(at..).unwrap_or_default();
            let scale = match slot.scale {
                Scale::None => &[],
                Scale::Near(at) => from(at),
                Scale::Far { before, after, count } => {
                    let same = from(before).get(..count) == from(after).get(..count);
                    if same { from(before) } else { &[] }
                }
            };
            if let Some(value) = values.get_mut(slot.point) {
                *value = slot.decoder.sample(from(slot.begins), scale);
            }
        }
        let mut apart = false;
        for parted in &self.parted {
            apart |= parted.keep_latest(stamps, values);
        }
        apart
    }
}

impl Parted {
    fn keep_latest(&self, stamps: &[Stamp], values: &mut [Sample]) -> bool {
        let stamps_of = || self.points.iter().filter_map(|(_, request)| stamps.get(*request));
        let first = stamps_of().map(|stamp| stamp.sent).min();
        let last = stamps_of().map(|stamp| stamp.answered).max();
        let Some((first, last)) = first.zip(last) else { return false };
        if last.saturating_duration_since(first) <= MOST_APART {
            return false;
        }
        for (point, request) in &self.points {
            if stamps.get(*request).is_none_or(|stamp| stamp.answered < last)
                && let Some(value) = values.get_mut(*point)
            {
                *value = Sample::ABSENT;
            }
        }
        true
    }
}

/// The request that holds the item, and where the item begins in all answers.
fn place(requests: &[ReadRequest], item: Item) -> Option<(&ReadRequest, usize)> {
    requests.iter().find_map(|request| Some((request, request.begins + request.span.begins(item)?)))
}

/// The spans of the points, of the header, and of the scale registers of the points that are named.
fn planned(spec: &ModbusSpec, together: &[Vec<usize>], header: Option<Item>, scales: &[bool]) -> Vec<Span> {
    let mut items: Vec<Item> = spec.points.iter().map(item_of).collect();
    let mut bonds: Vec<Vec<usize>> = together.to_vec();
    for (at, point) in spec.points.iter().enumerate().filter(|(at, _)| scales[*at]) {
        if let Some(item) = scale_of(point) {
            let known = items[spec.points.len()..].iter().position(|known| *known == item);
            let scale = known.map_or(items.len(), |at| spec.points.len() + at);
            if scale == items.len() {
                items.push(item);
            }
            bonds.push(vec![at, scale]);
        }
    }
    items.extend(header);
    spans(&items, &bonds, spec.reach)
}

/// For each point whether its scale register would stand in one span with it, if those of `wanted` are read.
fn near_scales(
    spec: &ModbusSpec,
    together: &[Vec<usize>],
    header: Option<Item>,
    wanted: &[bool],
) -> Vec<bool> {
    let spans = planned(spec, together, header, wanted);
    let is_near = |point: &RegisterPoint| {
        scale_of(point).is_none_or(|scale| {
            let item = item_of(point);
            let span = spans.iter().find(|span| span.begins(item).is_some());
            span.is_some_and(|span| span.begins(scale).is_some())
        })
    };
    spec.points.iter().zip(wanted).map(|(point, wanted)| *wanted && is_near(point)).collect()
}

impl ReadRequest {
    /// Which table.
    pub fn registers(&self) -> Registers {
        self.span.registers
    }

    /// Protocol address of the first register or bit, counted from 0 or from a model's header.
    pub fn address(&self) -> u16 {
        self.span.address
    }

    /// How many registers or bits.
    pub fn count(&self) -> u16 {
        self.span.count
    }

    /// Where its answer belongs among all answers of the poll.
    pub fn range(&self) -> std::ops::Range<usize> {
        self.begins..self.begins + usize::from(self.span.count)
    }

    /// The question, with addresses counted from `base`; none if it would reach beyond the last register.
    pub fn question(&self, (unit, answers_as): (u8, u8), base: u16) -> Option<Question> {
        let address = base.checked_add(self.span.address)?;
        address.checked_add(self.span.count - 1)?;
        let (registers, count) = (self.span.registers, self.span.count);
        Some(Question { unit, answers_as, registers, address, count })
    }
}
