//! Small damage to examples, the same for the same seed: what wires, disks and hands do to bytes.

use crate::wait::Chance;

/// No example grows beyond this by what is done to it: longer inputs only repeat what shorter ones show.
const MOST_BYTES: usize = 64 << 10;
/// The most single damages to one example.
const MOST_DAMAGES: u64 = 6;

/// Numbers at which readers of bytes and of text turn.
const EDGES: [&[u8]; 22] = [
    b"0",
    b"-0",
    b"-1",
    b"1e308",
    b"1e309",
    b"-1e309",
    b"nan",
    b"inf",
    b"9223372036854775807",
    b"-9223372036854775808",
    b"18446744073709551616",
    b"0x8000",
    b"65535",
    b"65536",
    b"4294967295",
    b"0.1e-400",
    b"\x00",
    b"\xff\xff",
    b"\x80\x00",
    b"\x7f\xff",
    b"\xef\xbb\xbf",
    b"\xf0\x9f\x94\xa5",
];

/// One damaged example: `examples` are those of its target, `which` the one to begin with.
pub fn damaged(examples: &[Vec<u8>], which: usize, seed: u64) -> Vec<u8> {
    let mut chance = Chance(seed);
    let mut bytes = examples[which].clone();
    for _ in 0..=chance.below(MOST_DAMAGES) {
        damage(&mut bytes, examples, &mut chance);
        bytes.truncate(MOST_BYTES);
    }
    bytes
}

fn damage(bytes: &mut Vec<u8>, examples: &[Vec<u8>], chance: &mut Chance) {
    let (from, to) = piece(bytes.len(), chance);
    match chance.below(9) {
        0 => {
            if let Some(byte) = bytes.get_mut(from) {
                *byte ^= 1 << chance.below(8);
            }
        }
        1 => {
            if let Some(byte) = bytes.get_mut(from) {
                *byte = chance.number() as u8;
            }
        }
        2 => bytes.truncate(from),
        3 => drop(bytes.drain(from..to)),
        4 => {
            let again = bytes[from..to].repeat(1 + chance.below(8) as usize);
            bytes.splice(from..from, again);
        }
        5 => {
            let other = &examples[chance.below(examples.len() as u64) as usize];
            let (begin, end) = piece(other.len(), chance);
            bytes.splice(from..to, other[begin..end].iter().copied());
        }
        6 => {
            let edge = EDGES[chance.below(EDGES.len() as u64) as usize];
            let (from, to) = number_near(bytes, from);
            bytes.splice(from..to, edge.iter().copied());
        }
        7 => bytes.insert(from, b"\"'[]{}=,;\n\r\t\\ .#:-+"[chance.below(19) as usize]),
        _ => line_elsewhere(bytes, from, chance),
    }
}

/// A piece of something so long, mostly a short one.
fn piece(length: usize, chance: &mut Chance) -> (usize, usize) {
    let from = chance.below(length as u64 + 1) as usize;
    let most = if chance.below(4) == 0 { length - from } else { 16.min(length - from) };
    (from, from + chance.below(most as u64 + 1) as usize)
}

/// The digits that begin at or after a place, or nothing at that place.
fn number_near(bytes: &[u8], from: usize) -> (usize, usize) {
    let Some(begin) = bytes[from..].iter().position(u8::is_ascii_digit).map(|ahead| from + ahead) else {
        return (from, from);
    };
    let digits = bytes[begin..].iter().take_while(|byte| byte.is_ascii_digit() || **byte == b'.').count();
    (begin, begin + digits)
}

/// Takes the line at a place and puts it elsewhere.
fn line_elsewhere(bytes: &mut Vec<u8>, at: usize, chance: &mut Chance) {
    let begin = bytes[..at].iter().rposition(|byte| *byte == b'\n').map_or(0, |newline| newline + 1);
    let end =
        bytes[begin..].iter().position(|byte| *byte == b'\n').map_or(bytes.len(), |ahead| begin + ahead + 1);
    let line: Vec<u8> = bytes.drain(begin..end).collect();
    let to = chance.below(bytes.len() as u64 + 1) as usize;
    bytes.splice(to..to, line);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_damages_alike_and_seeds_differ() {
        let examples = vec![b"kva = 75\nname = \"T2\"\n".to_vec(), Vec::new()];
        let run = |seed| damaged(&examples, 0, seed);
        assert_eq!(run(7), run(7));
        let different = (0..200).filter(|seed| run(*seed) != examples[0]).count();
        assert!(different > 150, "only {different} of 200 are damaged");
        assert!((0..200).any(|seed| !damaged(&examples, 1, seed).is_empty()), "an empty example grows too");
    }
}
