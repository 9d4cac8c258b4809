//! Readers of `[[source]]`, `[[state]]`, `[[circuit]]` and of `fed_by`: who feeds whom, and by which state.

use crate::fault::{Fault, suggest};
use crate::keys::{FEEDER_SUPPLY, TRANSFORMER_SUPPLY};
use crate::names::{Names, find};
use crate::section::{Section, Value, wrong_kind};
use crate::values::{choice, number, text, whole, yes_or_no};
use kvarden_core::measurand::{Kind, Measurand, Quantity};
use kvarden_core::phases::{Phase, Place};
use kvarden_core::plant::{
    Circuit, Feeder, Mark, Meter, Source, SourceKind, State, StateIs, Supply, SupplyFrom, Transformer,
    WiringForm,
};
use std::ops::Range;
use toml::de::DeValue;

/// The most ways by which one thing is fed: more stand on no drawing.
const MOST_SUPPLIES: usize = 8;

/// Names that a supply may be by, and the states that may decide.
pub(crate) struct Known<'n> {
    pub(crate) sources: &'n Names,
    pub(crate) transformers: &'n Names,
    pub(crate) feeders: &'n Names,
    pub(crate) states: &'n Names,
    /// What each state is of, by a first look; `None`: its reader tells of it.
    pub(crate) flags: &'n [Option<Measurand>],
}

/// Where one thing says by what it is fed.
pub(crate) struct Fed(pub(crate) Range<usize>);

/// What each `[[state]]` is of, by a first look.
pub(crate) fn peek_flags(root: &Section<'_>) -> Vec<Option<Measurand>> {
    let of = |table: &toml::de::DeTable<'_>| Measurand::from_key(table.get("measurand")?.get_ref().as_str()?);
    root.peek("state").into_iter().map(of).collect()
}

/// A source.
pub(crate) fn source(s: &mut Section<'_>) -> Option<Source> {
    let name = s.required("name", "\"Utility\"", text);
    let kind = s.required("kind", "\"utility\"", choice(&SourceKind::ALL.map(|kind| (kind.key(), kind))));
    Some(Source { name: name?, kind: kind? })
}

/// A state: which flag of which meter it is.
pub(crate) fn state(s: &mut Section<'_>, names: &Names, meters: &[Option<Meter>]) -> Option<State> {
    let name = s.required("name", "\"Q2\"", text);
    let meter = s.required("meter", "\"T2 secondary\"", |value| names.find(value));
    let flags: Vec<(&str, Measurand)> = Measurand::ALL
        .iter()
        .filter(|what| what.facts().kind == Kind::Flag)
        .map(|what| (what.key(), *what))
        .collect();
    let what = s.required("measurand", "\"breaker_closed\"", choice(&flags));
    let number = s.or("number", 0, whole(1..=16));
    let (meter, flag) = (meter?, Quantity::numbered(what?, Place::Whole, number? as u8));
    let points = meters.get(meter).and_then(Option::as_ref).map(|meter| meter.points.as_slice());
    // What a meter of logged files gives is known only to the replay.
    if let Some(points) = points.filter(|points| !points.is_empty() && !points.contains(&flag)) {
        let given: Vec<String> = points
            .iter()
            .filter(|point| point.what.facts().kind == Kind::Flag)
            .map(ToString::to_string)
            .collect();
        let message = format!("the meter does not read {flag}");
        let help = if given.is_empty() {
            format!("add a [[point]] for {flag} to the meter's map")
        } else {
            format!("its map has {}: name one of them, or add a [[point]] for {flag}", given.join(", "))
        };
        s.fault("measurand", Fault::new(message, "read by nobody", help));
        return None;
    }
    Some(State { name: name?, meter, flag })
}

/// A circuit.
pub(crate) fn circuit(s: &mut Section<'_>, feeders: &Names) -> Option<Circuit> {
    const PHASES: [(&str, &[Phase]); 7] = [
        ("A", &[Phase::A]),
        ("B", &[Phase::B]),
        ("C", &[Phase::C]),
        ("AB", &[Phase::A, Phase::B]),
        ("BC", &[Phase::B, Phase::C]),
        ("CA", &[Phase::C, Phase::A]),
        ("ABC", &[Phase::A, Phase::B, Phase::C]),
    ];
    let name = s.required("name", "\"MP-3/12\"", text);
    let feeder = s.required("feeder", "\"MP-3\"", |value| feeders.find(value));
    let phases = s.required("phases", "\"ABC\"", choice(&PHASES));
    let breaker_a = s.required("breaker_a", "30", number(1.0..=6000.0, "A"));
    let feeds = s.optional("feeds", text);
    let marks = Mark::ALL.map(|mark| s.or(mark.key(), false, yes_or_no).map(|yes| yes.then_some(mark)));
    if let (Some(Some(mark)), Some(phases)) = (marks[0], phases)
        && phases.len() < 3
    {
        let message = format!("`{}` is true for a circuit of fewer phases", mark.key());
        s.fault(mark.key(), Fault::new(message, "does not fit", "write phases = \"ABC\", or leave it out"));
    }
    Some(Circuit {
        name: name?,
        feeder: feeder?,
        phases: phases?.to_vec(),
        breaker_a: breaker_a?,
        feeds: feeds?,
        marks: marks.into_iter().collect::<Option<Vec<_>>>()?.into_iter().flatten().collect(),
    })
}

