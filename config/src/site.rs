//! Readers of `[site]` and `[[feeder]]`.

use crate::fault::{Fault, nearest};
use crate::people::language;
use crate::people_settings::Language;
use crate::section::{Section, Value};
use crate::settings::TemperatureUnit;
use crate::supplies::{Fed, Known, fed_by};
use crate::values::{choice, number, text};
use jiff::tz::TimeZoneDatabase;
use kvarden_core::phases::Place;
use kvarden_core::plant::{Feeder, Supply, SupplyFrom, WiringForm};

/// What `[site]` says.
pub(crate) struct Site {
    pub(crate) name: String,
    pub(crate) timezone: String,
    pub(crate) shows: TemperatureUnit,
    pub(crate) language: Language,
}

/// Name, time zone, unit and language of the site.
pub(crate) fn site(s: &mut Section<'_>) -> Option<Site> {
    let name = s.required("name", "\"Larkspur Cannery\"", text);
    let timezone = s.required("timezone", "\"America/Denver\"", timezone);
    let units = [("celsius", TemperatureUnit::Celsius), ("fahrenheit", TemperatureUnit::Fahrenheit)];
    let shows = s.or("show_temperatures", TemperatureUnit::Celsius, choice(&units));
    let language = s.or("language", Language::English, language);
    Some(Site { name: name?, timezone: timezone?, shows: shows?, language: language? })
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

/// What a transformer feeds. Its transformer is settled when all feeders are known.
pub(crate) fn feeder(s: &mut Section<'_>, known: &Known<'_>, fed: &mut Vec<Fed>) -> Option<Feeder> {
    let name = s.required("name", "\"MP-3\"", text);
    let supplies = fed_by(s, known, true, fed);
    let pairs = [("AB", Place::AB), ("BC", Place::BC), ("CA", Place::CA)];
    let legs = s.or("legs", Place::AB, choice(&pairs));
    let forms = [
        ("split-phase", WiringForm::SplitPhase),
        ("two-legs", WiringForm::TwoLegs { legs: legs.unwrap_or(Place::AB) }),
        ("single-phase", WiringForm::SinglePhase),
    ];
    let form = s.optional("form", choice(&forms));
    if s.has("legs") && !matches!(form, Some(Some(WiringForm::TwoLegs { .. })) | None) {
        let message = "`legs` has a meaning only for the form \"two-legs\"".to_owned();
        s.fault("legs", Fault::new(message, "this value", "leave `legs` out, or add form = \"two-legs\""));
    }
    let volts = s.optional("volts", number(24.0..=36_000.0, "V"));
    let rated_a = s.optional("rated_a", number(1.0..=20_000.0, "A"));
    let location = s.optional("location", text);
    legs?;
    let mut supplies: Vec<Supply> = supplies?;
    let first = supplies.first().map(|supply| supply.from);
    // One transformer without a condition is the plain case, and needs no list.
    let fed_by = match (first, supplies.as_slice()) {
        (Some(SupplyFrom::Transformer(index)), [Supply { when: None, .. }]) => {
            supplies.clear();
            index
        }
        (Some(SupplyFrom::Transformer(index)), _) => index,
        _ => usize::MAX,
    };
    let plain = Feeder::new(&name?, fed_by);
    Some(Feeder { supplies, form: form?, volts: volts?, rated_a: rated_a?, location: location?, ..plain })
}
