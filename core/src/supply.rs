//! Who feeds whom: sources, states of breakers and switches, circuits, and which transformer feeds a feeder now.

use crate::measurand::{Measurand, Quantity};
use crate::phases::Phase;
use crate::plant::Feeder;
use serde::{Deserialize, Serialize};

/// Where power comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Name at the site, unique.
    pub name: String,
    /// What it is.
    pub kind: SourceKind,
}

/// What a source is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum SourceKind {
    /// The public grid.
    Utility,
    /// A generator.
    Generator,
    /// An island: inverters and batteries.
    Island,
}

impl SourceKind {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::Utility, Self::Generator, Self::Island];

    /// The written form.
    pub fn key(self) -> &'static str {
        match self {
            Self::Utility => "utility",
            Self::Generator => "generator",
            Self::Island => "island",
        }
    }
}

/// A breaker, a switch or a machine whose state a meter reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct State {
    /// Name at the site, unique.
    pub name: String,
    /// Index of the meter that reads it.
    pub meter: usize,
    /// Which of the meter's flags it is.
    pub flag: Quantity,
}

/// A state as it must be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StateIs {
    /// Index of the state.
    pub state: usize,
    /// Whether its flag must be on.
    pub on: bool,
}

/// Something that feeds something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SupplyFrom {
    /// A source (index).
    Source(usize),
    /// A transformer (index).
    Transformer(usize),
    /// A feeder (index).
    Feeder(usize),
}

/// One way by which something is fed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Supply {
    /// By what.
    pub from: SupplyFrom,
    /// Only while this holds; `None`: always.
    pub when: Option<StateIs>,
}

/// A circuit: what one breaker of a feeder leads to.
#[derive(Debug, Clone, PartialEq)]
pub struct Circuit {
    /// Name at the site, unique.
    pub name: String,
    /// Index of its feeder.
    pub feeder: usize,
    /// Its phases, one for each pole.
    pub phases: Vec<Phase>,
    /// Amperes of its breaker.
    pub breaker_a: f64,
    /// What it feeds.
    pub feeds: Option<String>,
    /// What is to be known of it.
    pub marks: Vec<Mark>,
}

/// Something to be known of a circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Its loads run on three phases only.
    ThreePhaseOnly,
    /// Motors hang on it.
    ServesMotors,
    /// Lives depend on it.
    LifeSafety,
    /// It shares its neutral with other circuits.
    SharedNeutral,
}

impl Mark {
    /// Every mark.
    pub const ALL: [Self; 4] =
        [Self::ThreePhaseOnly, Self::ServesMotors, Self::LifeSafety, Self::SharedNeutral];

    /// The key in configuration.
    pub fn key(self) -> &'static str {
        match self {
            Self::ThreePhaseOnly => "three_phase_only",
            Self::ServesMotors => "serves_motors",
            Self::LifeSafety => "life_safety",
            Self::SharedNeutral => "shared_neutral",
        }
    }

    /// Words for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::ThreePhaseOnly => "three phases only",
            Self::ServesMotors => "motors",
            Self::LifeSafety => "life safety",
            Self::SharedNeutral => "shared neutral",
        }
    }
}

/// What feeds something now. Ways are indices of its supplies, the normal one first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FedNow {
    /// By this way alone.
    By(usize),
    /// By more than one at once, this the first of them.
    Several(usize),
    /// A state that decides is not known, so the normal supply is taken.
    Assumed,
    /// By nothing: every way is open.
    Nothing,
}

impl FedNow {
    /// By which way, if by any.
    pub fn way(self) -> Option<usize> {
        match self {
            Self::By(way) | Self::Several(way) => Some(way),
            Self::Assumed => Some(0),
            Self::Nothing => None,
        }
    }
}

/// A state at some time, by its name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct StateNow {
    /// Its name.
    pub name: String,
    /// What it is.
    pub what: Measurand,
    /// Whether its flag is on; `None`: not known.
    pub on: Option<bool>,
}

/// What feeds something, where that is not what feeds it normally. By names, so that it stands by itself years later.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct OtherSupply {
    /// By what.
    pub by: Fed,
    /// The states that say so.
    pub states: Vec<StateNow>,
}

/// By what something is fed.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Fed {
    /// By this one alone.
    By(String),
    /// By more than one at once, so that nothing can be said of one of them.
    Several,
    /// By nothing: every way is open.
    Nothing,
    /// A state that decides is not known.
    NotKnown,
}

