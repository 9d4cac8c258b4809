//! When certificates end, told in good time.

use kvarden_core::time::{EventTime, Span};
use std::collections::HashMap;
use tokio_rustls::rustls::pki_types::CertificateDer;
use x509_cert::Certificate;
use x509_cert::der::Decode;

/// So long before its end a certificate is spoken of: time to order a new one and to bring it to the box.
const BEFORE: Span = Span::hours(30 * 24);
/// And so often.
const AGAIN: Span = Span::hours(24);

/// When a certificate ends; `None` if that can't be read.
pub(super) fn end_of(certificate: &CertificateDer<'_>) -> Option<EventTime> {
    let certificate = Certificate::from_der(certificate).ok()?;
    let end = certificate.tbs_certificate.validity.not_after.to_unix_duration();
    i64::try_from(end.as_millis()).ok().map(EventTime)
}

/// Remembers which ends were told.
#[derive(Debug, Default)]
pub(super) struct Ends {
    told: HashMap<&'static str, EventTime>,
}

impl Ends {
    /// Whether the end of a certificate is to be told now: gives how long it still holds, which may be less than
    /// nothing. `whose` names it.
    pub(super) fn due(&mut self, whose: &'static str, end: EventTime, now: EventTime) -> Option<Span> {
        let left = end - now;
        if left > BEFORE || self.told.get(whose).is_some_and(|told| now - *told < AGAIN) {
            return None;
        }
        self.told.insert(whose, now);
        Some(left)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seen to fail without the thirty days.
    #[test]
    fn an_end_is_told_thirty_days_before_and_then_each_day() {
        let day = |days: i64| EventTime(0) + Span::hours(24 * days);
        let mut ends = Ends::default();
        let end = day(100);
        assert_eq!(ends.due("ours", end, day(69)), None);
        assert_eq!(ends.due("ours", end, day(70)), Some(Span::hours(24 * 30)));
        assert_eq!(ends.due("ours", end, day(70) + Span::hours(23)), None);
        assert_eq!(ends.due("theirs", end, day(70)), Some(Span::hours(24 * 30)), "each for itself");
        assert_eq!(ends.due("ours", end, day(71)), Some(Span::hours(24 * 29)));
        assert_eq!(ends.due("ours", end, day(101)), Some(Span::hours(-24)));
    }
}
