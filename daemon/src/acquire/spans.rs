//! Which registers go together into one request: as few requests as the protocol's limit and the map allow, and cut
//! so that what belongs together stays together.

use super::frame::most;
use kvarden_config::{Reach, Registers};

/// Registers that are never parted: a number, or a scale register.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Item {
    pub(super) registers: Registers,
    pub(super) address: u16,
    pub(super) count: u16,
}

impl Item {
    fn end(self) -> u32 {
        u32::from(self.address) + u32::from(self.count)
    }
}

/// What one request spans.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Span {
    pub(super) registers: Registers,
    pub(super) address: u16,
    pub(super) count: u16,
}

impl Span {
    /// Where the item begins in this span, if it lies within.
    pub(super) fn begins(self, item: Item) -> Option<usize> {
        let begins = item.address.checked_sub(self.address)?;
        let within = u32::from(begins) + u32::from(item.count) <= u32::from(self.count);
        (self.registers == item.registers && within).then_some(usize::from(begins))
    }
}

/// The spans that cover all items, by table and address. Spans reach over what no item names only as `reach` allows.
///
/// * `bonds` – items, by index, that should stand in one span.
pub(super) fn spans(items: &[Item], bonds: &[Vec<usize>], reach: Reach) -> Vec<Span> {
    let mut sorted: Vec<usize> = (0..items.len()).collect();
    sorted.sort_by_key(|&at| items[at]);
    let mut spans = Vec::new();
    let mut chain: Vec<usize> = Vec::new();
    let mut end = 0;
    for at in sorted {
        let item = items[at];
        let joins = chain.last().is_some_and(|&last| {
            items[last].registers == item.registers && u32::from(item.address) <= end + u32::from(reach.gap)
        });
        if !joins {
            cut(items, bonds, &chain, reach, &mut spans);
            chain.clear();
            end = 0;
        }
        chain.push(at);
        end = end.max(item.end());
    }
    cut(items, bonds, &chain, reach, &mut spans);
    spans
}

/// How dear a way to cut is: bonds broken first, then requests.
type Price = (usize, usize);

