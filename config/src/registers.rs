//! How a meter is read over Modbus TCP: where it is, and where each of its values lies in its tables.

use kvarden_core::measurand::{Kind, Measurand};
use kvarden_core::time::Span;

/// The most registers of one request. Source: Modbus application protocol V1.1b3, functions 3 and 4.
pub const MOST_REGISTERS: u16 = 125;
/// The most coils or discrete inputs of one request. Source: as above, functions 1 and 2.
pub const MOST_BITS: u16 = 2000;

/// How a meter is polled.
#[derive(Debug, Clone, PartialEq)]
pub struct ModbusSpec {
    /// `host:port`.
    pub address: String,
    /// Unit identifier.
    pub unit: u8,
    /// The unit identifier that stands in its answers; behind some gateways not the one that was asked.
    pub answers_as: u8,
    /// From poll to poll.
    pub every: Span,
    /// What one request may span.
    pub reach: Reach,
    /// In the order of the meter's points.
    pub points: Vec<RegisterPoint>,
    /// The SunSpec model that the points lie in. Their addresses then count from the model's header, and where
    /// that stands is found in the device.
    pub sunspec: Option<OneModel>,
}

/// One of the SunSpec models of a device: several meters in one device have models of one number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct OneModel {
    /// Its number.
    pub id: u16,
    /// Which of those with this number, in their order in the device, from 1.
    pub nth: u16,
}

/// What one request may span.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reach {
    /// So many registers (or bits) that no point names may be read along, to save a request.
    pub gap: u16,
    /// So many registers at most. Some meters answer less than the protocol allows.
    pub most: u16,
}

impl Default for Reach {
    fn default() -> Self {
        Self { gap: 0, most: MOST_REGISTERS }
    }
}

/// Where one value lies in a meter's tables.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterPoint {
    /// Which table.
    pub registers: Registers,
    /// Protocol address of its first register or bit, counted from 0.
    pub address: u16,
    /// How the number is written.
    pub kind: NumberKind,
    /// In which order its registers and their bytes stand.
    pub order: Order,
    /// A second number of this kind, so many registers after the first one, is added to it: only both make a value.
    pub added_at: Option<u16>,
    /// Only these bits of the number, if not all.
    pub bits: Option<Bits>,
    /// The raw number times this …
    pub scale: f64,
    /// … and times what this register says …
    pub scale_register: Option<ScaleRegister>,
    /// … plus this is the value in the measurand's unit.
    pub offset: f64,
    /// Raw numbers that mean "no value", as the bits of their kind.
    pub absent: Vec<u64>,
    /// What its raw number needs besides.
    pub special: Special,
}

impl RegisterPoint {
    /// A number as it stands, high word and high byte first.
    pub fn plain(registers: Registers, address: u16, kind: NumberKind) -> Self {
        Self {
            registers,
            address,
            kind,
            order: Order::default(),
            added_at: None,
            bits: None,
            scale: 1.0,
            scale_register: None,
            offset: 0.0,
            absent: Vec::new(),
            special: Special::None,
        }
    }
}

impl RegisterPoint {
    /// How many registers or bits must be read for it, from its address on.
    pub fn extent(&self) -> u16 {
        self.added_at.unwrap_or(0) + self.kind.registers()
    }

    /// The first value that a counter in these registers can't show, as wide as they are: what a meter does that says
    /// nothing else. `None` for what is no counter, a float, or scaled by another register.
    pub(crate) fn counts_to(&self, what: Measurand) -> Option<f64> {
        let whole = !self.kind.is_float() && self.bits.is_none() && self.scale_register.is_none();
        let end = (self.kind.raw_range().1 + 1) as f64 * self.scale + self.offset;
        (what.kind() == Kind::Counter && whole && self.scale > 0.0).then_some(end)
    }
}

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Registers {
    /// Coils, one bit each (function 1).
    Coils,
    /// Discrete inputs, one bit each (function 2).
    DiscreteInputs,
    /// Holding registers (function 3).
    Holding,
    /// Input registers (function 4).
    Input,
}

impl Registers {
    /// Whether an address holds one bit, not a register of sixteen.
    pub fn are_bits(self) -> bool {
        matches!(self, Self::Coils | Self::DiscreteInputs)
    }
}

/// How a number is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NumberKind {
    /// One coil or discrete input: 0 or 1.
    Bit,
    /// One register, not negative.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, not negative.
    U32,
    /// Two registers, two's complement.
    I32,
    /// Two registers, IEEE 754 single.
    F32,
    /// Four registers, not negative.
    U64,
    /// Four registers, two's complement.
    I64,
    /// Four registers, IEEE 754 double.
    F64,
}

impl NumberKind {
    /// How many addresses it takes.
    pub fn registers(self) -> u16 {
        match self {
            Self::Bit | Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
            Self::U64 | Self::I64 | Self::F64 => 4,
        }
    }

    /// How many bits it has.
    pub fn width(self) -> u8 {
        match self {
            Self::Bit => 1,
            _ => self.registers() as u8 * 16,
        }
    }

    /// Whether it is a whole number without a sign.
    pub fn is_unsigned(self) -> bool {
        matches!(self, Self::Bit | Self::U16 | Self::U32 | Self::U64)
    }

    /// Whether it is a number of IEEE 754.
    pub fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }

    /// The least and the greatest raw number; of a float the least and the greatest of its bits.
    pub fn raw_range(self) -> (i128, i128) {
        let values = 1i128 << self.width();
        if self.is_unsigned() || self.is_float() { (0, values - 1) } else { (-values / 2, values / 2 - 1) }
    }

    /// A raw number as the bits of this kind.
    pub fn bits_of(self, raw: i128) -> u64 {
        (raw as u64) & (u64::MAX >> (64 - self.width()))
    }
}

/// In which order the parts of a number stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Order {
    /// Its registers.
    pub words: WordOrder,
    /// The two bytes of each register.
    pub bytes: ByteOrder,
}

/// In which order the registers of a number stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WordOrder {
    /// The highest at the lowest address, as the protocol has it.
    #[default]
    HighFirst,
    /// The lowest at the lowest address.
    LowFirst,
    /// Of four: the high two first, and of each two the low one first. Of two: the low one first.
    LowFirstInPairs,
    /// Of four: the low two first, and of each two the high one first. Of two: the high one first.
    LowPairFirst,
}

/// In which order the two bytes of a register stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ByteOrder {
    /// The high one first, as the protocol has it.
    #[default]
    HighFirst,
    /// The low one first.
    LowFirst,
}

/// Some bits of a number, counted from 0, the lowest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bits {
    /// The lowest.
    pub first: u8,
    /// The highest, which belongs to them.
    pub last: u8,
}

/// A register that says by what a number is to be multiplied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScaleRegister {
    /// Protocol address, in the table of the point.
    pub address: u16,
    /// How it is written.
    pub kind: NumberKind,
    /// In which order.
    pub order: Order,
    /// What it says.
    pub says: Scaling,
}

/// What a scale register says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scaling {
    /// A power of ten, -10 to 10; anything else is no value.
    PowerOfTen,
    /// The factor itself; 0 is no value.
    Factor,
}

/// What a raw number needs besides scale and offset.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Special {
    /// Nothing.
    #[default]
    None,
    /// A counter whose 0 means "not implemented" until it was seen to move.
    ZeroUntilMoved,
    /// A power factor that is given in percent or as a ratio, whichever the meter prefers.
    PercentOrRatio,
}
