//! What went wrong with an encrypted link, in words for people.

use tokio_rustls::rustls::pki_types::UnixTime;
use tokio_rustls::rustls::{AlertDescription, CertificateError, Error};

/// An error of an encrypted link.
pub fn words(error: &Error) -> String {
    match error {
        Error::InvalidCertificate(why) => format!("certificate: {}", of_certificate(why)),
        Error::AlertReceived(why) => format!("refused by the other side: {}", of_alert(*why)),
        Error::InvalidMessage(_) => "the other side does not speak TLS here".to_owned(),
        Error::PeerIncompatible(_) => {
            "the other side speaks no version of TLS that is good enough (1.2 or 1.3)".to_owned()
        }
        Error::NoCertificatesPresented => "the other side shows no certificate".to_owned(),
        other => other.to_string(),
    }
}

fn of_certificate(why: &CertificateError) -> String {
    match why {
        CertificateError::UnknownIssuer => {
            "unknown issuer: it comes from no authority that is trusted here".to_owned()
        }
        CertificateError::Expired => "expired".to_owned(),
        CertificateError::ExpiredContext { not_after, .. } => format!("expired on {}", day(*not_after)),
        CertificateError::NotValidYet => "not yet valid, or the clock of this machine is wrong".to_owned(),
        CertificateError::NotValidYetContext { not_before, .. } => {
            format!("not yet valid, only from {} on, or the clock of this machine is wrong", day(*not_before))
        }
        CertificateError::NotValidForName => "not for this name".to_owned(),
        CertificateError::NotValidForNameContext { expected, .. } => {
            format!("wrong name: it is not for \"{}\"", expected.to_str())
        }
        CertificateError::Revoked => "revoked".to_owned(),
        CertificateError::BadSignature => "its signature is wrong".to_owned(),
        CertificateError::BadEncoding => "it can't be read".to_owned(),
        CertificateError::InvalidPurpose | CertificateError::InvalidPurposeContext { .. } => {
            "not made for this use".to_owned()
        }
        other => format!("{other:?}"),
    }
}

fn of_alert(why: AlertDescription) -> String {
    match why {
        AlertDescription::CertificateRequired => "it wants a certificate of ours".to_owned(),
        AlertDescription::UnknownCA => "it does not trust the authority of our certificate".to_owned(),
        AlertDescription::CertificateExpired => "our certificate has expired".to_owned(),
        AlertDescription::CertificateRevoked => "our certificate is revoked".to_owned(),
        AlertDescription::BadCertificate | AlertDescription::CertificateUnknown => {
            "it does not take our certificate".to_owned()
        }
        AlertDescription::ProtocolVersion => "it speaks no version of TLS that is good enough".to_owned(),
        AlertDescription::HandshakeFailure => {
            "no agreement was reached; it may want a certificate of ours".to_owned()
        }
        other => format!("{other:?}"),
    }
}

/// The day in UTC.
fn day(time: UnixTime) -> String {
    let seconds = i64::try_from(time.as_secs()).unwrap_or(i64::MAX);
    match jiff::Timestamp::from_second(seconds) {
        Ok(time) => time.strftime("%Y-%m-%d").to_string(),
        Err(_) => "an unreadable day".to_owned(),
    }
}
