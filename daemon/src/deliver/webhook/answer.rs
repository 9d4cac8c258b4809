//! What a webhook answers, and what that means for the letter.

use crate::words::alphabet::plain;
use crate::world::Outcome;
use http_body_util::BodyExt;
use hyper::body::Incoming;
use hyper::header::RETRY_AFTER;
use hyper::{Response, StatusCode};
use kvarden_core::time::EventTime;
use std::time::Duration;
use tokio::time::timeout;

/// The most of a refusal that is read, to say why.
const MOST_BODY: usize = 1024;
/// How long reading it may take.
const BODY_PATIENCE: Duration = Duration::from_secs(2);

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Answer {
    pub(super) status: StatusCode,
    /// How long to wait, where it says so.
    pub(super) wait: Option<Duration>,
    pub(super) words: String,
}

/// Reads what matters of an answer. Where the letter was taken, its body is of no use.
pub(super) async fn read(answer: Response<Incoming>, now: EventTime) -> Answer {
    let status = answer.status();
    let after = answer.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok());
    let wait = after.and_then(|after| asked_wait(after, now)).filter(|_| !status.is_success());
    let mut words = format!("it answered {}", status.as_u16());
    if status.is_redirection() {
        words.push_str(": it has moved, and no other address than the configured one is called");
    } else if !status.is_success() {
        let body = timeout(BODY_PATIENCE, first_of(answer.into_body())).await.unwrap_or_default();
        let body = plain(String::from_utf8_lossy(&body).trim());
        if !body.is_empty() {
            words.push_str(": ");
            words.push_str(&body);
        }
    }
    Answer { status, wait, words }
}

async fn first_of(mut body: Incoming) -> Vec<u8> {
    let mut first = Vec::new();
    while first.len() < MOST_BODY {
        let Some(Ok(frame)) = body.frame().await else { break };
        let Some(bytes) = frame.data_ref() else { continue };
        first.extend_from_slice(&bytes[..bytes.len().min(MOST_BODY - first.len())]);
    }
    first
}

/// The wait that is asked for: in seconds, or until a moment (RFC 9110, 10.2.3).
fn asked_wait(after: &str, now: EventTime) -> Option<Duration> {
    let after = after.trim();
    if let Ok(seconds) = after.parse::<u32>() {
        return Some(Duration::from_secs(u64::from(seconds)));
    }
    let until = jiff::fmt::rfc2822::parse(after).ok()?.timestamp().as_millisecond();
    Some(Duration::from_millis((until - now.0).max(0).unsigned_abs()))
}

impl Answer {
    /// What it means for the letter. What the other side refuses for good is not sent again; what asks for patience, and
    /// whatever lies in the other side's own state or in where it lives, is.
    pub(super) fn outcome(self) -> Outcome {
        match self.status.as_u16() {
            200..300 => Outcome::Delivered,
            408 | 425 | 429 => Outcome::TryLater(self.words),
            400..500 => Outcome::Refused(self.words),
            _ => Outcome::TryLater(self.words),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome(status: u16) -> &'static str {
        let status = StatusCode::from_u16(status).unwrap();
        match (Answer { status, wait: None, words: String::new() }).outcome() {
            Outcome::Delivered => "delivered",
            Outcome::TryLater(_) => "later",
            Outcome::Refused(_) => "refused",
        }
    }

    /// Meanings by RFC 9110, chapter 15, and RFC 6585 (429).
    #[test]
    fn an_answer_means_taken_later_or_never() {
        for (expected, answers) in [
            ("delivered", &[200, 201, 202, 204][..]),
            ("later", &[301, 302, 307, 308, 408, 425, 429, 500, 502, 503, 504]),
            ("refused", &[400, 401, 403, 404, 410, 413, 422]),
        ] {
            for status in answers {
                assert_eq!(outcome(*status), expected, "{status}");
            }
        }
    }

    /// The examples of RFC 9110, 10.2.3.
    #[test]
    fn a_wait_is_asked_for_in_seconds_or_until_a_moment() {
        let now = "1999-12-31T23:58:59Z".parse::<jiff::Timestamp>().unwrap();
        let now = EventTime(now.as_millisecond());
        assert_eq!(asked_wait("120", now), Some(Duration::from_mins(2)));
        assert_eq!(asked_wait("Fri, 31 Dec 1999 23:59:59 GMT", now), Some(Duration::from_mins(1)));
        assert_eq!(asked_wait("Fri, 31 Dec 1999 23:00:00 GMT", now), Some(Duration::ZERO));
        assert_eq!(asked_wait("soon", now), None);
        assert_eq!(asked_wait("-5", now), None);
    }
}
