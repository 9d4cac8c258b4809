//! A signed link: for one alert and one person, until a moment. Nothing is kept of it: what it holds is in it.

use super::key::LENGTH;
use crate::words::fingerprint;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use kvarden_core::time::{EventTime, Span};
use ring::hmac;
use std::fmt;
use std::sync::Arc;

/// What stands before the token in the address.
pub(super) const PATH: &str = "/seen/";
/// The longest token that is looked at: that of the longest name that the configuration takes, with room.
const MOST_TOKEN: usize = 600;
/// Bytes before the person's name: which alert, until when, and the signature.
const WHICH: usize = 8;
const UNTIL: usize = 4;
const TAG: usize = 32;
/// Ends are kept in minutes: four bytes reach far beyond any box.
const MINUTE: i64 = 60_000;

/// Signs links and reads them.
#[derive(Clone)]
pub struct Signer(Arc<Inside>);

struct Inside {
    key: hmac::Key,
    url: String,
    lasts: Span,
    book: String,
}

/// What a link says, once its signature is found right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Claim {
    /// The alert's fingerprint.
    pub(super) which: u64,
    /// Until when it holds.
    pub(super) until: EventTime,
    /// Whose it is.
    pub(super) person: String,
}

impl Signer {
    /// Signs links under `url` that hold for `lasts`, for the alerts of this book.
    pub fn new(key: &[u8; LENGTH], url: &str, lasts: Span, book: &str) -> Self {
        let key = hmac::Key::new(hmac::HMAC_SHA256, key);
        let (url, book) = (url.trim_end_matches('/').to_owned(), book.to_owned());
        Self(Arc::new(Inside { key, url, lasts, book }))
    }

    /// The link for one person to one alert, in a letter that was written then.
    pub fn link(&self, alert: &str, person: &str, written: EventTime) -> String {
        let until = (written + self.0.lasts).0.div_euclid(MINUTE) + 1;
        let until = u32::try_from(until.max(0)).unwrap_or(u32::MAX).to_be_bytes();
        let which = fingerprint(alert).to_be_bytes();
        let tag = hmac::sign(&self.0.key, &self.signed(&which, &until, person));
        let token = [&which[..], &until[..], tag.as_ref(), person.as_bytes()].concat();
        format!("{}{PATH}{}", self.0.url, URL_SAFE_NO_PAD.encode(token))
    }

    /// What is signed. The parts before the name have fixed lengths, so no two links sign the same.
    fn signed(&self, which: &[u8], until: &[u8], person: &str) -> Vec<u8> {
        let book = fingerprint(&self.0.book).to_be_bytes();
        [b"acknowledge".as_slice(), &book, which, until, person.as_bytes()].concat()
    }

    /// What a token says; nothing where it was not signed here.
    pub(super) fn read(&self, token: &str) -> Option<Claim> {
        let bytes = URL_SAFE_NO_PAD.decode(Some(token).filter(|token| token.len() <= MOST_TOKEN)?).ok()?;
        let (which, rest) = bytes.split_at_checked(WHICH)?;
        let (until, rest) = rest.split_at_checked(UNTIL)?;
        let (tag, person) = rest.split_at_checked(TAG)?;
        let person = std::str::from_utf8(person).ok()?;
        hmac::verify(&self.0.key, &self.signed(which, until, person), tag).ok()?;
        Some(Claim {
            which: u64::from_be_bytes(which.try_into().ok()?),
            until: EventTime(i64::from(u32::from_be_bytes(until.try_into().ok()?)) * MINUTE),
            person: person.to_owned(),
        })
    }
}

impl fmt::Debug for Signer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Signer").field("url", &self.0.url).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signer(key: u8, book: &str) -> Signer {
        Signer::new(&[key; LENGTH], "https://kvarden.larkspur.example/", Span::hours(24), book)
    }

    fn token(link: &str) -> &str {
        link.rsplit('/').next().unwrap()
    }

    #[test]
    fn a_link_says_which_alert_whose_it_is_and_until_when() {
        let link = signer(1, "k7").link("T2/MP-3#1", "Inés Ågren", EventTime(1_764_000_000_000));
        assert!(link.starts_with("https://kvarden.larkspur.example/seen/"), "{link}");
        assert!(link.len() < 140, "{link}");
        let claim = signer(1, "k7").read(token(&link)).unwrap();
        assert_eq!((claim.which, claim.person.as_str()), (fingerprint("T2/MP-3#1"), "Inés Ågren"));
        let until = claim.until - EventTime(1_764_000_000_000);
        assert!((Span::hours(24)..=Span::hours(24) + Span::minutes(1)).contains(&until), "{until:?}");
    }

    /// Guard: the signature.
    #[test]
    fn whatever_is_changed_of_a_link_it_is_not_taken() {
        let signer = signer(1, "k7");
        let link = signer.link("T2/MP-3#1", "Ines", EventTime(1_764_000_000_000));
        let good = URL_SAFE_NO_PAD.decode(token(&link)).unwrap();
        for place in 0..good.len() {
            for bit in 0..8 {
                let mut bad = good.clone();
                bad[place] ^= 1 << bit;
                assert_eq!(signer.read(&URL_SAFE_NO_PAD.encode(&bad)), None, "byte {place}, bit {bit}");
            }
        }
        for length in 0..good.len() {
            assert_eq!(signer.read(&URL_SAFE_NO_PAD.encode(&good[..length])), None);
        }
        assert_eq!(signer.read(&URL_SAFE_NO_PAD.encode([good.as_slice(), b"x"].concat())), None);
        for text in ["", "?", "ä", "=====", &"A".repeat(MOST_TOKEN + 4)] {
            assert_eq!(signer.read(text), None);
        }
        assert_eq!(super::tests::signer(2, "k7").read(token(&link)), None, "another key");
        assert_eq!(super::tests::signer(1, "k8").read(token(&link)), None, "another book");
    }
}
