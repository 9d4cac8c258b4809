//! Why something is not judged, and what would mend it.

use crate::plant::Condition;
use std::fmt;

macro_rules! reasons {
    ($($variant:ident: $key:literal, $words:literal;)*) => {
        /// Which reason. To add one, add a line.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Why { $(#[doc = concat!("`", $key, "`")] $variant,)* }

        impl Why {
            /// Every reason, in the order of the table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The written form.
            pub fn key(self) -> &'static str {
                match self { $(Self::$variant => $key,)* }
            }

            /// Words for people; a name in braces is the place of a figure of the [`Reason`], `{conditions}` that of its conditions.
            pub fn words(self) -> &'static str {
                match self { $(Self::$variant => $words,)* }
            }
        }
    };
}

// The columns: key, words.
reasons! {
    // Of a meter and its nameplate.
    CarriesUnknown: "carries_unknown", "how much it may carry is not known: give the feeder its rated_a";
    Autotransformer: "autotransformer",
        "the kVA of an autotransformer is not what passes through it; its amperes are judged";
    BuckBoost: "buck_boost", "the kVA of a buck-boost is not what passes through it; its amperes are judged";
    LineVolts: "line_volts",
        "it needs all three line-to-line voltages from one meter, or those to neutral with their angles";
    VoltsWithAngles: "volts_with_angles",
        "it needs volts to neutral and their angles for all three phases from one meter";
    LittleUnknown: "little_unknown",
        "how much it may carry is not known, so neither how little means nothing: give the feeder its rated_a";
    AmperesWithAngles: "amperes_with_angles",
        "it needs amperes and their angles for all three phases from one meter";
    NoWindingLimit: "no_winding_limit",
        "no limit: give the transformer its insulation_class_c, or set a limit";
    SupplySideOrders: "supply_side_orders",
        "orders of the supply side lack the triplen that circulate in a delta: give those of the secondary";
    ThdAlone: "thd_alone",
        "the THD alone does not say which orders it is made of: at {example} % the harmonic loss factor lies between {least} and \
         {most}, or {falling} if the orders fall as they usually do; give orders 3, 5, 7 and on to 13 at least, or the factor";
    KFactorAlone: "k_factor_alone",
        "a K-factor is referred to the rated amperes that the meter was told, which are not known here; give the harmonic loss \
         factor instead, or the orders";
    KFactorOfThisUnit: "k_factor_of_this_unit",
        "a K-factor is referred to the rated amperes that the meter was told, which are not known here: if they are this \
         transformer's, a K of {example} at rated amperes leaves {carried} % of them, at half of them a K of {half} means the same \
         spectrum; give the harmonic loss factor instead, or the orders";
    // Of a limit.
    GivenByNone: "given_by_none",
        "no meter that it applies to gives this, or a nearer limit stands before it";
    ConditionAbsent: "condition_absent",
        "judged only while {conditions}, which this meter does not give; a feeder needs its rated_a";
    ConditionsAbsent: "conditions_absent",
        "judged only while {conditions}, none of which this meter gives; a feeder needs its rated_a";
    // Of the heat of a connection.
    NoStar: "no_star", "only with a neutral can the drop of one phase be told: the feeder is no star";
    BehindAnother: "behind_another",
        "it hangs on another feeder: what is tapped off on the way carries its own current";
    FeederVolts: "feeder_volts",
        "it needs volts to neutral and amperes of all three phases from the feeder's meter";
    LoadSideVolts: "load_side_volts",
        "it needs volts to neutral of all three phases from a meter on the load side of the transformer";
    TooRarely: "too_rarely",
        "one of the two meters gives values too rarely to compare them at the same moment: once a minute at least";
    // Of the model of the heat.
    NoOwnCurrents: "no_own_currents", "it needs the currents of a meter of the transformer itself";
    NoRatedRise: "no_rated_rise", "give the transformer its rated_rise_c or its insulation_class_c";
    NoAir: "no_air",
        "what a healthy unit would show is not known without the temperature of the air around it: give it an ambient sensor; \
         hot spot and ageing go by what the windings show";
    NoAirInLiquid: "no_air_in_liquid",
        "what healthy oil would show is not known without the temperature of the air around it: give it an ambient sensor; \
         windings, hot spot and ageing go by what the oil shows";
    AlikeByTheDeltaSide: "alike_by_the_delta_side",
        "by the amperes of its delta side all windings are taken as alike: with lines 10 % apart one rises up to 8 % more than \
         expected, and what the neutral's current adds is not seen; measure the load side to tell them apart";
    PureSine: "pure_sine",
        "expected as for a pure sine: no harmonic loss factor is read, so what harmonics add is part of the difference until a \
         calibration is accepted";
    FansNotRead: "fans_not_read",
        "whether the fans run is not read: above the rating they are taken as running, so a fan that fails shows as heat of the \
         windings or the oil";
    // Of how a circuit is connected.
    NoSuchWire: "no_such_wire", "this form has no such wire: look at the meter's map or its connections";
    FewerPhases: "fewer_phases", "unbalance is a matter of three phases, and this form has fewer";
    ZeroSequenceByDesign: "zero_sequence_by_design",
        "the volts to neutral of this form have a zero sequence by design, or float";
    OnlyToEarth: "only_to_earth",
        "without a neutral there is none but what goes to earth: look at the meter's current transformers";
    TwoLegs: "two_legs", "with two legs of a star the neutral carries near as much as a leg: normal";
    NoNeutral: "no_neutral", "this form has no neutral: look what the meter calls so";
    Floats: "floats",
        "a delta has no neutral: what a meter shows there floats; line-to-line volts are judged";
    HighLeg: "high_leg",
        "the high leg stands at 1.73 times the others by design; line-to-line volts are judged";
    CornerGrounded: "corner_grounded", "this corner is grounded: 0 V is by design";
}

