//! `kvarden look`: shows what a device says of itself, so that a person can compare it with the meter's own display
//! before the meter is configured. Asks reading questions only.

use crate::acquire::{Fault, Line, Maker, Survey, Surveyed, survey};
use crate::words::advice::caution;
use crate::words::speech::Speech;
use crate::world::TcpDial;
use kvarden_config::model;
use std::fmt::Write;
use std::rc::Rc;
use std::time::Duration;

/// How long an answer may take: nobody else waits for it.
const PATIENCE: Duration = Duration::from_secs(3);

/// Which device.
#[derive(Debug, Clone)]
pub struct Whom {
    /// `host:port`.
    pub address: String,
    /// Its unit identifier.
    pub unit: u8,
    /// The unit identifier that stands in its answers.
    pub answers_as: u8,
}

/// Looks at a device; the page for a person.
///
/// # Errors
/// In words, why it could not be looked at.
pub fn look(whom: &Whom) -> Result<String, String> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| format!("the runtime can't be started: {error}"))?;
    let mut line = Line::new(Rc::new(TcpDial), &whom.address);
    let survey = runtime.block_on(survey(&mut line, (whom.unit, whom.answers_as), PATIENCE));
    survey.map(|survey| page(whom, &survey)).map_err(|fault| failure(whom, fault))
}

fn failure(whom: &Whom, fault: Fault) -> String {
    let Whom { address, unit, .. } = whom;
    let mend = match fault {
        Fault::NoLine => "check the address and port, and that the meter allows one more connection",
        Fault::Odd(_) => {
            "behind a gateway the answer may carry a unit identifier of its own: try --answers-as 255 or 0"
        }
        _ => "check the unit identifier, and that the meter's Modbus TCP is switched on",
    };
    format!("{address} unit {unit}: {}; {mend}", fault.phrase())
}

/// The page.
pub fn page(whom: &Whom, survey: &Survey) -> String {
    let mut text = format!("{} unit {}\n", whom.address, whom.unit);
    if survey.models.is_empty() {
        text.push_str(
            "It answers, but it does not describe itself as SunSpec says: write a register map from its manual.\n",
        );
        return text;
    }
    if let [only] = &survey.makers[..] {
        let _ = writeln!(text, "It says of itself: {}", made_by(only));
    }
    for found in &survey.models {
        let maker = survey.makers.iter().find(|maker| maker.address == found.address);
        let words = match (maker, model(found.id)) {
            (Some(maker), _) if survey.makers.len() > 1 => format!("what follows is of {}", made_by(maker)),
            (Some(_), _) => "who made it".to_owned(),
            (_, Some(model)) => model.words.to_owned(),
            (_, None) => "not used here".to_owned(),
        };
        let _ =
            writeln!(text, "  model {} at {}, {} registers: {words}", found.id, found.address, found.length);
    }
    for meter in &survey.meters {
        let others = survey.meters.iter().any(|one| one.model.id == meter.model.id && one.nth != meter.nth);
        meter_page(whom, meter, others, &mut text);
    }
    if survey.meters.is_empty() {
        text.push_str("None of them is a meter that can be read without a map.\n");
    } else {
        let _ = writeln!(text, "\nCompare the values with the meter's own display before you rely on them.");
        let _ = writeln!(text, "{}", caution(Speech::ENGLISH));
    }
    text
}

fn made_by(maker: &Maker) -> String {
    let heads = ["maker", "model", "version", "serial number"];
    let said = heads.iter().zip(&maker.says).filter(|(_, said)| !said.is_empty());
    let said: Vec<String> = said.map(|(head, said)| format!("{head} {said}")).collect();
    said.join(", ")
}

/// `others`: the device has more models of this number.
fn meter_page(whom: &Whom, meter: &Surveyed, others: bool, text: &mut String) {
    let number = if others { format!(", number {} of its kind", meter.nth) } else { String::new() };
    let (model, words, address) = (meter.model.id, meter.model.words, meter.address);
    let _ = writeln!(text, "\nModel {model} at {address}{number}, {words}");
    for (quantity, always, value) in &meter.values {
        let facts = quantity.what.facts();
        let value = match value {
            Some(value) => format!("{:.*} {}", usize::from(facts.decimals), value, facts.unit.symbol()),
            None if *always => "no value, though every such meter should have one".to_owned(),
            None => "not given".to_owned(),
        };
        let _ = writeln!(text, "  {:<28} {}", quantity.to_string(), value.trim_end());
    }
    let also = meter.values.iter().filter(|(_, always, value)| !always && value.is_some());
    let also: Vec<String> = also.map(|(quantity, ..)| format!("\"{quantity}\"")).collect();
    let answers = match whom.answers_as {
        same if same == whom.unit => String::new(),
        other => format!(", answers_as = {other}"),
    };
    let which = if others { format!(", which = {}", meter.nth) } else { String::new() };
    let also = if also.is_empty() { String::new() } else { format!(", also = [{}]", also.join(", ")) };
    let _ = writeln!(
        text,
        "To read it, write into its [[meter]]:\nmodbus = {{ address = \"{}\", unit = {}{answers}, sunspec = {model}{which}{also} }}",
        whom.address, whom.unit
    );
}
