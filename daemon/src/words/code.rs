//! A short code by which people name an alert on a phone or on the command line.

/// Crockford's base 32: no I, L, O or U, so that nobody misreads one.
const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Length of a code: 30 bits. Ten thousand alerts give a pair with the same code in about one of twenty books.
const LENGTH: u32 = 6;

/// The code of an alert, from its id: always the same, six characters.
pub fn code(alert: &str) -> String {
    let hash = fingerprint(alert);
    // Folded, because the upper bits of FNV move little when only the last character differs.
    let folded = hash ^ (hash >> 30) ^ (hash >> 60);
    (0..LENGTH).rev().map(|place| char::from(DIGITS[(folded >> (5 * place)) as usize & 31])).collect()
}

/// The 64-bit FNV-1a hash of a text. Source: Fowler, Noll and Vo's published constants (from memory).
pub fn fingerprint(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn the_hash_gives_the_published_values() {
        assert_eq!(fingerprint(""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fingerprint("a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fingerprint("foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn a_code_stays_the_same_and_near_ids_differ() {
        assert_eq!(code("T2/MP-3 voltage_unbalance_percent#1"), code("T2/MP-3 voltage_unbalance_percent#1"));
        let codes: HashSet<String> =
            (0..1000).map(|n| code(&format!("T2/MP-3 voltage_unbalance_percent#{n}"))).collect();
        assert_eq!(codes.len(), 1000);
        for code in codes {
            assert_eq!(code.len(), 6);
            assert!(code.bytes().all(|digit| DIGITS.contains(&digit)), "{code}");
        }
    }
}