/// A figure in the words of a reason.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReasonFigure {
    /// Its name in the words.
    pub name: &'static str,
    /// Its value, in the unit that the words say.
    pub value: f64,
    /// Decimals for people.
    pub decimals: u8,
}

/// Why something is not judged, with the figures that belong in the words.
#[derive(Debug, Clone, PartialEq)]
pub struct Reason {
    /// Which reason.
    pub why: Why,
    /// Its figures.
    pub figures: Vec<ReasonFigure>,
    /// What would have to be so for it to be judged.
    pub conditions: Vec<Condition>,
}

impl From<Why> for Reason {
    fn from(why: Why) -> Self {
        Self { why, figures: Vec::new(), conditions: Vec::new() }
    }
}

impl Reason {
    /// A reason with figures: name, value, decimals.
    pub(super) fn with(why: Why, figures: &[(&'static str, f64, u8)]) -> Self {
        let figure = |(name, value, decimals): &(&'static str, f64, u8)| ReasonFigure {
            name,
            value: *value,
            decimals: *decimals,
        };
        Self { figures: figures.iter().map(figure).collect(), ..why.into() }
    }

    /// Why a limit with such conditions is never judged.
    pub(super) fn without(conditions: &[Condition]) -> Self {
        let why = if conditions.len() > 1 { Why::ConditionsAbsent } else { Why::ConditionAbsent };
        Self { conditions: conditions.to_vec(), ..why.into() }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let one = |condition: &Condition| {
            let Condition { on, above } = condition;
            format!("{} is above {above} {}", on.key(), on.facts().unit.symbol())
        };
        let conditions: Vec<String> = self.conditions.iter().map(one).collect();
        let mut words = self.why.words().replace("{conditions}", &conditions.join(" or "));
        for ReasonFigure { name, value, decimals } in &self.figures {
            words = words.replace(&format!("{{{name}}}"), &format!("{value:.*}", usize::from(*decimals)));
        }
        f.write_str(&words)
    }
}