/// Which transformer feeds a feeder now.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TransformerNow {
    /// The transformer (index); `None`: none does, every way is open.
    pub transformer: Option<usize>,
    /// States (indices) that decide and are not known: the normal supply was taken.
    pub unknown: Vec<usize>,
    /// States (indices) by which a way other than the normal one is taken, or every way is open.
    pub because: Vec<usize>,
    /// Whether somewhere on the way more than one way is closed.
    pub several: bool,
}

/// Which of several supplies, the normal one first, feeds now. `states` answers whether a state's flag is on; `None`:
/// not known. A closed way that is known wins over one that is not.
pub fn fed_now(supplies: &[Supply], states: &dyn Fn(usize) -> Option<bool>) -> FedNow {
    let holds = |supply: &Supply| match supply.when {
        None => Some(true),
        Some(wanted) => states(wanted.state).map(|on| on == wanted.on),
    };
    let mut closed = supplies.iter().enumerate().filter(|(_, supply)| holds(supply) == Some(true));
    match (closed.next(), closed.next()) {
        (Some((way, _)), None) => FedNow::By(way),
        (Some((way, _)), Some(_)) => FedNow::Several(way),
        (None, _) if supplies.iter().any(|supply| holds(supply).is_none()) => FedNow::Assumed,
        _ => FedNow::Nothing,
    }
}

/// Which transformer feeds a feeder now, through other feeders if need be.
pub fn transformer_now(
    feeders: &[Feeder],
    feeder: usize,
    states: &dyn Fn(usize) -> Option<bool>,
) -> TransformerNow {
    let mut now = TransformerNow::default();
    let mut at = feeder;
    // A way that is longer than there are feeders goes in a circle, which the configuration refuses.
    for _ in 0..=feeders.len() {
        let Some(feeder) = feeders.get(at) else { return now };
        let supplies = &feeder.supplies;
        if supplies.is_empty() {
            now.transformer = Some(feeder.fed_by);
            return now;
        }
        let fed = fed_now(supplies, states);
        now.several |= matches!(fed, FedNow::Several(_));
        let asked = supplies.iter().filter_map(|supply| supply.when).map(|when| when.state);
        match fed {
            FedNow::Assumed => now.unknown.extend(asked.filter(|state| states(*state).is_none())),
            FedNow::By(0) => {}
            FedNow::By(way) => now.because.extend(supplies[way].when.map(|when| when.state)),
            FedNow::Several(_) | FedNow::Nothing => now.because.extend(asked),
        }
        match fed.way().map(|way| supplies[way].from) {
            Some(SupplyFrom::Transformer(index)) => {
                now.transformer = Some(index);
                return now;
            }
            Some(SupplyFrom::Feeder(index)) => at = index,
            Some(SupplyFrom::Source(_)) | None => return now,
        }
    }
    now
}

/// What feeds something, up to the source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Chain {
    /// The first transformer on the way, if there is one.
    pub(crate) transformer: Option<usize>,
    /// Whether that is certain: nothing on the way to it is unknown, and nowhere more than one way is closed.
    pub(crate) transformer_certain: bool,
    /// The source at its end, if one is known by name.
    pub(crate) source: Option<usize>,
    /// Whether all of the way is certain.
    pub(crate) certain: bool,
}

/// The supplies of feeders and of transformers, by their indices.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ways<'a> {
    pub(crate) feeders: &'a [Feeder],
    pub(crate) transformers: &'a [Box<[Supply]>],
}

