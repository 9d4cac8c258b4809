//! Reader of `[[meter]]`: what it measures, where its values come from, and when its silence counts.

use crate::fault::Fault;
use crate::files::{Files, reason};
use crate::json_map::{JsonMap, json_map};
use crate::keys::{MEASURES, MODBUS, MQTT};
use crate::mqtt_settings::MqttSpec;
use crate::names::Names;
use crate::problem::Problem;
use crate::register_map::{RegisterMap, register_map};
use crate::registers::{MOST_REGISTERS, ModbusSpec, OneModel, Reach};
use crate::section::{Optional, Section, Value};
use crate::settings::{Notes, SourceSpec};
use crate::sunspec::{self, MOST_MODELS};
use crate::topics::{filter, level, qos};
use crate::values::{LONGEST, address, choice, span, span_or_never, text, whole, written_span};
use kvarden_core::measurand::Quantity;
use kvarden_core::plant::{Meter, SideOf, StampedBy, Target};
use kvarden_core::time::Span;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// How often a meter gives values, if nothing says so.
const EVERY: Span = Span::seconds(1);
/// Polling faster would only read the same registers again.
const FASTEST_POLL: Span = Span(100);
/// A meter that is slower says too little to judge by.
const SLOWEST: Span = Span::hours(24);
/// Silent after so long, or after three missed readings if that is longer (common practice, no source).
const SILENT_AFTER: Span = Span::minutes(2);
/// Frozen after so long, or after ten equal readings if that is longer (common practice, no source).
const FROZEN_AFTER: Span = Span::minutes(5);
/// What the meter made here for judgement across meters is called, after its transformer.
const NAME_ACROSS_METERS: &str = " across meters";

/// What the meters need to know of the rest.
pub(crate) struct Context<'f> {
    pub(crate) transformers: Names,
    pub(crate) feeders: Names,
    pub(crate) has_broker: bool,
    pub(crate) maps: Maps<'f>,
}

/// The maps that were read so far: each file once, however many meters share it.
pub(crate) struct Maps<'f> {
    pub(crate) files: &'f Files<'f>,
    pub(crate) base: PathBuf,
    pub(crate) registers: BTreeMap<PathBuf, Option<RegisterMap>>,
    pub(crate) json: BTreeMap<PathBuf, Option<JsonMap>>,
    /// SunSpec models that a meter is: of which address and unit.
    pub(crate) models: BTreeSet<(String, i64, OneModel)>,
}

/// Where a meter's values come from, with what that says of the meter itself.
struct Origin {
    source: SourceSpec,
    points: Vec<Quantity>,
    notes: Vec<Notes>,
    stamped_by: StampedBy,
    wait: Span,
}

/// A meter and its source.
pub(crate) fn meter(s: &mut Section<'_>, context: &mut Context<'_>) -> Option<(Meter, SourceSpec)> {
    let name = s.required("name", "\"T2 secondary\"", meter_name);
    let example = "{ transformer = \"T2\", side = \"secondary\" }";
    let measures = s.required_table("measures", example, &MEASURES, |s| measures(s, context));
    let own_every = s.optional("every", span(FASTEST_POLL..=SLOWEST));
    let (every, origin) = origin(s, own_every, &mut context.maps);
    if s.has("mqtt") && !context.has_broker {
        let help = "add a [broker] with its address, for example: address = \"127.0.0.1:1883\"";
        s.fault(
            "mqtt",
            Fault::new(
                "a meter is read by MQTT, but there is no [broker]".to_owned(),
                "needs a broker",
                help,
            ),
        );
    }
    let pace = every.unwrap_or(EVERY);
    let silent_after = s.or("silent_after", SILENT_AFTER.max(pace.times(3)), span(Span(1)..=LONGEST));
    let frozen_after =
        s.or("frozen_after", Some(FROZEN_AFTER.max(pace.times(10))), span_or_never(Span(1)..=LONGEST));
    longer_than_a_reading(s, "silent_after", silent_after, every);
    longer_than_a_reading(s, "frozen_after", frozen_after.flatten(), every);
    let origin = origin?;
    let mut meter = Meter {
        name: name?,
        measures: measures?,
        points: origin.points,
        rolls_over_at: Vec::new(),
        of_total: Vec::new(),
        fingerprint: fingerprint(&origin.source),
        every: every?,
        wait: origin.wait,
        stamped_by: origin.stamped_by,
        silent_after: silent_after?,
        frozen_after: frozen_after?,
    };
    Notes::put(&mut meter, origin.notes.iter());
    Some((meter, origin.source))
}

/// Of where the values lie and how they are read: the same as long as nobody changes the map. FNV-1a, which is the same
/// in every build.
fn fingerprint(source: &SourceSpec) -> u64 {
    let points = match source {
        SourceSpec::Modbus(spec) => format!("{:?}{:?}", spec.points, spec.sunspec),
        SourceSpec::Mqtt(spec) => format!("{:?}", spec.points),
        SourceSpec::Logged => String::new(),
    };
    let step = |hash: u64, byte: u8| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
    points.bytes().fold(0xcbf2_9ce4_8422_2325, step)
}

