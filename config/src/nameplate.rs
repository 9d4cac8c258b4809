//! Reader of `[[transformer]]`: the nameplate, and what the site keeps with it.
//!
//! The accepted ranges are common practice without a source, but for the classes and the K-ratings, see there.

use crate::fault::Fault;
use crate::keys::{LUGS, SIDE, TAPS};
use crate::parallel::{BesidePlace, parallel_with};
use crate::section::{Optional, Section, Value};
use crate::supplies::{Fed, Known, fed_by};
use crate::values::{choice, number, one_of, temperature, text, whole};
use kvarden_core::measurand::Unit;
use kvarden_core::phases::Phase;
use kvarden_core::plant::{
    Cooling, Kind, Losses, LugMarks, Metal, Records, Side, SideOf, Taps, Transformer, TripPoints, WiringForm,
};
use std::ops::Range;

/// Thermal classes of insulation in °C. Source: IEEE C57.12.01 and IEC 60085, from memory.
const INSULATION_CLASSES: &[i64] = &[105, 120, 130, 150, 155, 180, 185, 200, 220];
/// K-ratings that are made. Source: public pages on the K-factor.
const K_RATINGS: &[i64] = &[4, 9, 13, 20, 30, 40, 50];
/// The name that ids use for the program itself.
const NAME_OF_THE_PROGRAM: &str = "site";
/// Rated amperes as printed may differ so much from those by kVA and volts (common practice, no source).
const RATED_A_TOLERANCE: f64 = 0.02;
/// The most taps: more than any tap changer has.
const MOST_TAPS: usize = 40;

