//! Which value of three is farthest from their mean, and why a computed quantity is absent, in words.

use super::subject::quantity_words;
use kvarden_core::electrical::spectrum::Lacking;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::values_now::{FarthestNow, NotTold, WhyNot};

/// Below these an unbalance of volts or currents is not worth a line, in per cent (common practice, no source).
const LEAST: [(Measurand, f64); 2] =
    [(Measurand::VoltageUnbalance, 1.0), (Measurand::CurrentUnbalance, 10.0)];

/// `T2 secondary: line-to-line voltage lines C-A is farthest from the mean of three, 1.9 % below it`.
pub fn farthest(now: &FarthestNow<'_>) -> Option<String> {
    let least = LEAST.iter().find(|(what, _)| *what == now.of.what).map(|(_, least)| *least)?;
    (now.percent.abs() >= least).then(|| {
        format!(
            "{}: {} is farthest from the mean of three, {:.1} % {} it",
            now.meter,
            quantity_words(now.which),
            now.percent.abs(),
            if now.percent < 0.0 { "below" } else { "above" }
        )
    })
}

/// Lines of what is not told now: each reason of a meter once.
pub fn not_told<'a>(all: impl Iterator<Item = NotTold<'a>>) -> Vec<String> {
    let mut groups: Vec<(&str, WhyNot, Vec<Quantity>)> = Vec::new();
    for one in all {
        match groups.iter_mut().find(|(meter, why, _)| (*meter, *why) == (one.meter, one.why)) {
            Some((.., quantities)) => quantities.push(one.quantity),
            None => groups.push((one.meter, one.why, vec![one.quantity])),
        }
    }
    let line = |(meter, why, quantities): (&str, WhyNot, Vec<Quantity>)| {
        let mut what: Vec<&str> = quantities.iter().map(|quantity| quantity.what.facts().words).collect();
        what.dedup();
        format!("{meter}: {}: {}", what.join(", "), words(why))
    };
    groups.into_iter().map(line).collect()
}

fn words(why: WhyNot) -> String {
    match why {
        WhyNot::Missing(quantity) => format!("{} is absent", quantity_words(quantity)),
        WhyNot::Unbalance(why) => why.to_string(),
        WhyNot::Spectrum(Lacking::Fundamental) => {
            "the fundamental is absent or so small that any share of it is noise".to_owned()
        }
        WhyNot::Spectrum(Lacking::Order(order)) => format!("order {order} is absent"),
        WhyNot::Spectrum(Lacking::Reach(order)) => {
            format!("no order above {order} is given, too few for a whole sum")
        }
        WhyNot::Spectrum(Lacking::Base) => "what it is compared with is not known".to_owned(),
        WhyNot::Settling => "it follows the load for some hours before it says anything".to_owned(),
        WhyNot::Spectrum(Lacking::Range) | WhyNot::Unfit => {
            "the values are too small to mean anything, or outside what the formula holds for".to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::electrical::unbalance::NoUnbalance;
    use kvarden_core::phases::Place;

    #[test]
    fn each_reason_is_told_once_for_all_that_it_takes_away() {
        let one = |what, why| NotTold { meter: "T2 secondary", quantity: Quantity::whole(what), why };
        let dead = WhyNot::Unbalance(NoUnbalance::BelowFloor);
        let lines = not_told(
            [
                one(Measurand::VoltageUnbalance, dead),
                one(Measurand::SpectrumLossFactor, WhyNot::Spectrum(Lacking::Order(5))),
                one(Measurand::VoltageNegativeSequence, dead),
                one(Measurand::LoadingKva, WhyNot::Missing(Quantity::at(Measurand::Current, Place::B))),
            ]
            .into_iter(),
        );
        insta::assert_snapshot!(lines.join("\n"), @r"
        T2 secondary: voltage unbalance, negative-sequence voltage (u2): too little is there: an interruption or an idle circuit is no unbalance
        T2 secondary: harmonic loss factor by the orders: order 5 is absent
        T2 secondary: loading by kVA: current phase B is absent
        ");
    }

    /// NEMA's own example: of 460, 467 and 450 V the last is farthest, 1.96 % below the mean.
    #[test]
    fn the_farthest_says_which_and_which_way() {
        let of = |percent| FarthestNow {
            meter: "T2 secondary",
            of: Quantity::whole(Measurand::VoltageUnbalance),
            which: Quantity::at(Measurand::VoltageLl, Place::CA),
            percent,
        };
        let told = farthest(&of(-1.96));
        assert_eq!(
            told.as_deref(),
            Some(
                "T2 secondary: line-to-line voltage lines C-A is farthest from the mean of three, 2.0 % below it"
            )
        );
        assert_eq!(farthest(&of(0.4)), None);
    }
}
