//! The causes that a finding may name: one table.

use crate::time::Span;
use serde::{Deserialize, Serialize};

macro_rules! families {
    ($($variant:ident: $key:literal, $words:literal;)*) => {
        /// What kind of cause it is.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Family { $(#[doc = $words] #[serde(rename = $key)] $variant,)* }

        impl Family {
            /// Every family, in the order of the table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The written form.
            pub fn key(self) -> &'static str {
                match self { $(Self::$variant => $key,)* }
            }

            /// Words for people.
            pub fn words(self) -> &'static str {
                match self { $(Self::$variant => $words,)* }
            }
        }
    };
}

families! {
    Overload: "overload", "overload";
    Unbalance: "unbalance", "unbalance";
    Harmonics: "harmonics", "harmonics";
    Connection: "loose-connection", "loose or burning connection";
    Cooling: "cooling", "cooling trouble";
    Supply: "supply", "supply trouble";
    Core: "core", "trouble of the core";
    Sharing: "sharing", "unequal sharing of parallel units";
    Instrument: "instrument", "trouble of a meter or sensor";
    Event: "event", "event without a fault";
}

macro_rules! causes {
    ($($variant:ident: $family:ident, $key:literal, $words:literal, $gone:literal;)*) => {
        /// A cause.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Cause { $(#[doc = $words] $variant,)* }

        impl Cause {
            /// Every cause, in the order of the table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// Its family.
            pub fn family(self) -> Family {
                match self { $(Self::$variant => Family::$family,)* }
            }

            /// The written form within its family.
            pub fn key(self) -> &'static str {
                match self { $(Self::$variant => $key,)* }
            }

            /// Words for people.
            pub fn words(self) -> &'static str {
                match self { $(Self::$variant => $words,)* }
            }

            /// How long nothing of it must have shown, while it could be judged, before it has ended.
            pub fn gone_after(self) -> Span {
                match self { $(Self::$variant => Span::minutes($gone),)* }
            }
        }
    };
}

// The columns: family, key, words, minutes without a sign of it after which it has ended. Those that come and go have a
// day's half or more, so that an afternoon's is one finding; an overload is one over a break and a machine's cycle; single
// events end soon (common practice, no source).
causes! {
    OverloadUnit: Overload, "whole-unit", "overload of the whole unit", 120;
    OverloadPhase: Overload, "one-phase", "overload of one phase", 120;
    OverloadPeaks: Overload, "repeated-peaks", "overload in short repeated peaks", 360;
    OverloadGrowth: Overload, "slow-growth", "load that grows from week to week", 1440;
    UnbalanceSupply: Unbalance, "supply", "unbalanced supply", 30;
    UnbalanceLoad: Unbalance, "load", "unbalanced load", 30;
    LostPhase: Unbalance, "lost-phase", "lost phase", 2;
    LostPrimaryLine: Unbalance, "lost-primary-line", "lost line before the transformer", 2;
    Neutral: Unbalance, "neutral", "lost or loose neutral", 360;
    Triplen: Harmonics, "triplen", "triplen harmonics", 30;
    FiveSeven: Harmonics, "five-seven", "fifth and seventh harmonics", 30;
    EvenOrders: Harmonics, "even-orders", "even harmonics", 30;
    Resonance: Harmonics, "resonance", "resonance with capacitors", 30;
    DriveFuse: Harmonics, "drive-input-fuse", "drive on two of its three lines", 30;
    ConnectionSteady: Connection, "steady", "connection with too much resistance", 1440;
    ConnectionIntermittent: Connection, "intermittent", "connection that lets go and comes back", 1440;
    CoolingBlocked: Cooling, "blocked", "blocked cooling", 60;
    CoolingFan: Cooling, "fan", "fan that does not cool", 60;
    HotRoom: Cooling, "hot-room", "room too hot", 60;
    Sag: Supply, "sag", "sags of the supply", 360;
    Swell: Supply, "swell", "swells or high volts of the supply", 360;
    OverExcited: Core, "over-excited", "core over-excited by high volts", 60;
    HalfWave: Core, "half-wave", "half-wave load or direct current", 60;
    Unequal: Sharing, "unequal", "parallel units that share unequally", 60;
    MeterWiring: Instrument, "wiring", "meter wired otherwise than drawn", 60;
    MeterFuse: Instrument, "fuse", "fuse or lead of a meter's volts", 5;
    SensorFailed: Instrument, "sensor", "sensor that shows what can't be", 60;
    MeterSilent: Instrument, "silent", "meter that gives nothing", 1;
    HighLeg: Instrument, "high-leg", "configured as wye, looks like a high leg", 60;
    Trip: Event, "trip", "breaker opened", 5;
    Inrush: Event, "inrush", "energising inrush", 5;
    StartingLoad: Event, "starting-load", "starting load", 240;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_key_comes_twice() {
        let mut keys: Vec<_> = Cause::ALL.iter().map(|cause| (cause.family().key(), cause.key())).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), Cause::ALL.len());
    }
}
