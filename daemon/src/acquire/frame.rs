//! The frames of Modbus TCP: how a question is written, and what may be taken for its answer. There are four
//! questions, functions 1 to 4, all of which read; no other function can be written down with these types.
//!
//! Source: Modbus application protocol V1.1b3; Modbus messaging on TCP/IP implementation guide V1.0b.

use kvarden_config::{MOST_BITS, MOST_REGISTERS, Registers};
use std::fmt;

/// The longest frame: a header of 7 bytes and a unit of 253.
pub(super) const LONGEST_FRAME: usize = 260;
/// Length of a question.
pub(super) const QUESTION: usize = 12;
/// Bytes of the header that come before the length counts.
const BEFORE_LENGTH: usize = 6;

/// What is asked of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Question {
    /// Of which unit.
    pub unit: u8,
    /// Which unit's identifier stands in the answer.
    pub answers_as: u8,
    /// Which table.
    pub registers: Registers,
    /// First register or bit.
    pub address: u16,
    /// How many.
    pub count: u16,
}

/// Why bytes are not the answer to a question.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Misfit {
    /// It carries the number of another question.
    Transaction,
    /// It is not of this protocol.
    Protocol,
    /// It says that it is longer or shorter than any answer is.
    Length,
    /// It comes from another unit.
    Unit,
    /// It answers another function.
    Function,
    /// Its parts contradict each other.
    Form,
    /// It holds more or fewer registers or bits than were asked for.
    Count,
}

impl Misfit {
    /// A short fixed phrase for people.
    pub fn phrase(self) -> &'static str {
        match self {
            Self::Transaction => "answer to another question",
            Self::Protocol => "answer that is not Modbus",
            Self::Length => "answer of impossible length",
            Self::Unit => "answer from another unit",
            Self::Function => "answer to another function",
            Self::Form => "answer that contradicts itself",
            Self::Count => "wrong number of registers in the answer",
        }
    }
}

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.phrase())
    }
}

/// What bytes are, as far as they have come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parsed {
    /// More bytes have to come.
    Partial,
    /// The answer; its values are written.
    Values,
    /// An exception of this code.
    Exception(u8),
    /// Not the answer.
    Misfit(Misfit),
}

/// The number of the function that reads a table.
fn function(registers: Registers) -> u8 {
    match registers {
        Registers::Coils => 1,
        Registers::DiscreteInputs => 2,
        Registers::Holding => 3,
        Registers::Input => 4,
    }
}

/// The most of a table that one question may ask for.
pub(super) fn most(registers: Registers) -> u16 {
    if registers.are_bits() { MOST_BITS } else { MOST_REGISTERS }
}

impl Question {
    /// The question as it goes over the wire, under a transaction number.
    pub fn frame(self, transaction: u16) -> [u8; QUESTION] {
        let mut frame = [0, 0, 0, 0, 0, 6, self.unit, function(self.registers), 0, 0, 0, 0];
        frame[..2].copy_from_slice(&transaction.to_be_bytes());
        frame[8..10].copy_from_slice(&self.address.to_be_bytes());
        frame[10..].copy_from_slice(&self.count.to_be_bytes());
        frame
    }

    /// What `bytes` are to this question, asked under `transaction`. Writes the values, one per register or bit, to
    /// the front of `values`, and only if everything fits. Of `bytes` only what belongs to the first frame is looked
    /// at; what can't become an answer is refused as soon as it shows, without waiting for its end.
    pub fn parse(self, transaction: u16, bytes: &[u8], values: &mut [u16]) -> Parsed {
        match self.fits(transaction, bytes) {
            Err(misfit) => Parsed::Misfit(misfit),
            Ok(None) => Parsed::Partial,
            Ok(Some(Content::Exception(code))) => Parsed::Exception(code),
            Ok(Some(Content::Data(data))) => {
                let Some(values) = values.get_mut(..usize::from(self.count)) else {
                    return Parsed::Misfit(Misfit::Count);
                };
                if self.registers.are_bits() {
                    for (nth, value) in values.iter_mut().enumerate() {
                        *value = data.get(nth / 8).map_or(0, |byte| u16::from(byte >> (nth % 8) & 1));
                    }
                } else {
                    for (value, pair) in values.iter_mut().zip(data.chunks_exact(2)) {
                        *value = u16::from_be_bytes([pair[0], pair[1]]);
                    }
                }
                Parsed::Values
            }
        }
    }