fn meter_name(value: &Value<'_>) -> Result<String, Fault> {
    let name = text(value)?;
    if name.ends_with(NAME_ACROSS_METERS) {
        let message =
            format!("a meter can't be called \"{name}\": what is computed across meters is called so");
        return Err(Fault::new(message, "kept for the program", "give it another name"));
    }
    Ok(name)
}

fn longer_than_a_reading(s: &mut Section<'_>, key: &str, after: Option<Span>, every: Option<Span>) {
    if let (true, Some(after), Some(every)) = (s.has(key), after, every)
        && after <= every
    {
        let (after, every) = (written_span(after), written_span(every));
        let message =
            format!("`{key}` is \"{after}\", not longer than from one reading to the next (\"{every}\")");
        s.fault(key, Fault::new(message, "too short", format!("write several times \"{every}\"")));
    }
}

fn measures(s: &mut Section<'_>, context: &Context<'_>) -> Option<Target> {
    let transformer = s.optional("transformer", |value| context.transformers.find(value));
    let feeder = s.optional("feeder", |value| context.feeders.find(value));
    let side = s.or(
        "side",
        SideOf::Secondary,
        choice(&[("secondary", SideOf::Secondary), ("primary", SideOf::Primary)]),
    );
    match (s.has("transformer"), s.has("feeder")) {
        (true, true) => {
            let message = "a meter measures a transformer or a feeder, not both".to_owned();
            s.fault("feeder", Fault::new(message, "one too many", "leave one of the two out"));
            None
        }
        (false, false) => {
            let message = "`measures` names neither a transformer nor a feeder".to_owned();
            s.missing(message, "add transformer = \"NAME\" with a side, or feeder = \"NAME\"".to_owned());
            None
        }
        (true, false) => Some(Target::Transformer(transformer??, side?)),
        (false, true) => {
            if s.has("side") {
                let message = "`side` has no meaning for a feeder".to_owned();
                s.fault("side", Fault::new(message, "this value", "leave `side` out"));
            }
            Some(Target::Feeder(feeder??))
        }
    }
}

/// How often the meter gives values, and its source. `every` may stand on the meter or in the source's table.
fn origin(s: &mut Section<'_>, own: Optional<Span>, maps: &mut Maps<'_>) -> (Option<Span>, Option<Origin>) {
    let mut inner = Some(None);
    let modbus = s.table("modbus", &MODBUS, |s| {
        inner = inner_every(s, own);
        modbus(s, maps)
    });
    let mqtt = s.table("mqtt", &MQTT, |s| {
        inner = inner_every(s, own);
        mqtt(s, maps)
    });
    if s.has("modbus") && s.has("mqtt") {
        let message = "a meter is read by Modbus or by MQTT, not both".to_owned();
        s.fault("mqtt", Fault::new(message, "one too many", "leave one out, or make it a meter of its own"));
    }
    let every = own.and_then(|own| Some(own.or(inner?).unwrap_or(EVERY)));
    let origin = match (modbus, mqtt) {
        (Some(None), Some(None)) => Some(Origin {
            source: SourceSpec::Logged,
            points: Vec::new(),
            notes: Vec::new(),
            stamped_by: StampedBy::Meter,
            wait: Span::ZERO,
        }),
        (Some(Some(mut origin)), Some(None)) => {
            if let SourceSpec::Modbus(spec) = &mut origin.source {
                spec.every = every.unwrap_or(EVERY);
            }
            Some(origin)
        }
        (Some(None), Some(Some(origin))) => Some(origin),
        _ => None,
    };
    (every, origin)
}

fn inner_every(s: &mut Section<'_>, own: Optional<Span>) -> Optional<Span> {
    if s.has("every") && !matches!(own, Some(None)) {
        let message = "`every` is given twice for one meter".to_owned();
        s.fault("every", Fault::new(message, "also on the meter itself", "leave one of the two out"));
    }
    s.optional("every", span(FASTEST_POLL..=SLOWEST))
}

