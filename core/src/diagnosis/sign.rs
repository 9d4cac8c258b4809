//! The figures that speak for or against a cause: quantities of the measurand table, and signs that only the diagnosis knows.

use crate::measurand::Quantity;
use crate::phases::Place;
use serde::{Deserialize, Serialize};

/// What a number of a finding is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Figure {
    /// A quantity of the measurand table.
    Quantity(Quantity),
    /// A sign that only the diagnosis knows, at a place.
    Sign(Sign, Place),
}

macro_rules! signs {
    ($($variant:ident: $key:literal, $words:literal, $unit:literal, $decimals:literal;)*) => {
        /// A sign that only the diagnosis knows. To add one, add a line.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Sign { $(#[doc = $words] #[serde(rename = $key)] $variant,)* }

        impl Sign {
            /// Every sign, in the order of the table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The written form.
            pub fn key(self) -> &'static str {
                match self { $(Self::$variant => $key,)* }
            }

            /// Words for people.
            pub fn words(self) -> &'static str {
                match self { $(Self::$variant => $words,)* }
            }

            /// The unit as it is written.
            pub fn unit(self) -> &'static str {
                match self { $(Self::$variant => $unit,)* }
            }

            /// Decimals for people.
            pub fn decimals(self) -> u8 {
                match self { $(Self::$variant => $decimals,)* }
            }
        }
    };
}

// The columns: key, words, unit, decimals.
signs! {
    ShareOfRating: "share_of_rating_percent", "load of the rating", "%", 0;
    Jumped: "jumped_k", "jump of a temperature", "K", 0;
    LikeMoved: "like_moved_k", "movement of its like while it stood still", "K", 0;
    Drifts: "drifts_k", "beyond the other windings, by ever more whatever the load", "K", 0;
    BelowAir: "below_air_k", "below the air around it", "K", 0;
    ColderThanHealthy: "colder_than_healthy_k", "colder than a healthy one, its like are not", "K", 0;
    Silent: "silent", "gives nothing", "", 0;
    AsDrawn: "as_drawn", "misfit as drawn", "", 2;
    CurrentTurned: "current_turned", "current transformer turned: misfit as drawn", "", 2;
    VoltsExchanged: "volts_exchanged", "leads of the volts exchanged: misfit as drawn", "", 2;
    CurrentsExchanged: "currents_exchanged", "current transformers exchanged: misfit as drawn", "", 2;
    GrowthOfExcess: "growth_of_excess", "excess over that of the first day", "times", 1;
    WorstPhaseOfRating: "worst_phase_of_rating_percent", "worst phase of the rating", "%", 0;
    PeakOfRating: "peak_of_rating_percent", "highest peak of the rating", "%", 0;
    WeekOfRating: "week_of_rating_percent", "load in the week's busiest hours, of the rating", "%", 0;
    UnbalanceOfSupply: "unbalance_of_supply_percent", "unbalance that the supply brings", "%", 1;
    UnbalanceByLoad: "unbalance_by_load_percent", "unbalance of the volts that the load makes", "%", 1;
    TriplenInNeutral: "triplen_in_neutral_a", "triplen orders in the neutral", "A", 0;
    SixPulseOfRating: "six_pulse_of_rating_percent", "orders 5 to 13 of the rating", "%", 0;
    EvenOfRating: "even_of_rating_percent", "even orders of the rating", "%", 1;
    FourthOfSecond: "fourth_of_second_percent", "fourth order of the second", "%", 0;
    ThirdGained: "third_order_gained_a", "third order that came on two lines", "A", 0;
    LineOfOthers: "line_of_others_percent", "amperes of the line against the two others", "%", 0;
    VoltsLost: "volts_lost_percent", "volts lost", "%", 0;
    VoltsLostBefore: "volts_lost_before_percent", "volts lost before it", "%", 0;
    VoltsGained: "volts_gained_percent", "volts over the usual", "%", 0;
    VoltsOfNominal: "volts_of_nominal_percent", "volts of nominal", "%", 0;
    AmperesLost: "amperes_lost_percent", "amperes lost", "%", 0;
    AmperesGained: "amperes_gained_percent", "amperes over the usual", "%", 0;
    AmperesBefore: "amperes_before_a", "amperes before", "A", 0;
    AmpereStep: "ampere_step_a", "step of the amperes", "A", 0;
    MovedWith: "moved_with_percent", "times of all at which a load stepped within seconds of it", "%", 0;
    SecondOrder: "second_order_percent", "second order of the amperes", "%", 0;
    NeutralSpread: "neutral_spread_percent", "spread of the volts to neutral with equal volts between the lines", "%", 1;
    LinesSpread: "lines_spread_percent", "spread of the volts between the lines", "%", 1;
    VoltsLostByLoad: "volts_lost_by_load_percent", "volts lost within the transformer", "%", 1;
    HighLegRatio: "high_leg_ratio", "volts to neutral over those of the other two", "", 2;
    ShareOfParallel: "share_of_parallel_units_percent", "share of what the units side by side carry", "%", 0;
    ShareByImpedance: "share_by_impedance_percent", "share by kVA and impedance", "%", 0;
    TimesTheOthers: "times_the_others", "amperes over those of the other two", "", 1;
}
