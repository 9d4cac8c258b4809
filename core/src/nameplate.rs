//! A transformer's nameplate and what the site keeps with it.

use crate::electrical::loss::{TestReport, eddy_part_of_stray, split};
use crate::electrical::permissible::{BoundBy, Bounded, KnownBound};
use crate::electrical::ratings::{rated_current_single_phase, rated_current_three_phase};
use crate::plant::SideOf;
use crate::supply::{StateIs, Supply};
use crate::wiring::WiringForm;

/// A transformer's nameplate.
#[derive(Debug, Clone, PartialEq)]
pub struct Transformer {
    /// Name at the site, unique.
    pub name: String,
    /// Where it stands.
    pub location: Option<String>,
    /// 1 or 3.
    pub phases: u8,
    /// How its windings are joined.
    pub kind: Kind,
    /// Rated power in kVA. Of an open bank: what the closed bank of three such units has.
    pub kva: f64,
    /// Source side.
    pub primary: Side,
    /// Load side.
    pub secondary: Side,
    /// What feeds it, in order of preference; empty: not said.
    pub supplies: Vec<Supply>,
    /// Which transformers run in parallel with it; what one says of another holds for both.
    pub beside: Vec<Beside>,
    /// Which side is the point of common coupling with the utility; `None`: neither.
    pub coupling: Option<SideOf>,
    /// Impedance in per cent.
    pub impedance_percent: Option<f64>,
    /// Reactance over resistance.
    pub x_over_r: Option<f64>,
    /// How it is cooled.
    pub cooling: Cooling,
    /// Rated average winding rise in kelvin.
    pub rated_rise_k: Option<f64>,
    /// Temperature class of the insulation in °C.
    pub insulation_class_c: Option<u16>,
    /// K-rating, if it has one.
    pub k_rating: Option<f64>,
    /// Average ambient that its rating holds for, in °C.
    pub rated_ambient_c: Option<f64>,
    /// Rating of its own neutral in per cent of the line amperes.
    pub neutral_rating_percent: Option<f64>,
    /// The maker's own trip points for a sensor in the winding, in °C.
    pub trip_points: TripPoints,
    /// Taps of the primary.
    pub taps: Option<Taps>,
    /// No-load and load loss in watts, by the test report.
    pub losses: Losses,
    /// What its windings are made of.
    pub winding: Option<Metal>,
    /// What is only kept and shown.
    pub records: Records,
}

/// A transformer whose load side is joined with another's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Beside {
    /// The other (index).
    pub transformer: usize,
    /// Only while this holds, as of a tie between two buses; `None`: always.
    pub when: Option<StateIs>,
}

/// How the windings are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Kind {
    /// Two windings apart from each other.
    #[default]
    TwoWinding,
    /// One winding with a tap: no barrier to triplen currents, and more passes through than its kVA.
    Autotransformer,
    /// A small unit in series with the line that raises or lowers it a little; likewise.
    BuckBoost,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::TwoWinding, Self::Autotransformer, Self::BuckBoost];

    /// The written form.
    pub fn key(self) -> &'static str {
        match self {
            Self::TwoWinding => "two-winding",
            Self::Autotransformer => "autotransformer",
            Self::BuckBoost => "buck-boost",
        }
    }

    /// Whether the kVA of its nameplate is what passes through.
    pub fn carries_its_kva(self) -> bool {
        self == Self::TwoWinding
    }
}

/// One side of a transformer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Side {
    /// Rated volts: line to line for three phases and for two legs, between the outer wires for split-phase.
    pub volts: f64,
    /// How the winding is connected.
    pub form: WiringForm,
    /// Rated line amperes as the nameplate has them.
    pub rated_a: Option<f64>,
}

/// How a transformer is cooled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cooling {
    /// Dry, air by itself (AA, AN).
    Dry,
    /// Dry with fans (AF).
    DryFan,
    /// Liquid-filled, by itself (ONAN, KNAN).
    Liquid,
    /// Liquid-filled with fans (ONAF, KNAF).
    LiquidFan,
}

impl Cooling {
    /// Whether the windings stand in a liquid.
    pub fn is_liquid(self) -> bool {
        matches!(self, Self::Liquid | Self::LiquidFan)
    }

    /// Words for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Dry => "dry",
            Self::DryFan => "dry with fans",
            Self::Liquid => "liquid-filled",
            Self::LiquidFan => "liquid-filled with fans",
        }
    }
}

/// The maker's own points for a sensor in the winding, in °C. They win over any table.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TripPoints {
    /// It warns here.
    pub warn_c: Option<f64>,
    /// It trips here.
    pub trip_c: Option<f64>,
}

/// Taps of the primary.
#[derive(Debug, Clone, PartialEq)]
pub struct Taps {
    /// Volts of each.
    pub volts: Vec<f64>,
    /// Which one is in use.
    pub present: usize,
}

impl Taps {
    /// Volts of the tap in use.
    pub fn present_volts(&self) -> Option<f64> {
        self.volts.get(self.present).copied()
    }
}

/// Losses in watts by the test report.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Losses {
    /// At rated volts without load.
    pub no_load_w: Option<f64>,
    /// At rated load.
    pub load_w: Option<f64>,
    /// Resistance in ohms between two line terminals of primary and secondary, at the temperature of the load loss.
    pub resistances_ohm: Option<(f64, f64)>,
    /// Winding eddy loss at rated load and the hottest place, in per cent of the loss by resistance there.
    pub eddy_percent: Option<f64>,
}

/// What windings are made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Metal {
    /// Copper.
    Copper,
    /// Aluminium.
    Aluminium,
}

impl Metal {
    /// The written form.
    pub fn key(self) -> &'static str {
        match self {
            Self::Copper => "copper",
            Self::Aluminium => "aluminium",
        }
    }
}