/// `fed_by` of a feeder, or of a transformer, which may also hang on a source and may leave it out: one name, or a list
/// of supplies of which the first is the normal one.
pub(crate) fn fed_by(
    s: &mut Section<'_>,
    known: &Known<'_>,
    of_feeder: bool,
    fed: &mut Vec<Fed>,
) -> Option<Vec<Supply>> {
    fed.push(Fed(s.place("fed_by")));
    if !s.has("fed_by") && !of_feeder {
        return Some(Vec::new());
    }
    if !matches!(s.node("fed_by"), Some(DeValue::Array(_))) {
        let from = s.required("fed_by", if of_feeder { "\"T2\"" } else { "\"Utility\"" }, |value| {
            from(value, known, of_feeder)
        })?;
        return Some(vec![Supply { from, when: None }]);
    }
    let shape = if of_feeder { &FEEDER_SUPPLY } else { &TRANSFORMER_SUPPLY };
    let supplies = s.tables("fed_by", shape, |s| supply(s, known, of_feeder));
    if supplies.is_empty() || supplies.len() > MOST_SUPPLIES {
        let message = format!("`fed_by` names {} supplies", supplies.len());
        s.fault(
            "fed_by",
            Fault::new(message, "this list", format!("name from 1 to {MOST_SUPPLIES}, the normal one first")),
        );
        return None;
    }
    supplies.into_iter().collect()
}

fn from(value: &Value<'_>, known: &Known<'_>, of_feeder: bool) -> Result<SupplyFrom, Fault> {
    let kinds = [known.transformers, known.feeders, known.sources];
    let (kind, index) = find(if of_feeder { &kinds[..2] } else { &kinds }, value)?;
    Ok(match kind {
        0 => SupplyFrom::Transformer(index),
        1 => SupplyFrom::Feeder(index),
        _ => SupplyFrom::Source(index),
    })
}

fn supply(s: &mut Section<'_>, known: &Known<'_>, of_feeder: bool) -> Option<Supply> {
    let transformer =
        s.optional("transformer", |value| known.transformers.find(value).map(SupplyFrom::Transformer));
    let feeder = s.optional("feeder", |value| known.feeders.find(value).map(SupplyFrom::Feeder));
    let source = if of_feeder {
        Some(None)
    } else {
        s.optional("source", |value| known.sources.find(value).map(SupplyFrom::Source))
    };
    let when = s.optional("when", |value| condition(value, known));
    let mut named: Vec<&str> = ["transformer", "feeder"].into_iter().filter(|key| s.has(key)).collect();
    if !of_feeder && s.has("source") {
        named.push("source");
    }
    match named[..] {
        [_] => {}
        [] => {
            let what =
                if of_feeder { "a transformer or a feeder" } else { "a source, a transformer or a feeder" };
            s.missing(
                format!("this supply names neither {}", what.replace(" or ", " nor ")),
                "add for example transformer = \"T2\"".to_owned(),
            );
            return None;
        }
        [.., last] => {
            let message = "one supply comes from one thing".to_owned();
            s.fault(last, Fault::new(message, "one too many", "write a supply of its own for each"));
            return None;
        }
    }
    let from = transformer?.or(feeder?).or(source?)?;
    Some(Supply { from, when: when? })
}

