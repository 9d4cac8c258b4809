//! What any phone can show: the 7-bit alphabet of short messages, and names shortened so that they stay known.

/// Beyond ASCII, what the basic table of the 7-bit alphabet holds. Source: 3GPP TS 23.038 (from memory).
const BEYOND_ASCII: &str = "£¥èéùìòÇØøÅåΔΦΓΛΩΠΨΣΘΞÆæßÉÄÖÑÜ§¿äöñüà¡¤";
/// ASCII that costs two places there or is missing, with what stands for it.
const COSTLY: &[(char, &str)] = &[
    ('[', "("),
    (']', ")"),
    ('{', "("),
    ('}', ")"),
    ('~', "-"),
    ('\\', "/"),
    ('|', "/"),
    ('^', ""),
    ('`', "'"),
];
/// Common signs and letters outside, with what stands for them.
const OTHERS: &[(&str, &str)] = &[
    ("°", "deg "),
    ("–—−‑", "-"),
    ("’‘", "'"),
    ("“”„«»", "\""),
    ("…", ".."),
    ("áâãāą", "a"),
    ("ÀÁÂÃ", "A"),
    ("çćč", "c"),
    ("ĆČ", "C"),
    ("êëēęě", "e"),
    ("ÈÊË", "E"),
    ("íîï", "i"),
    ("ÍÎÏ", "I"),
    ("ł", "l"),
    ("Ł", "L"),
    ("ńň", "n"),
    ("óôõő", "o"),
    ("ÓÔÕ", "O"),
    ("ř", "r"),
    ("śš", "s"),
    ("ŚŠ", "S"),
    ("úûűů", "u"),
    ("ÚÛÙ", "U"),
    ("ýÿ", "y"),
    ("źżž", "z"),
    ("ŹŻŽ", "Z"),
    ("\u{a0}\t\r\n", " "),
];

/// `text` in the 7-bit alphabet; what has no likeness there becomes a question mark.
pub fn plain(text: &str) -> String {
    let mut said = String::with_capacity(text.len());
    for sign in text.chars() {
        let costly = COSTLY.iter().find(|(from, _)| *from == sign).map(|(_, to)| *to);
        match costly.or_else(|| OTHERS.iter().find(|(from, _)| from.contains(sign)).map(|(_, to)| *to)) {
            Some(likeness) => said.push_str(likeness),
            None if sign.is_ascii_graphic() || sign == ' ' || BEYOND_ASCII.contains(sign) => said.push(sign),
            None => said.push('?'),
        }
    }
    said
}

/// `text` in at most `room` characters (of at least 4), its middle left out: both ends tell names apart.
pub fn clipped(text: &str, room: usize) -> String {
    let length = text.chars().count();
    let room = room.max(4);
    if length <= room {
        return text.to_owned();
    }
    let (head, tail) = ((room - 2) / 2, (room - 2).div_ceil(2));
    let first: String = text.chars().take(head).collect();
    let last: String = text.chars().skip(length - tail).collect();
    format!("{first}..{last}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_readable_on_any_phone() {
        assert_eq!(plain("Kühlhaus – łódź [T2] 90 °C\n"), "Kühlhaus - lodz (T2) 90 deg C ");
        assert_eq!(plain("变压器 T2"), "??? T2");
        assert_eq!(plain("\u{0}\u{1b}"), "??");
    }

    #[test]
    fn a_long_name_keeps_both_ends() {
        assert_eq!(clipped("Transformer in the north packing hall T2", 20), "Transform..g hall T2");
        assert_eq!(clipped("T2", 20), "T2");
        assert_eq!(clipped("ääääää", 5), "ä..ää");
    }
}
