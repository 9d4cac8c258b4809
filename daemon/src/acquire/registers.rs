//! Registers to numbers: what a register map says about one value, and nothing about where it came from.

use kvarden_config::{NumberKind, RegisterPoint, WordOrder};
use kvarden_core::reading::Sample;

/// The number that registers hold, before scale and offset; `None` if there are fewer than it takes.
///
/// * `words` – registers in the order of their addresses; more than it takes are not looked at.
/// * `order` – which of two registers holds the high half; without meaning for one register.
///
/// Whole numbers are two's complement, `F32` is IEEE 754 binary32, which may be infinite or not a number.
///
/// ```
/// use kvarden::acquire::registers::raw_number;
/// use kvarden_config::{NumberKind, WordOrder};
/// assert_eq!(raw_number(NumberKind::I32, WordOrder::HighFirst, &[65535, 65336]), Some(-200.0));
/// ```
pub fn raw_number(kind: NumberKind, order: WordOrder, words: &[u16]) -> Option<f64> {
    let bits = bits(kind, order, words)?;
    Some(match kind {
        NumberKind::F32 => f64::from(f32::from_bits(bits)),
        _ => whole(kind, bits) as f64,
    })
}

/// The registers of one number put together; one register leaves the high half empty.
fn bits(kind: NumberKind, order: WordOrder, words: &[u16]) -> Option<u32> {
    let join = |high: u16, low: u16| u32::from(high) << 16 | u32::from(low);
    match (kind.registers(), order, words) {
        (1, _, [only, ..]) => Some(u32::from(*only)),
        (2, WordOrder::HighFirst, [high, low, ..]) | (2, WordOrder::LowFirst, [low, high, ..]) => {
            Some(join(*high, *low))
        }
        _ => None,
    }
}

/// The whole number that the bits mean; the 32 bits themselves for `F32`.
fn whole(kind: NumberKind, bits: u32) -> i64 {
    match kind {
        NumberKind::I16 => i64::from(bits as u16 as i16),
        NumberKind::I32 => i64::from(bits as i32),
        NumberKind::U16 | NumberKind::U32 | NumberKind::F32 => i64::from(bits),
    }
}

/// How one value is made from its registers; compiled once from the map.
#[derive(Debug, Clone)]
pub struct Decoder {
    kind: NumberKind,
    order: WordOrder,
    scale: f64,
    offset: f64,
    absent: Box<[i64]>,
}

impl Decoder {
    /// What the map says of one point.
    pub fn new(point: &RegisterPoint) -> Self {
        Self {
            kind: point.kind,
            order: point.word_order,
            scale: point.scale,
            offset: point.offset,
            absent: point.absent.as_slice().into(),
        }
    }

    /// The value in the measurand's unit. Absent: a number that the map says means "no value", not a number,
    /// infinite, or fewer registers than the number takes.
    pub fn sample(&self, words: &[u16]) -> Sample {
        let Some(bits) = bits(self.kind, self.order, words) else { return Sample::ABSENT };
        let whole = whole(self.kind, bits);
        if self.absent.contains(&whole) {
            return Sample::ABSENT;
        }
        let raw = if self.kind == NumberKind::F32 { f64::from(f32::from_bits(bits)) } else { whole as f64 };
        Sample::new(raw * self.scale + self.offset)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_config::Registers;
    use proptest::prelude::*;

    fn point(kind: NumberKind, word_order: WordOrder) -> RegisterPoint {
        let registers = Registers::Holding;
        RegisterPoint { registers, address: 0, kind, word_order, scale: 1.0, offset: 0.0, absent: vec![] }
    }

    fn check(kind: NumberKind, order: WordOrder, words: &[u16], expected: Option<f64>) {
        assert_eq!(
            Decoder::new(&point(kind, order)).sample(words).get(),
            expected,
            "{kind:?} {order:?} {words:?}"
        );
    }

    #[test]
    fn one_register_is_read_with_and_without_a_sign() {
        check(NumberKind::U16, WordOrder::HighFirst, &[65_336], Some(65_336.0));
        check(NumberKind::I16, WordOrder::HighFirst, &[65_336], Some(-200.0));
        check(NumberKind::I16, WordOrder::LowFirst, &[0x8000], Some(-32_768.0));
    }

    #[test]
    fn two_registers_follow_their_word_order() {
        check(NumberKind::U32, WordOrder::HighFirst, &[1, 2], Some(65_538.0));
        check(NumberKind::U32, WordOrder::LowFirst, &[1, 2], Some(131_073.0));
        check(NumberKind::I32, WordOrder::HighFirst, &[65_535, 65_336], Some(-200.0));
        check(NumberKind::I32, WordOrder::LowFirst, &[65_336, 65_535], Some(-200.0));
        let volts = Some(f64::from(238.4_f32));
        check(NumberKind::F32, WordOrder::HighFirst, &[17_262, 26_214], volts);
        check(NumberKind::F32, WordOrder::LowFirst, &[26_214, 17_262], volts);
    }

    #[test]
    fn a_float_that_is_no_number_is_absent() {
        for words in [[32_704, 0], [0x7F80, 0], [0xFF80, 0], [0xFFFF, 0xFFFF], [0x7F80, 1]] {
            check(NumberKind::F32, WordOrder::HighFirst, &words, None);
        }
    }

    #[test]
    fn a_number_that_the_map_calls_absent_is_absent_before_it_is_scaled() {
        let mut of = point(NumberKind::I16, WordOrder::HighFirst);
        (of.scale, of.offset, of.absent) = (0.1, -40.0, vec![-32_768, 32_767]);
        let decoder = Decoder::new(&of);
        assert_eq!(decoder.sample(&[0x8000]).get(), None);
        assert_eq!(decoder.sample(&[0x7FFF]).get(), None);
        assert_eq!(decoder.sample(&[650]).get(), Some(25.0));
        let mut of = point(NumberKind::F32, WordOrder::HighFirst);
        of.absent = vec![0xC61C_3C00];
        assert_eq!(Decoder::new(&of).sample(&[0xC61C, 0x3C00]).get(), None, "-9999.0 by its 32 bits");
    }

    #[test]
    fn too_few_registers_are_absent_and_never_a_panic() {
        check(NumberKind::U16, WordOrder::HighFirst, &[], None);
        check(NumberKind::F32, WordOrder::LowFirst, &[17_262], None);
    }

    proptest! {
        #[test]
        fn what_a_meter_writes_is_what_is_read(value in any::<i32>(), float in any::<f32>()) {
            let words = |bits: u32| [(bits >> 16) as u16, bits as u16];
            let swapped = |bits: u32| [bits as u16, (bits >> 16) as u16];
            let exact = Some(f64::from(value));
            prop_assert_eq!(raw_number(NumberKind::I32, WordOrder::HighFirst, &words(value as u32)), exact);
            prop_assert_eq!(raw_number(NumberKind::I32, WordOrder::LowFirst, &swapped(value as u32)), exact);
            let sample = Decoder::new(&point(NumberKind::F32, WordOrder::HighFirst)).sample(&words(float.to_bits()));
            prop_assert_eq!(sample.get(), float.is_finite().then_some(f64::from(float)));
        }
    }
}