/// What no formula uses: kept as written, shown to people where it helps them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Records {
    /// Serial number.
    pub serial: Option<String>,
    /// Year of make.
    pub year: Option<u16>,
    /// Clearances to walls and combustibles.
    pub clearances: Option<String>,
    /// What stands on the lugs, as written there.
    pub lugs: LugMarks,
    /// What it feeds, in the site's words.
    pub feeds: Option<String>,
    /// Whom to call.
    pub call: Option<String>,
    /// What there is as a spare.
    pub spare: Option<String>,
    /// How long a new one takes.
    pub lead_time: Option<String>,
}

/// Marks on the lugs, as written there; they are shown and never worked with.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LugMarks {
    /// Rated temperature in °C.
    pub rated_c: Option<f64>,
    /// Sizes of conductor.
    pub size: Option<String>,
    /// Torque.
    pub torque: Option<String>,
}

/// The share of its closed bank's kVA that an open delta or open wye of two units can carry: 1/√3, 57.7 %.
///
/// Source: textbook (each unit then carries the line current, and its own volts stand 30° from it).
pub const OPEN_BANK_SHARE: f64 = 0.577_350_269_189_625_8;

impl Transformer {
    /// A dry transformer of two windings of which no more is known.
    pub fn new(name: &str, kva: f64, primary: Side, secondary: Side) -> Self {
        Self {
            name: name.to_owned(),
            location: None,
            phases: secondary.form.phases(),
            kind: Kind::TwoWinding,
            kva,
            primary,
            secondary,
            supplies: Vec::new(),
            beside: Vec::new(),
            coupling: None,
            impedance_percent: None,
            x_over_r: None,
            cooling: Cooling::Dry,
            rated_rise_k: None,
            insulation_class_c: None,
            k_rating: None,
            rated_ambient_c: None,
            neutral_rating_percent: None,
            trip_points: TripPoints::default(),
            taps: None,
            losses: Losses::default(),
            winding: None,
            records: Records::default(),
        }
    }

    /// One of its sides.
    pub fn side(&self, side: SideOf) -> Side {
        match side {
            SideOf::Primary => self.primary,
            SideOf::Secondary => self.secondary,
        }
    }

    /// Whether it is an open delta or open wye: two units where a closed bank has three.
    pub fn is_open_bank(&self) -> bool {
        self.primary.form.is_open() || self.secondary.form.is_open()
    }

    /// The kVA that may pass through it; nothing where its nameplate does not say that.
    pub fn through_kva(&self) -> Option<f64> {
        let share = if self.is_open_bank() { OPEN_BANK_SHARE } else { 1.0 };
        self.kind.carries_its_kva().then_some(self.kva * share)
    }

    /// Rated line amperes of a side by kVA and volts.
    pub fn computed_a(&self, side: SideOf) -> Option<f64> {
        let (kva, volts) = (self.through_kva()?, self.side(side).volts);
        if self.phases == 1 {
            rated_current_single_phase(kva, volts)
        } else {
            rated_current_three_phase(kva, volts)
        }
    }

    /// Rated line amperes of a side: as the nameplate has them, else by kVA and volts.
    pub fn rated_a(&self, side: SideOf) -> Option<f64> {
        self.side(side).rated_a.or_else(|| self.computed_a(side))
    }

    /// By what its load with harmonics is bounded: its K-rating, the eddy loss that is given, that by the test report, or the usual
    /// share. Nothing where its kVA is not what its windings carry.
    pub fn spectrum_bound(&self) -> Option<KnownBound> {
        let liquid = self.cooling.is_liquid();
        let of = |bounded, by| Some(KnownBound { bounded, by });
        if !self.kind.carries_its_kva() {
            None
        } else if let Some(bounded) = Bounded::k_rated(self.k_rating) {
            of(bounded, BoundBy::KRating)
        } else if let Some(percent) = self.losses.eddy_percent {
            of(Bounded::of_eddy(percent / 100.0, liquid), BoundBy::Given)
        } else if let Some(bounded) = self.bound_by_report(liquid) {
            of(bounded, BoundBy::TestReport)
        } else {
            of(Bounded::usual(self.kva, liquid, None), BoundBy::Usual)
        }
    }

    /// Whether the losses of the test report fit together, if it gives the resistances: those lose no more than all of it.
    pub fn report_fits(&self) -> bool {
        let told = self.losses.load_w.is_some() && self.losses.resistances_ohm.is_some();
        !told || self.bound_by_report(self.cooling.is_liquid()).is_some()
    }

    fn bound_by_report(&self, liquid: bool) -> Option<Bounded> {
        let (load_loss_w, (primary_ohm, secondary_ohm)) = (self.losses.load_w?, self.losses.resistances_ohm?);
        let primary = (self.primary.volts, self.rated_a(SideOf::Primary)?, primary_ohm);
        let secondary = (self.secondary.volts, self.rated_a(SideOf::Secondary)?, secondary_ohm);
        let (high, low) = if primary.0 >= secondary.0 { (primary, secondary) } else { (secondary, primary) };
        let report = TestReport {
            load_loss_w,
            outer: (high.1, high.2),
            inner: (low.1, low.2),
            turns_ratio: high.0 / low.0,
            three_phases: self.phases == 3,
            eddy_part: eddy_part_of_stray(liquid),
        };
        let split = split(&report).ok()?;
        let eddy_pu = split.hottest_eddy_pu;
        Some(if liquid {
            Bounded::Liquid { eddy_pu, other_stray_pu: split.other_stray_w / split.copper_w }
        } else {
            Bounded::Dry { eddy_pu }
        })
    }
}