    fn fits(self, transaction: u16, bytes: &[u8]) -> Result<Option<Content<'_>>, Misfit> {
        let word = |at: usize| Some(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?]));
        let misfit = |wrong: bool, misfit: Misfit| if wrong { Err(misfit) } else { Ok(()) };
        misfit(word(0).is_some_and(|number| number != transaction), Misfit::Transaction)?;
        misfit(word(2).is_some_and(|protocol| protocol != 0), Misfit::Protocol)?;
        let Some(length) = word(4).map(usize::from) else { return Ok(None) };
        // Unit, function and at least one byte more; at most what a frame holds.
        misfit(!(3..=LONGEST_FRAME - BEFORE_LENGTH).contains(&length), Misfit::Length)?;
        misfit(bytes.get(6).is_some_and(|unit| *unit != self.answers_as), Misfit::Unit)?;
        let asked = function(self.registers);
        let Some(&answered) = bytes.get(7) else { return Ok(None) };
        misfit(answered & 0x7F != asked, Misfit::Function)?;
        let Some(frame) = bytes.get(..BEFORE_LENGTH + length) else { return Ok(None) };
        // What comes after a frame that was the only one asked for is nobody's answer.
        misfit(bytes.len() > frame.len(), Misfit::Form)?;
        if answered != asked {
            misfit(length != 3, Misfit::Form)?;
            return Ok(Some(Content::Exception(frame[8])));
        }
        let (told, data) = (usize::from(frame[8]), &frame[9..]);
        misfit(told != data.len(), Misfit::Form)?;
        let count = usize::from(self.count);
        let needed = if self.registers.are_bits() { count.div_ceil(8) } else { 2 * count };
        misfit(
            told != needed,
            if told % 2 == 1 && !self.registers.are_bits() { Misfit::Form } else { Misfit::Count },
        )?;
        Ok(Some(Content::Data(data)))
    }
}