/// A nameplate.
pub(crate) fn transformer(
    s: &mut Section<'_>,
    known: &Known<'_>,
    (fed, parallel): (&mut Vec<Fed>, &mut Vec<BesidePlace>),
) -> Option<Transformer> {
    let name = s.required("name", "\"T2\"", scope_name);
    let location = s.optional("location", text);
    let kind = s.or("kind", Kind::TwoWinding, choice(&Kind::ALL.map(|kind| (kind.key(), kind))));
    let phases = s.optional("phases", one_of(&[1, 3]));
    let kva = s.required("kva", "75", number(0.5..=5000.0, "kVA"));
    let primary = s.required_table("primary", "{ volts = 480, form = \"delta\" }", &SIDE, side);
    let secondary = s.required_table("secondary", "{ volts = 208, form = \"wye\" }", &SIDE, side);
    let supplies = fed_by(s, known, false, fed);
    let beside = parallel_with(s, known, parallel);
    let coupling = s.optional(
        "point_of_common_coupling",
        choice(&[("primary", SideOf::Primary), ("secondary", SideOf::Secondary)]),
    );
    let impedance_percent = s.optional("impedance_percent", number(1.0..=10.0, "%"));
    let x_over_r = s.optional("x_over_r", number(0.1..=50.0, ""));
    let cooling = s.or("cooling", Cooling::Dry, cooling);
    let rated_rise_k = s.optional("rated_rise_c", temperature(55.0..=150.0, Unit::Kelvin));
    let class = s.optional("insulation_class_c", one_of(INSULATION_CLASSES));
    let k_rating = s.optional("k_rating", one_of(K_RATINGS));
    let rated_ambient_c = s.optional("rated_ambient_c", temperature(10.0..=60.0, Unit::Celsius));
    let neutral = s.optional("neutral_rating_percent", number(50.0..=300.0, "%"));
    let trip_points = trip_points(s);
    let volts = primary.as_ref().map(|(side, _)| side.volts);
    let taps = s.table("taps", &TAPS, |s| taps(s, volts?));
    let no_load_w = s.optional("no_load_w", number(1.0..=100_000.0, "W"));
    let load_w = s.optional("load_w", number(1.0..=1_000_000.0, "W"));
    let resistances_ohm = resistances(s);
    let eddy_percent = s.optional("eddy_loss_percent", number(0.1..=200.0, "%"));
    let winding =
        s.optional("winding", choice(&[Metal::Copper, Metal::Aluminium].map(|metal| (metal.key(), metal))));
    let records = records(s);
    let (primary, secondary) = (primary?, secondary?);
    let mut transformer = Transformer {
        location: location?,
        kind: kind?,
        supplies: supplies?,
        beside: beside?,
        coupling: coupling?,
        impedance_percent: impedance_percent?,
        x_over_r: x_over_r?,
        cooling: cooling?,
        rated_rise_k: rated_rise_k?,
        insulation_class_c: class?.map(|class| class as u16),
        k_rating: k_rating?.map(|rating| rating as f64),
        rated_ambient_c: rated_ambient_c?,
        neutral_rating_percent: neutral?,
        trip_points: trip_points?,
        taps: taps?,
        losses: Losses {
            no_load_w: no_load_w?,
            load_w: load_w?,
            resistances_ohm: resistances_ohm?,
            eddy_percent: eddy_percent?,
        },
        winding: winding?,
        records: records?,
        ..Transformer::new(&name?, kva?, primary.0, secondary.0)
    };
    if let Some(phases) = phases? {
        transformer.phases = phases as u8;
    }
    forms_fit(s, &transformer)?;
    amperes_fit(s, &transformer, [(SideOf::Primary, primary.1), (SideOf::Secondary, secondary.1)])?;
    report_fits(s, &transformer)?;
    Some(transformer)
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

/// The classes as nameplates print them. Source: IEEE C57.12.00/.01 and IEC 60076-1, from memory.
fn cooling(value: &Value<'_>) -> Result<Cooling, Fault> {
    const CLASSES: [(&str, Cooling); 18] = [
        ("dry", Cooling::Dry),
        ("dry-fan", Cooling::DryFan),
        ("liquid", Cooling::Liquid),
        ("liquid-fan", Cooling::LiquidFan),
        ("AA", Cooling::Dry),
        ("AN", Cooling::Dry),
        ("AF", Cooling::DryFan),
        ("AA/FA", Cooling::DryFan),
        ("AN/AF", Cooling::DryFan),
        ("ONAN", Cooling::Liquid),
        ("OA", Cooling::Liquid),
        ("KNAN", Cooling::Liquid),
        ("ONAF", Cooling::LiquidFan),
        ("OA/FA", Cooling::LiquidFan),
        ("ONAN/ONAF", Cooling::LiquidFan),
        ("KNAF", Cooling::LiquidFan),
        ("KNAN/KNAF", Cooling::LiquidFan),
        ("LNAN", Cooling::Liquid),
    ];
    if value.node.as_str() == Some("FA") {
        let message = "`cooling` is \"FA\", which stands on dry and on liquid-filled units alike".to_owned();
        return Err(Fault::new(
            message,
            "dry or liquid?",
            "write \"AF\" for a dry one, \"ONAF\" for a liquid-filled one",
        ));
    }
    choice(&CLASSES)(value)
}

/// A side, and where its rated amperes stand.
fn side(s: &mut Section<'_>) -> Option<(Side, Option<Range<usize>>)> {
    let volts = s.required("volts", "480", number(24.0..=36_000.0, "V"));
    let leg = |s: &mut Section<'_>, key| s.or(key, Phase::B, choice(&LEGS));
    let high = leg(s, "high_leg");
    let grounded = leg(s, "grounded");
    let open_high = s.has("high_leg").then_some(()).and(high);
    let forms = [
        ("wye", WiringForm::Wye),
        ("delta", WiringForm::Delta),
        ("high-leg-delta", WiringForm::HighLegDelta { high: high.unwrap_or(Phase::B) }),
        ("corner-grounded-delta", WiringForm::CornerGroundedDelta { grounded: grounded.unwrap_or(Phase::B) }),
        ("open-delta", WiringForm::OpenDelta { high: open_high }),
        ("open-wye", WiringForm::OpenWye),
        ("split-phase", WiringForm::SplitPhase),
        ("single-phase", WiringForm::SinglePhase),
    ];
    let form = s.required("form", "\"delta\"", choice(&forms));
    let rated_a = s.optional("rated_a", number(0.1..=20_000.0, "A"));
    let form = form?;
    let has_high = matches!(form, WiringForm::HighLegDelta { .. } | WiringForm::OpenDelta { .. });
    let corner = matches!(form, WiringForm::CornerGroundedDelta { .. });
    for (key, fits, of) in [
        ("high_leg", has_high, "\"high-leg-delta\" or \"open-delta\""),
        ("grounded", corner, "\"corner-grounded-delta\""),
    ] {
        if s.has(key) && !fits {
            let message = format!("`{key}` has no meaning for the form \"{}\"", form.key());
            s.fault(
                key,
                Fault::new(message, "this value", format!("leave `{key}` out, or write form = {of}")),
            );
        }
    }
    high?;
    grounded?;
    let at = s.has("rated_a").then(|| s.place("rated_a"));
    Some((Side { volts: volts?, form, rated_a: rated_a? }, at))
}

const LEGS: [(&str, Phase); 3] = [("A", Phase::A), ("B", Phase::B), ("C", Phase::C)];

/// The forms of both sides and the phases tell of the same thing.
fn forms_fit(s: &mut Section<'_>, transformer: &Transformer) -> Option<()> {
    let phases = transformer.phases;
    for (key, side) in [("secondary", transformer.secondary), ("primary", transformer.primary)] {
        if side.form.phases() == phases {
            continue;
        }
        let message = format!(
            "\"{}\" is no form of a {key} with {phases} phase{}",
            side.form.key(),
            if phases == 1 { "" } else { "s" }
        );
        let help = if phases == 1 {
            "write \"single-phase\" or \"split-phase\"; `phases` is left out or 1"
        } else {
            "write \"wye\", \"delta\" or one of the other forms of three phases on both sides"
        };
        let key = if s.has("phases") { "phases" } else { key };
        s.fault(key, Fault::new(message, "they do not fit", help));
        return None;
    }
    Some(())
}

type Printed = (SideOf, Option<Range<usize>>);

/// Rated amperes as printed against those by kVA and volts. Where kVA does not tell them they must be printed.
fn amperes_fit(s: &mut Section<'_>, transformer: &Transformer, sides: [Printed; 2]) -> Option<()> {
    let mut fits = Some(());
    for (side, at) in sides {
        let key = if side == SideOf::Primary { "primary" } else { "secondary" };
        let printed = transformer.side(side).rated_a;
        match (printed, transformer.computed_a(side), at) {
            (Some(printed), Some(computed), Some(at))
                if (printed / computed - 1.0).abs() > RATED_A_TOLERANCE =>
            {
                let message = format!(
                    "`rated_a` of the {key} is {printed} A, but {} kVA at {} V is {computed:.1} A",
                    transformer.kva,
                    transformer.side(side).volts
                );
                let help = "they may differ by 2 %: mend `rated_a`, `kva` or `volts` by the nameplate, or leave `rated_a` out";
                s.fault_at(at, Fault::new(message, "does not fit", help));
                fits = None;
            }
            (None, None, _) if !transformer.kind.carries_its_kva() => {
                let message = format!("the {key} of this {} needs `rated_a`", transformer.kind.key());
                let help = "what passes through is not the kVA of its nameplate: add the rated line amperes of both sides";
                s.fault(key, Fault::new(message, "in here", help));
                fits = None;
            }
            _ => {}
        }
    }
    fits
}

/// Resistances between the line terminals: of both sides or of none.
fn resistances(s: &mut Section<'_>) -> Optional<(f64, f64)> {
    let ohms = |s: &mut Section<'_>, key| s.optional(key, number(0.000_001..=1000.0, "ohm"));
    match (ohms(s, "primary_ohms")?, ohms(s, "secondary_ohms")?) {
        (None, None) => Some(None),
        (Some(primary), Some(secondary)) => Some(Some((primary, secondary))),
        (one, _) => {
            let (key, other) = if one.is_some() {
                ("primary_ohms", "secondary_ohms")
            } else {
                ("secondary_ohms", "primary_ohms")
            };
            let message = format!("`{key}` stands without `{other}`: the loss is taken apart with both");
            s.fault(
                key,
                Fault::new(
                    message,
                    "only this one",
                    format!("add `{other}` by the test report, or leave it out"),
                ),
            );
            None
        }
    }
}

/// What the windings lose by their resistance is no more than the whole load loss.
fn report_fits(s: &mut Section<'_>, transformer: &Transformer) -> Option<()> {
    if transformer.report_fits() {
        return Some(());
    }
    let message =
        "with these resistances the windings alone lose more than `load_w` at rated current".to_owned();
    let help = "write resistances between two line terminals, in ohms, at the temperature of the load loss, as the test report has them";
    s.fault("load_w", Fault::new(message, "less than they lose", help));
    None
}

fn trip_points(s: &mut Section<'_>) -> Option<TripPoints> {
    let point = |s: &mut Section<'_>, key| s.optional(key, temperature(40.0..=250.0, Unit::Celsius));
    let (warn_c, trip_c) = (point(s, "warn_c"), point(s, "trip_c"));
    let points = TripPoints { warn_c: warn_c?, trip_c: trip_c? };
    if let (Some(warn), Some(trip)) = (points.warn_c, points.trip_c)
        && warn >= trip
    {
        let message = format!("it would trip at {trip} °C, not above the {warn} °C where it warns");
        s.fault(
            "trip_c",
            Fault::new(
                message,
                "not above `warn_c`",
                "write both as they stand on the unit or in its manual",
            ),
        );
        return None;
    }
    Some(points)
}

fn taps(s: &mut Section<'_>, nominal: f64) -> Option<Taps> {
    let percent = s.list("percent", number(-20.0..=20.0, "%"));
    let volts = s.list("volts", number(0.8 * nominal..=1.2 * nominal, "V"));
    let unit = if s.has("volts") { "V" } else { "%" };
    let present = s.required("present", "-2.5", number(-20.0..=43_200.0, unit));
    if s.has("percent") == s.has("volts") {
        let message = "`taps` has its list either in `percent` of the rated volts or in `volts`".to_owned();
        let help = "write for example taps = { percent = [5, 2.5, 0, -2.5, -5], present = -2.5 }";
        if s.has("volts") {
            s.fault("volts", Fault::new(message, "one too many", help));
        } else {
            s.missing(message, help.to_owned());
        }
        return None;
    }
    let (percent, volts, present) = (percent?, volts?, present?);
    let (key, listed) = if s.has("percent") { ("percent", &percent) } else { ("volts", &volts) };
    let twice = listed.iter().enumerate().any(|(index, tap)| listed[..index].contains(tap));
    if !(2..=MOST_TAPS).contains(&listed.len()) || twice {
        let message =
            format!("`{key}` has {} taps{}", listed.len(), if twice { ", one of them twice" } else { "" });
        s.fault(
            key,
            Fault::new(message, "this list", format!("write each tap once: from 2 to {MOST_TAPS} of them")),
        );
        return None;
    }
    let Some(at) = listed.iter().position(|tap| (tap - present).abs() < f64::EPSILON) else {
        let names: Vec<String> = listed.iter().map(ToString::to_string).collect();
        let message = format!("`present` is {present}, which is none of the taps");
        s.fault("present", Fault::new(message, "this value", format!("allowed: {}", names.join(", "))));
        return None;
    };
    let volts = if volts.is_empty() {
        percent.iter().map(|percent| nominal * (1.0 + percent / 100.0)).collect()
    } else {
        volts
    };
    Some(Taps { volts, present: at })
}

fn records(s: &mut Section<'_>) -> Option<Records> {
    let words = |s: &mut Section<'_>, key| s.optional(key, text);
    let serial = words(s, "serial");
    let year: Optional<i64> = s.optional("year", whole(1900..=2100));
    let clearances = words(s, "clearances");
    let lugs = s.table("lugs", &LUGS, |s| {
        let rated_c = s.optional("rated_c", temperature(40.0..=200.0, Unit::Celsius));
        let (size, torque) = (s.optional("size", text), s.optional("torque", text));
        Some(LugMarks { rated_c: rated_c?, size: size?, torque: torque? })
    });
    let (feeds, call) = (words(s, "feeds"), words(s, "call"));
    let (spare, lead_time) = (words(s, "spare"), words(s, "lead_time"));
    Some(Records {
        serial: serial?,
        year: year?.map(|year| year as u16),
        clearances: clearances?,
        lugs: lugs?.unwrap_or_default(),
        feeds: feeds?,
        call: call?,
        spare: spare?,
        lead_time: lead_time?,
    })
}
