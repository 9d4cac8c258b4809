//! The points of one meter as few read requests, compiled once: which registers to ask for, and what lies where
//! in the answer. Registers that no point names are never asked for.

use super::registers::Decoder;
use kvarden_config::{RegisterPoint, Registers};
use kvarden_core::reading::Sample;

/// The most registers of one request. Source: Modbus application protocol V1.1b3, functions 3 and 4.
pub const MOST_REGISTERS: u16 = 125;

/// All requests of one poll of a meter.
#[derive(Debug, Clone)]
pub struct ReadPlan {
    requests: Box<[ReadRequest]>,
    points: usize,
}

/// One request, and how its answer becomes values.
#[derive(Debug, Clone)]
pub struct ReadRequest {
    registers: Registers,
    address: u16,
    count: u16,
    slots: Box<[Slot]>,
}

/// Where one point lies in the answer.
#[derive(Debug, Clone)]
struct Slot {
    begins: usize,
    point: usize,
    decoder: Decoder,
}

impl ReadPlan {
    /// Joins points whose registers of one table adjoin or overlap, as far as one request reaches. A number of two
    /// registers is never parted.
    pub fn new(points: &[RegisterPoint]) -> Self {
        let mut order: Vec<usize> = (0..points.len()).collect();
        order.sort_by_key(|&at| (points[at].registers == Registers::Input, points[at].address));
        let mut requests: Vec<(ReadRequest, Vec<Slot>)> = Vec::new();
        for point in order {
            let of = &points[point];
            let joined = requests.last_mut().and_then(|(request, slots)| Some((request.joined(of)?, slots)));
            let slot = |begins| Slot { begins, point, decoder: Decoder::new(of) };
            if let Some((begins, slots)) = joined {
                slots.push(slot(begins));
            } else {
                let (address, count) = (of.address, of.kind.registers());
                let request = ReadRequest { registers: of.registers, address, count, slots: Box::default() };
                requests.push((request, vec![slot(0)]));
            }
        }
        let closed =
            requests.into_iter().map(|(request, slots)| ReadRequest { slots: slots.into(), ..request });
        Self { requests: closed.collect(), points: points.len() }
    }

    /// The requests, in the order in which they are sent.
    pub fn requests(&self) -> &[ReadRequest] {
        &self.requests
    }

    /// How many values a poll gives.
    pub fn points(&self) -> usize {
        self.points
    }
}

impl ReadRequest {
    /// Which table.
    pub fn registers(&self) -> Registers {
        self.registers
    }

    /// Protocol address of the first register, counted from 0.
    pub fn address(&self) -> u16 {
        self.address
    }

    /// How many registers.
    pub fn count(&self) -> u16 {
        self.count
    }

    /// Decodes an answer into the values of the meter's points; false, and nothing written, if it has not exactly
    /// the registers that were asked for.
    #[must_use]
    pub fn decode(&self, answer: &[u16], values: &mut [Sample]) -> bool {
        if answer.len() != usize::from(self.count) {
            return false;
        }
        for slot in &self.slots {
            if let (Some(words), Some(value)) = (answer.get(slot.begins..), values.get_mut(slot.point)) {
                *value = slot.decoder.sample(words);
            }
        }
        true
    }

    /// Takes a point of no lower address into this request if it adjoins; gives where it begins in the answer.
    fn joined(&mut self, point: &RegisterPoint) -> Option<usize> {
        let begins = u32::from(point.address).checked_sub(u32::from(self.address))?;
        let count = u32::from(self.count).max(begins + u32::from(point.kind.registers()));
        let adjoins = self.registers == point.registers && begins <= u32::from(self.count);
        if !adjoins || count > u32::from(MOST_REGISTERS) {
            return None;
        }
        self.count = count as u16;
        Some(begins as usize)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_config::{NumberKind, WordOrder};

    fn point(registers: Registers, address: u16, kind: NumberKind) -> RegisterPoint {
        let word_order = WordOrder::HighFirst;
        RegisterPoint { registers, address, kind, word_order, scale: 1.0, offset: 0.0, absent: vec![] }
    }

    /// `points` such as "h10 u16"; `requests` such as "h10+3", in sending order.
    fn check(points: &str, requests: &str) {
        let points: Vec<_> = points
            .split(", ")
            .map(|text| {
                let (place, kind) = text.split_once(' ').unwrap();
                let table = if place.starts_with('h') { Registers::Holding } else { Registers::Input };
                let kind = if kind == "u16" { NumberKind::U16 } else { NumberKind::F32 };
                point(table, place[1..].parse().unwrap(), kind)
            })
            .collect();
        let plan = ReadPlan::new(&points);
        let told: Vec<_> = plan
            .requests()
            .iter()
            .map(|r| {
                let table = if r.registers() == Registers::Holding { 'h' } else { 'i' };
                format!("{table}{}+{}", r.address(), r.count())
            })
            .collect();
        assert_eq!(told.join(" "), requests);
    }

    #[test]
    fn adjoining_points_of_one_table_are_one_request() {
        check("h10 u16, h11 f32, h13 u16", "h10+4");
        check("h13 u16, h11 f32, h10 u16", "h10+4");
    }

    #[test]
    fn registers_that_no_point_names_are_not_read() {
        check("h10 u16, h12 u16", "h10+1 h12+1");
    }

    #[test]
    fn the_two_tables_are_never_joined() {
        check("h10 u16, i11 u16, h11 u16", "h10+2 i11+1");
    }

    #[test]
    fn points_that_share_registers_share_the_request() {
        check("h10 f32, h10 u16, h11 u16", "h10+2");
    }

    #[test]
    fn the_last_register_of_the_table_can_be_read() {
        check("h65534 f32, h65535 u16", "h65534+2");
    }

    #[test]
    fn a_request_ends_before_the_number_that_would_be_parted() {
        let points: Vec<_> =
            (0..63).map(|n| point(Registers::Holding, 100 + 2 * n, NumberKind::F32)).collect();
        let plan = ReadPlan::new(&points);
        let told: Vec<_> = plan.requests().iter().map(|r| (r.address(), r.count())).collect();
        assert_eq!(told, [(100, 124), (224, 2)]);
    }

    #[test]
    fn each_value_lands_at_its_own_point() {
        let table = Registers::Holding;
        let points = [point(table, 12, NumberKind::U16), point(table, 10, NumberKind::U32)];
        let plan = ReadPlan::new(&points);
        let mut values = [Sample::ABSENT; 2];
        assert!(plan.requests()[0].decode(&[1, 2, 3], &mut values));
        assert_eq!(values.map(Sample::get), [Some(3.0), Some(65_538.0)]);
    }

    #[test]
    fn an_answer_of_another_length_is_refused_and_writes_nothing() {
        let plan = ReadPlan::new(&[point(Registers::Holding, 10, NumberKind::U32)]);
        let mut values = [Sample::ABSENT];
        for answer in [&[][..], &[1], &[1, 2, 3]] {
            assert!(!plan.requests()[0].decode(answer, &mut values));
        }
        assert_eq!(values, [Sample::ABSENT]);
    }
}
