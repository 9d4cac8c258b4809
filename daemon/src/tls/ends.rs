//! When certificates end, told in good time.

use super::Client;
use kvarden_core::input::{Certificate, Part};
use kvarden_core::time::{EventTime, Span};
use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use tokio_rustls::rustls::pki_types::CertificateDer;
use x509_cert::der::Decode;

/// So long before its end a certificate is spoken of: time to order a new one and to bring it to the box. Of several in
/// one file the one that ends last counts: old and new may stand side by side while they are changed.
const BEFORE: Span = Span::hours(30 * 24);

/// When a certificate ends; `None` if that can't be read.
pub(super) fn end_of(certificate: &CertificateDer<'_>) -> Option<EventTime> {
    let certificate = x509_cert::Certificate::from_der(certificate).ok()?;
    let end = certificate.tbs_certificate.validity.not_after.to_unix_duration();
    i64::try_from(end.as_millis()).ok().map(EventTime)
}

/// When the certificates end that the link to a broker hangs on. Shared by all links to it.
#[derive(Debug, Default)]
pub struct Ends {
    known: RefCell<BTreeMap<Certificate, EventTime>>,
    /// Which were found to end soon when they were last looked at.
    soon: RefCell<BTreeSet<Certificate>>,
    /// The broker has shown its certificate, or never will.
    shown: Cell<bool>,
}

impl Ends {
    /// Of a link with these; without one nothing ends.
    pub fn of(client: Option<&Client>) -> Self {
        let ends = Self { shown: Cell::new(client.is_none()), ..Self::default() };
        let known = client.into_iter().flat_map(|client| client.ends.iter().copied());
        ends.known.borrow_mut().extend(known);
        ends
    }

    /// The broker has shown a certificate that ends then; `None`: that can't be read.
    pub(super) fn shown(&self, end: Option<EventTime>) {
        self.shown.set(true);
        let mut known = self.known.borrow_mut();
        match end {
            Some(end) => drop(known.insert(Certificate::Broker, end)),
            None => drop(known.remove(&Certificate::Broker)),
        }
    }

    /// Whether each holds for long enough at `now`, for its alarm. What is found to end soon is logged with its day.
    pub fn look(&self, now: EventTime) -> Vec<(Part, bool)> {
        let (known, mut soon) = (self.known.borrow(), self.soon.borrow_mut());
        let mut found = Vec::with_capacity(Certificate::ALL.len());
        for whose in Certificate::ALL {
            if whose == Certificate::Broker && !self.shown.get() {
                continue;
            }
            let ends_soon = known.get(&whose).is_some_and(|end| *end - now <= BEFORE);
            if !ends_soon {
                soon.remove(&whose);
            } else if soon.insert(whose)
                && let Some(end) = known.get(&whose)
            {
                tracing::warn!("{}", crate::words::certificate_end(whose, *end, now));
            }
            found.push((Part::Certificate(whose), !ends_soon));
        }
        found
    }

    /// What of this must be known, a sentence each.
    pub fn notices(&self, now: EventTime) -> Vec<String> {
        let (known, soon) = (self.known.borrow(), self.soon.borrow());
        let sentence = |whose: &Certificate| {
            known.get(whose).map(|end| crate::words::certificate_end(*whose, *end, now))
        };
        soon.iter().filter_map(sentence).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(days: i64) -> EventTime {
        EventTime(0) + Span::hours(24 * days)
    }

    /// Whose are found to end soon.
    fn soon(ends: &Ends, now: EventTime) -> Vec<Certificate> {
        let found = ends.look(now);
        let broken = found.into_iter().filter(|(_, holds)| !holds).map(|(part, _)| part);
        broken
            .filter_map(|part| if let Part::Certificate(whose) = part { Some(whose) } else { None })
            .collect()
    }

    /// Seen to fail without `BEFORE`.
    #[test]
    fn an_end_is_told_thirty_days_before_until_a_newer_certificate_is_there() {
        let ends = Ends::default();
        ends.known.borrow_mut().insert(Certificate::Own, day(100));
        assert_eq!(soon(&ends, day(69)), []);
        assert_eq!(soon(&ends, day(70)), [Certificate::Own]);
        assert_eq!(soon(&ends, day(130)), [Certificate::Own], "it has ended");
        assert_eq!(ends.notices(day(71)).len(), 1);
        ends.known.borrow_mut().insert(Certificate::Own, day(465));
        assert_eq!((soon(&ends, day(71)), ends.notices(day(71)).len()), (vec![], 0));
    }

    #[test]
    fn of_the_broker_nothing_is_said_before_it_has_shown_its_certificate() {
        let ends = Ends::default();
        assert_eq!(ends.look(day(1)).len(), 2);
        ends.shown(Some(day(20)));
        assert_eq!((ends.look(day(1)).len(), soon(&ends, day(1))), (3, vec![Certificate::Broker]));
        ends.shown(Some(day(400)));
        assert_eq!(soon(&ends, day(1)), []);
        assert_eq!(Ends::of(None).look(day(1)).len(), 3, "without encryption there is none that could end");
    }
}
