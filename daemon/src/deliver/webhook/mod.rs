//! The courier by webhook: one signed POST for each letter, to one address, over a connection of its own.
//!
//! The address is never left for another that the other side names; what it answers is read to a bound and only to say
//! why it refuses; a wait that it asks for is kept.

mod answer;

use super::message_in;
use crate::store::Letter;
use crate::tls;
use crate::world::{Courier, Dial, Here, Outcome, Sink, Wire};
use answer::Answer;
use http_body_util::Full;
use hyper::body::Bytes;
use hyper::client::conn::http1::Builder;
use hyper::header::{CONTENT_TYPE, HOST, USER_AGENT};
use hyper::{Request, Uri};
use hyper_util::rt::TokioIo;
use kvarden_config::{TlsSpec, WebhookSpec};
use ring::hmac;
use std::fmt::{Debug, Write};
use std::rc::Rc;
use std::time::Duration;
use tokio::time::{Instant, timeout};

/// How long the whole of one letter may take: less than the pump gives, so that the reason is known.
pub const SEND_DEADLINE: Duration = Duration::from_secs(25);
/// How long it may take to reach the other side and to agree on keys.
pub const CONNECT_DEADLINE: Duration = Duration::from_secs(10);
/// The most that the heads of an answer may take.
const MOST_HEADS: usize = 32 * 1024;
/// The longest wait that is kept when the other side asks for one: beyond it somebody must look anyway.
pub const LONGEST_WAIT: Duration = Duration::from_mins(15);

/// The letter's id: the same in each try, so that the other side can drop a repeat.
pub const ID_HEAD: &str = "idempotency-key";
/// When it was signed, in seconds since 1970.
pub const TIME_HEAD: &str = "kvarden-time";
/// The signature.
pub const SIGNATURE_HEAD: &str = "kvarden-signature";

/// Sends letters to a webhook.
pub struct WebhookCourier {
    place: Place,
    tls: Option<tls::Client>,
    key: hmac::Key,
    dial: Rc<dyn Dial>,
    clock: Rc<dyn Sink>,
    deadline: Duration,
    /// The other side asked to be left alone until then.
    quiet_until: Option<Instant>,
    said: Option<String>,
}

/// Where it goes.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Place {
    /// `host:port`, to dial.
    address: String,
    /// As the other side knows itself.
    host: String,
    /// Path and query.
    path: String,
}

/// Why no webhook can be called.
#[derive(Debug, thiserror::Error)]
pub enum NoWebhook {
    /// The address.
    #[error("[webhook] url \"{0}\" is not one that can be called")]
    Url(String),
    /// Encryption.
    #[error("[webhook] authority_file: {0}")]
    Unusable(#[from] tls::Unusable),
}

impl WebhookCourier {
    /// A courier to the webhook of the configuration. `clock` tells when a letter is signed.
    ///
    /// # Errors
    /// See [`NoWebhook`].
    pub fn new(spec: &WebhookSpec, dial: Rc<dyn Dial>, clock: Rc<dyn Sink>) -> Result<Self, NoWebhook> {
        let bad = || NoWebhook::Url(spec.url.clone());
        let url: Uri = spec.url.parse().map_err(|_| bad())?;
        let (place, encrypted) = Place::of(&url).ok_or_else(bad)?;
        let host = url.host().unwrap_or_default().trim_start_matches('[').trim_end_matches(']');
        let trusted = TlsSpec { authority: spec.authority.clone(), ..TlsSpec::default() };
        let tls = encrypted.then(|| tls::Client::new(&trusted, host)).transpose()?;
        let key = hmac::Key::new(hmac::HMAC_SHA256, spec.secret.expose().as_bytes());
        Ok(Self { place, tls, key, dial, clock, deadline: SEND_DEADLINE, quiet_until: None, said: None })
    }

    /// With another deadline, for tests.
    #[must_use]
    pub fn within(self, deadline: Duration) -> Self {
        Self { deadline, ..self }
    }

    async fn carry(&self, letter: &Letter) -> Result<Answer, Outcome> {
        let message = message_in(letter).map_err(Outcome::Refused)?;
        let request = self.request(letter, &message.json())?;
        let later = |why: &str| Outcome::TryLater(why.to_owned());
        let wire = timeout(CONNECT_DEADLINE, self.connect()).await;
        let wire = wire.map_err(|_| later("no connection in time"))??;
        let shaken = Builder::new().max_buf_size(MOST_HEADS).handshake(TokioIo::new(wire)).await;
        let (mut sender, connection) = shaken.map_err(|error| Outcome::TryLater(words(&error)))?;
        let talk = async {
            let answer =
                sender.send_request(request).await.map_err(|error| Outcome::TryLater(words(&error)))?;
            Ok(answer::read(answer, self.clock.now()).await)
        };
        // The connection is driven beside the talk and ends with it.
        tokio::pin!(talk);
        tokio::select! {
            biased;
            answer = &mut talk => answer,
            _ = connection => talk.await,
        }
    }