impl Ways<'_> {
    /// What feeds a feeder or a transformer, up to the source.
    pub(crate) fn up(&self, from: SupplyFrom, states: &dyn Fn(usize) -> Option<bool>) -> Chain {
        let mut chain = Chain { transformer: None, transformer_certain: true, source: None, certain: true };
        let mut at = from;
        // A longer way goes in a circle, which the configuration refuses.
        for _ in 0..=self.feeders.len() + self.transformers.len() {
            let supplies: &[Supply] = match at {
                SupplyFrom::Source(index) => {
                    chain.source = Some(index);
                    break;
                }
                SupplyFrom::Transformer(index) => {
                    chain.transformer.get_or_insert(index);
                    self.transformers.get(index).map(AsRef::as_ref).unwrap_or_default()
                }
                SupplyFrom::Feeder(index) => match self.feeders.get(index) {
                    Some(feeder) if feeder.supplies.is_empty() => {
                        at = SupplyFrom::Transformer(feeder.fed_by);
                        continue;
                    }
                    Some(feeder) => &feeder.supplies,
                    None => &[],
                },
            };
            if supplies.is_empty() {
                break;
            }
            let fed = fed_now(supplies, states);
            chain.certain &= matches!(fed, FedNow::By(_));
            if chain.transformer.is_none() {
                chain.transformer_certain = chain.certain;
            }
            match fed.way() {
                Some(way) => at = supplies[way].from,
                None => break,
            }
        }
        chain
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn supply(from: SupplyFrom, state: usize) -> Supply {
        Supply { from, when: Some(StateIs { state, on: true }) }
    }

    /// MP-3 hangs on T2 by breaker 0 and on T3 by breaker 1; its board MP-3A on MP-3 alone.
    fn feeders() -> [Feeder; 2] {
        let mut fed = Feeder::new("MP-3", 0);
        fed.supplies = vec![supply(SupplyFrom::Transformer(0), 0), supply(SupplyFrom::Transformer(1), 1)];
        let mut board = Feeder::new("MP-3A", 0);
        board.supplies = vec![Supply { from: SupplyFrom::Feeder(0), when: None }];
        [fed, board]
    }

    fn now(q2: Option<bool>, q3: Option<bool>) -> TransformerNow {
        let states = |state: usize| [q2, q3][state];
        let direct = transformer_now(&feeders(), 0, &states);
        assert_eq!(transformer_now(&feeders(), 1, &states), direct, "the board under it is fed alike");
        direct
    }

    #[test]
    fn the_closed_breaker_decides() {
        let by = |transformer, because: &[usize]| TransformerNow {
            transformer,
            because: because.to_vec(),
            ..TransformerNow::default()
        };
        assert_eq!(now(Some(true), Some(false)), by(Some(0), &[]));
        assert_eq!(now(Some(false), Some(true)), by(Some(1), &[1]));
        assert_eq!(now(Some(false), Some(false)), by(None, &[0, 1]), "both open: dead");
        assert_eq!(now(None, Some(true)), by(Some(1), &[1]), "what is known to be closed wins");
    }

    #[test]
    fn both_closed_is_the_normal_supply_and_said() {
        let both = TransformerNow {
            transformer: Some(0),
            several: true,
            because: vec![0, 1],
            ..TransformerNow::default()
        };
        assert_eq!(now(Some(true), Some(true)), both);
    }

    #[test]
    fn an_unknown_state_means_the_normal_supply_and_is_named() {
        let assumed = |unknown| TransformerNow { transformer: Some(0), unknown, ..TransformerNow::default() };
        assert_eq!(now(None, None), assumed(vec![0, 1]));
        assert_eq!(now(None, Some(false)), assumed(vec![0]));
        assert_eq!(now(Some(false), None), assumed(vec![1]), "open, and the other not known");
    }

    /// T2 (0) hangs on a source by state 2, or on a generator by state 3; T3 (1) on T2.
    #[test]
    fn the_way_up_ends_at_the_source() {
        let transformers: [Box<[Supply]>; 2] = [
            Box::new([supply(SupplyFrom::Source(0), 2), supply(SupplyFrom::Source(1), 3)]),
            Box::new([Supply { from: SupplyFrom::Transformer(0), when: None }]),
        ];
        let feeders = feeders();
        let ways = Ways { feeders: &feeders, transformers: &transformers };
        let up = |states: [Option<bool>; 4]| ways.up(SupplyFrom::Feeder(1), &|state| states[state]);
        let (on, off) = (Some(true), Some(false));
        let usual = Chain { transformer: Some(0), transformer_certain: true, source: Some(0), certain: true };
        assert_eq!(up([on, off, on, off]), usual);
        assert_eq!(up([off, on, off, on]), Chain { transformer: Some(1), source: Some(1), ..usual });
        let lost = up([on, off, None, None]);
        assert_eq!(lost, Chain { certain: false, ..usual }, "the transformer is known all the same");
        let dead = up([off, off, on, off]);
        assert_eq!((dead.transformer, dead.transformer_certain, dead.source), (None, false, None));
    }

    #[test]
    fn a_circle_ends() {
        let mut feeders = feeders();
        feeders[0].supplies = vec![Supply { from: SupplyFrom::Feeder(1), when: None }];
        assert_eq!(transformer_now(&feeders, 0, &|_| None).transformer, None);
        let ways = Ways { feeders: &feeders, transformers: &[] };
        assert_eq!(ways.up(SupplyFrom::Feeder(0), &|_| None).source, None);
    }
}
