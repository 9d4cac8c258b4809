//! The walk from model to model, without any wire: what to ask next, and what an answer means.
//!
//! Source: SunSpec model discovery, public wiki; handbook of the trade for devices that are off by one.

use kvarden_config::{MOST_MODELS, OneModel};

/// Where the marker stands, by how often: the three places of the standard, then those off by one.
const BASES: [u16; 8] = [40_000, 50_000, 0, 39_999, 40_001, 49_999, 50_001, 1];
/// `SunS`.
const MARKER: [u16; 2] = [0x5375, 0x6E53];
/// This model means that no more follow.
const END: u16 = 0xFFFF;
/// Registers of the marker and of a model's header.
const HEADER: u16 = 2;

/// A model as its header tells of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Found {
    /// Its number.
    pub id: u16,
    /// Address of its header.
    pub address: u16,
    /// How many registers follow the header.
    pub length: u16,
}

/// A walk under way or at its end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Walk {
    at: At,
    models: Vec<Found>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum At {
    /// Looks for the marker: which of the bases is next.
    Marker(usize),
    /// A header stands at this address.
    Header(u16),
    /// Nothing more to ask.
    Over,
}

impl Default for Walk {
    fn default() -> Self {
        Self { at: At::Marker(0), models: Vec::new() }
    }
}

impl Walk {
    /// What to ask next, as address and count of holding registers; nothing at the end.
    pub fn next(&self) -> Option<(u16, u16)> {
        match self.at {
            At::Marker(nth) => BASES.get(nth).map(|base| (*base, HEADER)),
            At::Header(address) => Some((address, HEADER)),
            At::Over => None,
        }
    }

    /// Whether the marker is still looked for.
    pub fn seeks_marker(&self) -> bool {
        matches!(self.at, At::Marker(_))
    }

    /// The answer to [`Walk::next`]; nothing if the device refused, or said nothing.
    pub fn answer(&mut self, words: Option<&[u16]>) {
        self.at = match (self.at, words) {
            (At::Marker(nth), Some(words)) if words.starts_with(&MARKER) => Self::header(BASES[nth] + HEADER),
            (At::Marker(nth), _) => {
                if nth + 1 < BASES.len() {
                    At::Marker(nth + 1)
                } else {
                    At::Over
                }
            }
            (At::Header(address), Some(&[id, length, ..])) if id != END => {
                self.models.push(Found { id, address, length });
                let next = address.checked_add(HEADER).and_then(|begins| begins.checked_add(length));
                match next {
                    Some(next) if self.models.len() < usize::from(MOST_MODELS) => Self::header(next),
                    _ => At::Over,
                }
            }
            _ => At::Over,
        };
    }

    /// A header that does not reach beyond the last register.
    fn header(address: u16) -> At {
        if address.checked_add(HEADER - 1).is_some() { At::Header(address) } else { At::Over }
    }

    /// The models found so far, in their order.
    pub fn models(&self) -> &[Found] {
        &self.models
    }

    /// All models with this number.
    pub fn of(&self, id: u16) -> impl Iterator<Item = Found> + '_ {
        self.models.iter().copied().filter(move |model| model.id == id)
    }

    /// This one of the models with its number.
    pub fn find(&self, one: OneModel) -> Option<Found> {
        self.of(one.id).nth(usize::from(one.nth.checked_sub(1)?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Walks over registers from `base` up; asking for others is refused.
    fn walk(base: u16, registers: &[u16]) -> (Walk, usize) {
        let mut walk = Walk::default();
        let mut questions = 0;
        while let Some((address, count)) = walk.next() {
            let from = address.checked_sub(base).map(usize::from);
            walk.answer(from.and_then(|from| registers.get(from..from + usize::from(count))));
            questions += 1;
            assert!(questions <= BASES.len() + usize::from(MOST_MODELS) + 1, "it ends");
        }
        (walk, questions)
    }

    const DEVICE: [u16; 15] = [21_365, 28_243, 1, 4, 0, 0, 0, 0, 203, 3, 7, 8, 9, 65_535, 0];

    #[test]
    fn models_are_found_wherever_the_marker_stands() {
        for base in BASES {
            let (walk, _) = walk(base, &DEVICE);
            let found: Vec<_> = walk.models().iter().map(|model| (model.id, model.address - base)).collect();
            assert_eq!(found, [(1, 2), (203, 8)], "at {base}");
            let find = |id, nth| walk.find(OneModel { id, nth });
            assert_eq!(find(203, 1), Some(Found { id: 203, address: base + 8, length: 3 }));
            assert_eq!((find(201, 1), find(203, 2), find(203, 0)), (None, None, None));
        }
    }

    /// Seen to fail where the first model with the number is taken, whichever is asked for.
    #[test]
    fn models_of_one_number_are_told_apart_by_their_order() {
        let device = [21_365, 28_243, 203, 1, 7, 201, 0, 203, 2, 8, 9, 65_535, 0];
        let (walk, _) = walk(0, &device);
        let find = |nth| walk.find(OneModel { id: 203, nth }).map(|found| (found.address, found.length));
        assert_eq!((find(1), find(2), find(3)), (Some((2, 1)), Some((7, 2)), None));
    }

    #[test]
    fn a_device_without_the_marker_has_no_models() {
        assert_eq!(walk(40_000, &[21_365, 28_244, 1, 4]).0.models(), []);
        assert_eq!(walk(100, &DEVICE), (Walk { at: At::Over, models: vec![] }, BASES.len()));
    }

    #[test]
    fn a_list_without_its_end_ends_where_the_device_refuses() {
        assert_eq!(walk(0, &DEVICE[..13]).0.models().len(), 2);
    }

    /// Seen to fail without the bound on models.
    #[test]
    fn a_list_that_never_ends_is_ended() {
        let mut endless = vec![21_365, 28_243];
        endless.resize(1000, 0);
        assert_eq!(walk(40_000, &endless).0.models().len(), usize::from(MOST_MODELS));
        let beyond = [21_365, 28_243, 203, 20_000, 0];
        let (walk, _) = walk(50_000, &beyond);
        assert_eq!(walk.models(), [Found { id: 203, address: 50_002, length: 20_000 }]);
    }

    proptest! {
        #[test]
        fn any_registers_are_walked_to_an_end(registers in proptest::collection::vec(any::<u16>(), 0..300), at in 0..BASES.len()) {
            let mut device = MARKER.to_vec();
            device.extend(registers);
            let (walk, _) = walk(BASES[at], &device);
            prop_assert!(walk.models().len() <= usize::from(MOST_MODELS));
        }
    }
}