/// Cuts a chain of items, sorted by address and joined without too wide a gap, into spans. Of all ways to cut it is
/// the one that breaks the fewest bonds, and of those the one with the fewest requests.
fn cut(items: &[Item], bonds: &[Vec<usize>], chain: &[usize], reach: Reach, spans: &mut Vec<Span>) {
    let Some(&first) = chain.first() else { return };
    let registers = items[first].registers;
    let limit = if registers.are_bits() { most(registers) } else { reach.most.min(most(registers)) };
    let bonds_of: Vec<Vec<usize>> =
        chain.iter().map(|at| (0..bonds.len()).filter(|&bond| bonds[bond].contains(at)).collect()).collect();
    // For each length of the chain's front: the price of its best cuts, and where its last span begins.
    let mut best: Vec<(Price, usize)> = vec![((0, 0), 0)];
    for last in 0..chain.len() {
        let mut inside = vec![0usize; bonds.len()];
        let mut broken = 0;
        let mut end = 0;
        let mut cheapest: Option<(Price, usize)> = None;
        for begin in (0..=last).rev() {
            let item = items[chain[begin]];
            end = end.max(item.end());
            // A single item always fits.
            if begin < last && end - u32::from(item.address) > u32::from(limit) {
                break;
            }
            for &bond in &bonds_of[begin] {
                inside[bond] += 1;
                if bonds[bond].len() > 1 {
                    // Broken by this span from its first item on until all are in.
                    broken += usize::from(inside[bond] == 1);
                    broken -= usize::from(inside[bond] == bonds[bond].len());
                }
            }
            let ((broken_before, requests), _) = best[begin];
            let price = (broken_before + broken, requests + 1);
            if cheapest.is_none_or(|(known, _)| price < known) {
                cheapest = Some((price, begin));
            }
        }
        best.push(cheapest.unwrap_or(((0, 0), last)));
    }
    let mut cuts = Vec::new();
    let mut upto = chain.len();
    while upto > 0 {
        let begin = best[upto].1;
        cuts.push(begin..upto);
        upto = begin;
    }
    for range in cuts.into_iter().rev() {
        let within = &chain[range];
        let address = items[within[0]].address;
        let end = within.iter().map(|&at| items[at].end()).max().unwrap_or(0);
        spans.push(Span { registers, address, count: (end - u32::from(address)) as u16 });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// `items` such as "h10+2 h12+1", `bonds` such as "0 1, 2 3"; the spans written likewise.
    fn check(items: &str, bonds: &str, reach: Reach, expected: &str) {
        let item = |text: &str| {
            let (address, count) = text[1..].split_once('+').unwrap();
            let registers = match &text[..1] {
                "h" => Registers::Holding,
                "i" => Registers::Input,
                "c" => Registers::Coils,
                _ => Registers::DiscreteInputs,
            };
            Item { registers, address: address.parse().unwrap(), count: count.parse().unwrap() }
        };
        let items: Vec<Item> = items.split(' ').map(item).collect();
        let numbers = |bond: &str| bond.split(' ').map(|at| at.parse().unwrap()).collect();
        let bonds: Vec<Vec<usize>> = bonds.split(", ").filter(|bond| !bond.is_empty()).map(numbers).collect();
        let name = |registers| match registers {
            Registers::Holding => 'h',
            Registers::Input => 'i',
            Registers::Coils => 'c',
            Registers::DiscreteInputs => 'd',
        };
        let spans = spans(&items, &bonds, reach);
        let told: Vec<String> = spans
            .iter()
            .map(|span| format!("{}{}+{}", name(span.registers), span.address, span.count))
            .collect();
        assert_eq!(told.join(" "), expected);
    }

    const PLAIN: Reach = Reach { gap: 0, most: 125 };

    #[test]
    fn adjoining_items_of_one_table_are_one_request() {
        check("h10+1 h11+2 h13+1", "", PLAIN, "h10+4");
        check("h13+1 h11+2 h10+1", "", PLAIN, "h10+4");
        check("h10+2 h10+1 h11+1", "", PLAIN, "h10+2");
        check("h65534+2 h65535+1", "", PLAIN, "h65534+2");
    }

    #[test]
    fn registers_that_nobody_names_are_read_only_where_the_map_allows() {
        check("h10+1 h12+1", "", PLAIN, "h10+1 h12+1");
        check("h10+1 h12+1 h15+1", "", Reach { gap: 1, ..PLAIN }, "h10+3 h15+1");
        check("h10+1 h12+1 h15+1", "", Reach { gap: 2, ..PLAIN }, "h10+6");
    }

    #[test]
    fn tables_are_never_joined() {
        check("h10+1 i11+1 h11+1 c12+1 d13+1 c13+1", "", PLAIN, "c12+2 d13+1 h10+2 i11+1");
    }

    #[test]
    fn a_request_ends_before_the_number_that_would_be_parted() {
        let items: Vec<String> = (0..63).map(|n| format!("h{}+2", 100 + 2 * n)).collect();
        check(&items.join(" "), "", PLAIN, "h100+124 h224+2");
        check("h0+4 h4+4 h8+4", "", Reach { most: 10, ..PLAIN }, "h0+8 h8+4");
    }

    #[test]
    fn a_request_for_bits_reaches_as_far_as_the_protocol_allows() {
        let items: Vec<String> = (0..2001).map(|n| format!("c{n}+1")).collect();
        check(&items.join(" "), "", PLAIN, "c0+2000 c2000+1");
    }

    #[test]
    fn what_belongs_together_is_not_cut_apart() {
        let items: Vec<String> = (0..128).map(|n| format!("h{n}+1")).collect();
        check(&items.join(" "), "", PLAIN, "h0+125 h125+3");
        check(&items.join(" "), "123 124 125", PLAIN, "h0+123 h123+5");
        // One more request is better than a bond that is broken.
        check("h0+4 h4+4 h8+4 h12+4", "1 2", Reach { most: 8, ..PLAIN }, "h0+4 h4+8 h12+4");
        // What lies too far apart for any request costs nothing.
        check("h0+1 h1+1 h2+1 h500+1", "0 3", PLAIN, "h0+3 h500+1");
    }

    proptest! {
        #[test]
        fn every_item_lies_within_a_span_and_no_span_is_too_long(
            places in proptest::collection::vec((0u16..400, 1u16..=4), 1..80),
            gap in 0u16..20,
            most in 4u16..=125,
        ) {
            let items: Vec<Item> = places.iter().map(|&(address, count)| Item { registers: Registers::Input, address, count }).collect();
            let spans = spans(&items, &[vec![0, items.len() - 1]], Reach { gap, most });
            for item in &items {
                prop_assert!(spans.iter().any(|span| span.begins(*item).is_some()));
            }
            for span in &spans {
                prop_assert!(span.count <= most);
                let named: Vec<bool> = (span.address..span.address + span.count)
                    .map(|at| items.iter().any(|item| (u32::from(item.address)..item.end()).contains(&u32::from(at))))
                    .collect();
                let longest = named.split(|named| *named).map(<[bool]>::len).max().unwrap_or(0);
                prop_assert!(longest <= usize::from(gap), "reads over {longest}");
            }
        }
    }
}