    async fn connect(&self) -> Result<Box<dyn Wire>, Outcome> {
        let later = |error: std::io::Error| Outcome::TryLater(tls::reason(&error));
        let wire = self.dial.dial(&self.place.address).await.map_err(later)?;
        match &self.tls {
            None => Ok(wire),
            Some(client) => Ok(Box::new(client.secure(wire).await.map_err(later)?)),
        }
    }

    fn request(&self, letter: &Letter, body: &str) -> Result<Request<Full<Bytes>>, Outcome> {
        let time = (self.clock.now().0 / 1000).to_string();
        Request::post(self.place.path.as_str())
            .header(HOST, self.place.host.as_str())
            .header(USER_AGENT, concat!("kvarden/", env!("CARGO_PKG_VERSION")))
            .header(CONTENT_TYPE, "application/json")
            // A text in quotes, as the head's draft standard writes it.
            .header(ID_HEAD, format!("\"{}\"", printable(&letter.id)))
            .header(TIME_HEAD, time.as_str())
            .header(SIGNATURE_HEAD, format!("hmac-sha256={}", signature(&self.key, &time, body)))
            .body(Full::new(Bytes::from(body.to_owned())))
            .map_err(|error| Outcome::Refused(format!("no request can be made of it: {error}")))
    }
}

/// The signature of a body: HMAC-SHA256 (RFC 2104) over the time, a line end and the body, in hexadecimal digits.
pub fn signature(key: &hmac::Key, time: &str, body: &str) -> String {
    let tag = hmac::sign(key, format!("{time}\n{body}").as_bytes());
    tag.as_ref().iter().fold(String::new(), |mut digits, byte| {
        let _ = write!(digits, "{byte:02x}");
        digits
    })
}

/// A letter's id as a head may hold it. Names in it may be of any script.
fn printable(id: &str) -> String {
    id.bytes().fold(String::new(), |mut said, byte| {
        match byte {
            b'"' | b'\\' | b'%' => {
                let _ = write!(said, "%{byte:02X}");
            }
            b' '..=b'~' => said.push(char::from(byte)),
            _ => {
                let _ = write!(said, "%{byte:02X}");
            }
        }
        said
    })
}

impl Place {
    /// Where an address leads, and whether the way there is encrypted.
    fn of(url: &Uri) -> Option<(Self, bool)> {
        let encrypted = match url.scheme_str()? {
            "https" => true,
            "http" => false,
            _ => return None,
        };
        let authority = url.authority().filter(|authority| !authority.as_str().contains('@'))?;
        let port = authority.port_u16().unwrap_or(if encrypted { 443 } else { 80 });
        let address = format!("{}:{port}", authority.host());
        let path = url.path_and_query().map_or("/", |path| path.as_str());
        Some((Self { address, host: authority.as_str().to_owned(), path: path.to_owned() }, encrypted))
    }
}

fn words(error: &hyper::Error) -> String {
    match error {
        error if error.is_incomplete_message() => "the other side hung up before it answered".to_owned(),
        error if error.is_parse() => format!("what came back is no answer of HTTP: {error}"),
        error => std::error::Error::source(error)
            .and_then(|inner| inner.downcast_ref::<std::io::Error>())
            .map_or_else(|| error.to_string(), tls::reason),
    }
}

impl Courier for WebhookCourier {
    fn channel(&self) -> &'static str {
        "webhook"
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(async move {
            self.said = None;
            if self.quiet_until.is_some_and(|until| Instant::now() < until) {
                return Outcome::TryLater("the other side asked to wait longer".to_owned());
            }
            self.quiet_until = None;
            match timeout(self.deadline, self.carry(letter)).await {
                Err(_) => Outcome::TryLater("no answer in time".to_owned()),
                Ok(Err(outcome)) => outcome,
                Ok(Ok(answer)) => {
                    self.quiet_until = answer.wait.map(|wait| Instant::now() + wait.min(LONGEST_WAIT));
                    self.said = Some(answer.words.clone());
                    answer.outcome()
                }
            }
        })
    }

    fn said(&self) -> Option<String> {
        self.said.clone()
    }
}

impl Debug for WebhookCourier {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("WebhookCourier").field("place", &self.place).finish_non_exhaustive()
    }
}