enum Content<'b> {
    Exception(u8),
    Data(&'b [u8]),
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn asked(registers: Registers, count: u16) -> Question {
        Question { unit: 17, answers_as: 17, registers, address: 107, count }
    }

    /// Examples of the Modbus application protocol V1.1b3, sections 6.1 to 6.4, as frames of Modbus TCP.
    #[test]
    fn the_examples_of_the_protocol_are_written_and_read() {
        let mut values = [9; 40];
        let coils = Question { address: 0x13, ..asked(Registers::Coils, 0x13) };
        assert_eq!(coils.frame(1)[6..], [17, 1, 0, 0x13, 0, 0x13]);
        assert_eq!(
            coils.parse(1, &[0, 1, 0, 0, 0, 6, 17, 1, 3, 0xCD, 0x6B, 0x05], &mut values),
            Parsed::Values
        );
        // "Status of outputs 27-20 is CD hex, binary 1100 1101; output 27 is the most significant bit."
        assert_eq!(values[..19], [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]);
        let inputs = Question { address: 0xC4, ..asked(Registers::DiscreteInputs, 0x16) };
        assert_eq!(inputs.frame(1)[6..], [17, 2, 0, 0xC4, 0, 0x16]);
        assert_eq!(
            inputs.parse(1, &[0, 1, 0, 0, 0, 6, 17, 2, 3, 0xAC, 0xDB, 0x35], &mut values),
            Parsed::Values
        );
        assert_eq!(values[..8], [0, 0, 1, 1, 0, 1, 0, 1]);
        let holding = Question { address: 0x6B, ..asked(Registers::Holding, 3) };
        assert_eq!(holding.frame(0x1501), [0x15, 1, 0, 0, 0, 6, 17, 3, 0, 0x6B, 0, 3]);
        let answer = [0x15, 1, 0, 0, 0, 9, 17, 3, 6, 2, 0x2B, 0, 0, 0, 0x64];
        assert_eq!(holding.parse(0x1501, &answer, &mut values), Parsed::Values);
        assert_eq!(values[..3], [555, 0, 100]);
        let input = Question { address: 8, ..asked(Registers::Input, 1) };
        assert_eq!(input.frame(7)[6..], [17, 4, 0, 8, 0, 1]);
        assert_eq!(input.parse(7, &[0, 7, 0, 0, 0, 5, 17, 4, 2, 0, 10], &mut values), Parsed::Values);
        assert_eq!(values[0], 10);
    }

    #[test]
    fn no_table_is_read_by_a_function_that_writes() {
        for registers in [Registers::Coils, Registers::DiscreteInputs, Registers::Holding, Registers::Input] {
            assert!((1..=4).contains(&asked(registers, 1).frame(0)[7]));
        }
    }

    /// Seen to fail without the look at the transaction number.
    #[test]
    fn what_does_not_fit_is_refused_by_name() {
        let question = asked(Registers::Holding, 2);
        let good = [0, 5, 0, 0, 0, 7, 17, 3, 4, 0, 1, 0, 2];
        let mut values = [0; 2];
        assert_eq!(question.parse(5, &good, &mut values), Parsed::Values);
        let check = |changes: &[(usize, u8)], cut: usize, misfit: Misfit| {
            let mut bytes = good.to_vec();
            bytes.extend([0; 20]);
            bytes.truncate(cut);
            for (at, byte) in changes {
                bytes[*at] = *byte;
            }
            let mut values = [7; 2];
            assert_eq!(question.parse(5, &bytes, &mut values), Parsed::Misfit(misfit), "{changes:?}");
            assert_eq!(values, [7; 2], "nothing is written");
        };
        check(&[(1, 4)], 13, Misfit::Transaction);
        check(&[(2, 1)], 13, Misfit::Protocol);
        check(&[(4, 0xFF), (5, 0xFF)], 13, Misfit::Length);
        check(&[(4, 0), (5, 2)], 8, Misfit::Length);
        check(&[(5, 255)], 13, Misfit::Length);
        check(&[(6, 18)], 13, Misfit::Unit);
        check(&[(7, 4)], 13, Misfit::Function);
        check(&[(7, 6)], 13, Misfit::Function);
        check(&[(8, 3)], 13, Misfit::Form);
        check(&[(5, 6), (8, 3)], 12, Misfit::Form);
        check(&[], 14, Misfit::Form);
        check(&[(5, 5), (8, 2)], 11, Misfit::Count);
        check(&[(5, 9), (8, 6)], 15, Misfit::Count);
        check(&[(7, 0x83), (5, 4)], 10, Misfit::Form);
        // More bytes than the count says, and as many as the count says but more than asked for.
        check(&[(5, 9)], 15, Misfit::Form);
        check(&[(5, 6)], 12, Misfit::Form);
    }

    /// Bits come eight to a byte: a byte too few or too many is not the answer. Seen to fail without the look at the
    /// number of bytes that the question needs.
    #[test]
    fn fewer_or_more_bits_than_asked_for_are_refused() {
        let mut values = [7; 32];
        for (count, bytes, fits) in [
            (1, 1, true),
            (8, 1, true),
            (9, 1, false),
            (9, 2, true),
            (9, 3, false),
            (16, 2, true),
            (17, 2, false),
        ] {
            let question = asked(Registers::Coils, count);
            let mut frame = vec![0, 5, 0, 0, 0, 3 + bytes, 17, 1, bytes];
            frame.resize(9 + usize::from(bytes), 0xFF);
            let expected = if fits { Parsed::Values } else { Parsed::Misfit(Misfit::Count) };
            assert_eq!(question.parse(5, &frame, &mut values), expected, "{bytes} bytes for {count} bits");
        }
    }

    #[test]
    fn a_gateway_may_answer_under_a_unit_of_its_own_if_the_configuration_says_so() {
        let answer = [0, 5, 0, 0, 0, 5, 255, 3, 2, 0, 9];
        let plain = asked(Registers::Holding, 1);
        assert_eq!(plain.parse(5, &answer, &mut [0]), Parsed::Misfit(Misfit::Unit));
        let question = Question { answers_as: 255, ..plain };
        assert_eq!(question.frame(5)[6], 17, "asked by its own");
        assert_eq!(question.parse(5, &answer, &mut [0]), Parsed::Values);
    }

    #[test]
    fn an_exception_gives_its_code() {
        let question = asked(Registers::Holding, 1);
        assert_eq!(question.parse(5, &[0, 5, 0, 0, 0, 3, 17, 0x83, 2], &mut [0]), Parsed::Exception(2));
    }

    proptest! {
        #[test]
        fn an_answer_is_partial_until_its_last_byte(words in proptest::collection::vec(any::<u16>(), 1..=125)) {
            let question = asked(Registers::Input, words.len() as u16);
            let mut frame = vec![0, 5, 0, 0, 0, (3 + 2 * words.len()) as u8, 17, 4, (2 * words.len()) as u8];
            frame.extend(words.iter().flat_map(|word| word.to_be_bytes()));
            let mut values = vec![0; words.len()];
            for cut in 0..frame.len() {
                prop_assert_eq!(question.parse(5, &frame[..cut], &mut values), Parsed::Partial);
            }
            prop_assert_eq!(question.parse(5, &frame, &mut values), Parsed::Values);
            prop_assert_eq!(values, words);
        }

        #[test]
        fn any_bytes_are_something(bytes in proptest::collection::vec(any::<u8>(), 0..=300), count in 1u16..=2000) {
            for registers in [Registers::Coils, Registers::Holding] {
                let mut values = vec![0; usize::from(count)];
                asked(registers, count).parse(5, &bytes, &mut values);
            }
        }
    }
}