/// `"Q2 closed"`: the name of a state and how it must be.
pub(crate) fn condition(value: &Value<'_>, known: &Known<'_>) -> Result<StateIs, Fault> {
    const HELP: &str = "write the name of a [[state]] and how it must be, for example \"Q2 closed\"";
    let Some(given) = value.node.as_str() else { return Err(wrong_kind(value, "a state in quotes", HELP)) };
    let Some((name, word)) = given.rsplit_once(' ') else {
        return Err(Fault::new(
            format!("`when` is {}, without how the state must be", value.written),
            "this value",
            HELP,
        ));
    };
    let name_value =
        Value { key: value.key, node: &DeValue::String(name.into()), written: format!("\"{name}\"") };
    let state = known.states.find(&name_value)?;
    let Some(Some(flag)) = known.flags.get(state) else { return Err(Fault::Elsewhere) };
    let (on, off) = flag.state_words();
    if word == on || word == off {
        return Ok(StateIs { state, on: word == on });
    }
    let message = format!("`when` says that {name} is \"{word}\", which it can't be");
    Err(Fault::new(message, "this value", suggest(word, &[on, off])))
}

/// Settles which transformer each feeder hangs on, and tells of what feeds itself.
pub(crate) fn settle(
    root: &mut Section<'_>,
    transformers: &[Option<Transformer>],
    feeders: &mut [Option<Feeder>],
    fed: &(Vec<Fed>, Vec<Fed>),
) {
    let always = |supplies: &[Supply]| -> Vec<SupplyFrom> {
        let first = supplies.iter().take(1);
        first
            .chain(supplies.iter().skip(1).filter(|supply| supply.when.is_none()))
            .map(|supply| supply.from)
            .collect()
    };
    let normal = |feeders: &[Option<Feeder>], node: SupplyFrom| match node {
        SupplyFrom::Source(_) => Vec::new(),
        SupplyFrom::Transformer(index) => {
            transformers.get(index).and_then(Option::as_ref).map_or(Vec::new(), |unit| always(&unit.supplies))
        }
        SupplyFrom::Feeder(index) => match feeders.get(index).and_then(Option::as_ref) {
            Some(feeder) if feeder.supplies.is_empty() => vec![SupplyFrom::Transformer(feeder.fed_by)],
            Some(feeder) => always(&feeder.supplies),
            None => Vec::new(),
        },
    };
    let nodes = (0..transformers.len())
        .map(SupplyFrom::Transformer)
        .chain((0..feeders.len()).map(SupplyFrom::Feeder));
    for node in nodes {
        if !reaches_itself(node, &|node| normal(feeders, node)) {
            continue;
        }
        let (name, place) = match node {
            SupplyFrom::Feeder(index) => {
                (feeders[index].as_ref().map(|feeder| &feeder.name), fed.1.get(index))
            }
            SupplyFrom::Transformer(index) => {
                (transformers[index].as_ref().map(|unit| &unit.name), fed.0.get(index))
            }
            SupplyFrom::Source(_) => continue,
        };
        if let (Some(name), Some(place)) = (name, place) {
            let message = format!("\"{name}\" feeds itself, through what it is fed by");
            let help = "mend `fed_by` of one of them: a way round is allowed only by a supply with `when`, and not the first";
            root.fault_at(place.0.clone(), Fault::new(message, "goes in a circle", help));
        }
    }
    for index in 0..feeders.len() {
        let mut at = SupplyFrom::Feeder(index);
        for _ in 0..=feeders.len() {
            let SupplyFrom::Feeder(_) = at else { break };
            let Some(next) = normal(feeders, at).first().copied() else { break };
            at = next;
        }
        if let (SupplyFrom::Transformer(transformer), Some(feeder)) = (at, &mut feeders[index]) {
            feeder.fed_by = transformer;
        }
    }
    for (feeder, place) in feeders.iter().zip(&fed.1) {
        let Some(feeder) = feeder else { continue };
        let unit = transformers.get(feeder.fed_by).and_then(Option::as_ref);
        if let (Some(WiringForm::TwoLegs { .. }), Some(unit)) = (feeder.form, unit)
            && unit.secondary.form != WiringForm::Wye
        {
            let message = format!(
                "\"{}\" has two legs of a star, but \"{}\" has none: its load side is \"{}\"",
                feeder.name,
                unit.name,
                unit.secondary.form.key()
            );
            root.fault_at(
                place.0.clone(),
                Fault::new(
                    message,
                    "fed by this",
                    "write form = \"single-phase\" for two wires of a delta, or leave `form` out",
                ),
            );
        }
    }
}

fn reaches_itself(node: SupplyFrom, next: &dyn Fn(SupplyFrom) -> Vec<SupplyFrom>) -> bool {
    let mut seen: Vec<SupplyFrom> = Vec::new();
    let mut todo = next(node);
    while let Some(at) = todo.pop() {
        if at == node {
            return true;
        }
        if !seen.contains(&at) {
            seen.push(at);
            todo.extend(next(at));
        }
    }
    false
}
