//! Readers of `[site]`, `[[transformer]]` and `[[feeder]]`: the nameplates.

use crate::fault::{Fault, nearest};
use crate::keys::SIDE;
use crate::names::Names;
use crate::section::{Section, Value};
use crate::values::{choice, number, one_of, text};
use jiff::tz::TimeZoneDatabase;
use kvarden_core::plant::{Cooling, Feeder, Side, Transformer, WiringForm};

/// Thermal classes of insulation in °C. Source: IEEE C57.12.01 and IEC 60085, from memory.
const INSULATION_CLASSES: &[i64] = &[105, 120, 130, 150, 155, 180, 185, 200, 220];
/// K-ratings that are made. Source: public pages on the K-factor.
const K_RATINGS: &[i64] = &[4, 9, 13, 20, 30, 40, 50];
/// The name that ids use for the program itself.
const NAME_OF_THE_PROGRAM: &str = "site";

/// A transformer with what the plant's own type has no room for.
pub(crate) struct Nameplate {
    pub(crate) transformer: Transformer,
    /// Rating of the neutral in per cent of the line current, and the line of the file that says so.
    pub(crate) neutral: Option<(f64, usize)>,
}

/// Name and time zone of the site.
pub(crate) fn site(s: &mut Section<'_>) -> Option<(String, String)> {
    let name = s.required("name", "\"Larkspur Cannery\"", text);
    let zone = s.required("timezone", "\"America/Denver\"", timezone);
    Some((name?, zone?))
}

fn timezone(value: &Value<'_>) -> Result<String, Fault> {
    let given = text(value)?;
    let database = TimeZoneDatabase::bundled();
    if let Some(name) = database.get(&given).ok().and_then(|zone| zone.iana_name().map(str::to_owned)) {
        return Ok(name);
    }
    let known: Vec<String> = database.available().map(|name| name.to_string()).collect();
    let help = match nearest(&given, known.iter().map(String::as_str)) {
        Some(near) => format!("did you mean \"{near}\"? An IANA name is needed"),
        None => "write an IANA name such as \"America/Denver\" or \"Europe/Berlin\"".to_owned(),
    };
    Err(Fault::new(format!("`timezone` is \"{given}\", which is no time zone"), "not known", help))
}

/// A nameplate. The accepted ranges are common practice, but for the classes and the K-ratings, see above.
pub(crate) fn transformer(s: &mut Section<'_>) -> Option<Nameplate> {
    let name = s.required("name", "\"T2\"", scope_name);
    let location = s.optional("location", text);
    let phases = s.or("phases", 3, one_of(&[1, 3]));
    let kva = s.required("kva", "75", number(0.5..=5000.0, "kVA"));
    let primary = s.required_table("primary", "{ volts = 480, form = \"delta\" }", &SIDE, side);
    let secondary = s.required_table("secondary", "{ volts = 208, form = \"wye\" }", &SIDE, side);
    let impedance_percent = s.optional("impedance_percent", number(1.0..=10.0, "%"));
    let cooling =
        s.or("cooling", Cooling::Dry, choice(&[("dry", Cooling::Dry), ("liquid", Cooling::Liquid)]));
    let rated_rise_k = s.optional("rated_rise_c", number(55.0..=150.0, "K"));
    let class = s.optional("insulation_class_c", one_of(INSULATION_CLASSES));
    let k_rating = s.optional("k_rating", one_of(K_RATINGS));
    let neutral = s.optional("neutral_rating_percent", number(50.0..=300.0, "%"));
    let neutral_line = s.document().line(&s.place("neutral_rating_percent"));
    let transformer = Transformer {
        name: name?,
        location: location?,
        phases: phases? as u8,
        kva: kva?,
        primary: primary?,
        secondary: secondary?,
        impedance_percent: impedance_percent?,
        cooling: cooling?,
        rated_rise_k: rated_rise_k?,
        insulation_class_c: class?.map(|class| class as u16),
        k_rating: k_rating?.map(|rating| rating as f64),
    };
    Some(Nameplate { transformer, neutral: neutral?.map(|percent| (percent, neutral_line)) })
}

fn scope_name(value: &Value<'_>) -> Result<String, Fault> {
    let name = text(value)?;
    if name == NAME_OF_THE_PROGRAM {
        let message =
            format!("a transformer can't be called \"{name}\": the program's own alarms stand under it");
        return Err(Fault::new(message, "kept for the program", "give it another name, for example \"T2\""));
    }
    Ok(name)
}

fn side(s: &mut Section<'_>) -> Option<Side> {
    let volts = s.required("volts", "480", number(24.0..=36_000.0, "V"));
    let forms = [("delta", WiringForm::Delta), ("wye", WiringForm::Wye)];
    let form = s.required("form", "\"delta\"", choice(&forms));
    Some(Side { volts: volts?, form: form? })
}

/// What a transformer feeds.
pub(crate) fn feeder(s: &mut Section<'_>, transformers: &Names) -> Option<Feeder> {
    let name = s.required("name", "\"MP-3\"", text);
    let fed_by = s.required("fed_by", "\"T2\"", |value| transformers.find(value));
    let rated_a = s.optional("rated_a", number(1.0..=20_000.0, "A"));
    let location = s.optional("location", text);
    Some(Feeder { name: name?, fed_by: fed_by?, rated_a: rated_a?, location: location? })
}