fn modbus(s: &mut Section<'_>, maps: &mut Maps<'_>) -> Option<Origin> {
    let address = s.required("address", "\"192.0.2.20:502\"", address);
    let unit = s.or("unit", 1, whole(0..=255));
    let answers_as = s.optional("answers_as", whole(0..=255));
    let model = sunspec::points(s);
    let (quantities, points, notes, reach, sunspec) = if let Some(model) = model? {
        if s.has("map") {
            let message = "a meter is read by a map or as a SunSpec model, not both".to_owned();
            s.fault("map", Fault::new(message, "one too many", "leave `map` or `sunspec` out"));
        }
        let reach = Reach { gap: MOST_REGISTERS, ..Reach::default() };
        if let (Some(address), Some(unit)) = (&address, unit) {
            read_once(s, maps, (address.clone(), unit, model.model));
        }
        (model.quantities, model.points, Vec::new(), reach, Some(model.model))
    } else {
        let map = maps.find(s, |maps| &mut maps.registers, register_map)?;
        (map.quantities, map.points, map.notes, map.more, None)
    };
    let (unit, answers_as) = (unit?, answers_as?);
    let spec = ModbusSpec {
        address: address?,
        unit: unit as u8,
        answers_as: answers_as.unwrap_or(unit) as u8,
        every: EVERY,
        reach,
        points,
        sunspec,
    };
    Some(Origin {
        source: SourceSpec::Modbus(spec),
        points: quantities,
        notes,
        stamped_by: StampedBy::Receipt,
        wait: Span::ZERO,
    })
}

/// Two meters that are one model of one unit would be one meter under two names: a device with several has a model for
/// each.
fn read_once(s: &mut Section<'_>, maps: &mut Maps<'_>, one: (String, i64, OneModel)) {
    let (address, unit, OneModel { id, nth }) = &one;
    if maps.models.contains(&one) {
        let message = format!(
            "model {id}, number {nth} of its kind, of unit {unit} at {address} is another meter already"
        );
        let help = format!(
            "if the device has several models {id}, say which one this meter is, for example: which = {}; \
             `kvarden look {address} --unit {unit}` lists them",
            nth % MOST_MODELS + 1
        );
        s.fault(if s.has("which") { "which" } else { "sunspec" }, Fault::new(message, "the same one", help));
    }
    maps.models.insert(one);
}

fn mqtt(s: &mut Section<'_>, maps: &mut Maps<'_>) -> Option<Origin> {
    let topic = s.required("topic", "\"cannery/mp3/values\"", filter);
    let named = s.optional("named", level);
    let qos = s.optional("qos", qos);
    let map = maps.find(s, |maps| &mut maps.json, json_map)?;
    let topic = topic?;
    names_fit(s, &topic, map.has_topics());
    let (stamped_by, wait) = match &map.more.time {
        Some((_, wait)) => (StampedBy::Meter, *wait),
        None => (StampedBy::Receipt, Span::ZERO),
    };
    let (readings, quoted) = (map.more.readings, map.more.quoted);
    let time = map.more.time.map(|(field, _)| field);
    let spec = MqttSpec { topic, named: named?, qos: qos?, readings, quoted, time, points: map.points };
    let (points, notes) = (map.quantities, map.notes);
    Some(Origin { source: SourceSpec::Mqtt(spec), points, notes, stamped_by, wait })
}

/// A `+` stands for the meter's name, and a `#` for the topics of its values.
fn names_fit(s: &mut Section<'_>, topic: &str, has_topics: bool) {
    let has_plus = topic.split('/').any(|level| level == "+");
    if has_plus && !s.has("named") {
        let message =
            format!("the topic \"{topic}\" has a `+`, and nothing says what stands there for this meter");
        s.fault("topic", Fault::new(message, "whose topic?", "add `named`, for example: named = \"mp3\""));
    }
    if !has_plus && s.has("named") {
        let message = format!("`named` has no meaning: the topic \"{topic}\" has no `+`");
        s.fault(
            "named",
            Fault::new(message, "this value", "leave `named` out, or write `+` where the name stands"),
        );
    }
    if has_topics && !(topic == "#" || topic.ends_with("/#")) {
        let message = format!(
            "the map gives each value a topic of its own, but the topic \"{topic}\" has no `#` at its end"
        );
        s.fault("topic", Fault::new(message, "no room for them", "write `/#` at its end"));
    }
}

impl Maps<'_> {
    /// The map that the section names, read now or before. Its problems are told of once.
    fn find<M: Clone>(
        &mut self,
        s: &mut Section<'_>,
        known: impl Fn(&mut Self) -> &mut BTreeMap<PathBuf, Option<M>>,
        read: impl FnOnce(&str, &str) -> (Option<M>, Vec<Problem>),
    ) -> Option<M> {
        let written = s.required("map", "\"maps/main-meter.toml\"", text)?;
        let path = self.base.join(&written);
        if let Some(map) = known(self).get(&path) {
            return map.clone();
        }
        let map = match (self.files.text)(&path) {
            Ok(content) => {
                let (map, problems) = read(&shown(&path), &content);
                s.extend(problems);
                map
            }
            Err(error) => {
                let message = format!("the map \"{written}\" can't be read: {}", reason(&error));
                let help = "write the path of the map's file, counted from the folder of this file";
                s.fault("map", Fault::new(message, "this file", help));
                return None; // Another meter that names it is told of too.
            }
        };
        known(self).insert(path, map.clone());
        map
    }
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}
