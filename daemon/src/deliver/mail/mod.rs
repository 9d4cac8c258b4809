//! The courier by mail: one server, always encrypted beyond this machine, a new connection for each letter.
//!
//! The mail library limits only the time to connect, keeps dead connections in its pool and reads answers without
//! end, so here each letter has a connection of its own, one deadline round all of it, and a bound on what is read.

mod form;
mod stream;

use super::message_in;
use super::writer::Writer;
use crate::store::Letter;
use crate::tls;
use crate::words::alphabet::plain;
use crate::world::{Courier, Here, Outcome};
use kvarden_config::{MailSecurity, MailSpec, PersonSpec, Secret};
use lettre::Address;
use lettre::address::Envelope;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, Certificate, CertificateStore, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::ClientId;
use lettre::transport::smtp::response::Response;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::time::Duration;
use stream::Bounded;
use tokio::net::TcpStream;
use tokio::time::timeout;

/// How long the whole of one letter may take: less than the pump gives, so that the reason is known.
pub const SEND_DEADLINE: Duration = Duration::from_secs(25);
/// How long it may take to reach the server.
pub const CONNECT_DEADLINE: Duration = Duration::from_secs(10);
/// The server has the letter; so long it may take to say goodbye.
const GOODBYE: Duration = Duration::from_secs(2);

/// Sends letters by mail.
#[derive(Debug)]
pub struct MailCourier {
    server: Server,
    from: Address,
    people: BTreeMap<String, Address>,
    writer: Rc<Writer>,
    deadline: Duration,
    said: Option<String>,
}

/// The server and how we are to speak with it.
struct Server {
    host: String,
    port: u16,
    /// What an encryption from the first byte on is made with.
    tls: Option<tls::Client>,
    /// What an encryption that begins within the talk is made with.
    upgrade: Option<TlsParameters>,
    login: Option<(String, Secret)>,
    name: ClientId,
}

/// Why no mail can be sent.
#[derive(Debug, thiserror::Error)]
pub enum NoMail {
    /// An address.
    #[error("[mail] \"{0}\" is not a mail address")]
    Address(String),
    /// The server.
    #[error("[mail] server \"{0}\" is not host:port")]
    Server(String),
    /// Encryption.
    #[error("[mail] authority_file: {0}")]
    Unusable(#[from] tls::Unusable),
    /// Encryption as the mail library sees it.
    #[error("[mail] {0}")]
    Library(#[from] Error),
}

/// What went wrong with one letter.
enum Trouble {
    Later(String),
    Never(String),
}

impl MailCourier {
    /// A courier for the people who are reached by mail.
    ///
    /// # Errors
    /// See [`NoMail`].
    pub fn new(spec: &MailSpec, people: &[PersonSpec], writer: Rc<Writer>) -> Result<Self, NoMail> {
        let address = |text: &str| text.parse::<Address>().map_err(|_| NoMail::Address(text.to_owned()));
        let from = address(&spec.from)?;
        let reached = people.iter().filter_map(|person| Some((person.name.clone(), person.mail.as_deref()?)));
        let people = reached
            .map(|(name, mail)| Ok((name, address(mail)?)))
            .collect::<Result<BTreeMap<_, _>, NoMail>>()?;
        let server = Server::new(spec, &from)?;
        Ok(Self { server, from, people, writer, deadline: SEND_DEADLINE, said: None })
    }

    /// With another deadline, for tests.
    #[must_use]
    pub fn within(self, deadline: Duration) -> Self {
        Self { deadline, ..self }
    }

    async fn carry(&self, letter: &Letter) -> Result<String, Trouble> {
        let message = message_in(letter).map_err(Trouble::Never)?;
        let person = message.person().ok_or_else(|| Trouble::Never("it is for nobody".to_owned()))?;
        let to = self.people.get(person);
        let to = to.ok_or_else(|| Trouble::Never(format!("\"{person}\" is not reached by mail any more")))?;
        let written = self.writer.write(letter, &message, Some(person));
        let picture = self.writer.draw(letter, &message, written.speech).await;
        let envelope = form::Envelope { from: &self.from, to, letter, message: &message };
        let mail = form::mail(envelope, &written, picture.as_ref());
        let mail = mail.map_err(|error| Trouble::Never(format!("no mail can be made of it: {error}")))?;
        let mut talk = self.server.meet().await?;
        let sent =
            hand_over(&mut talk, mail.envelope(), &mail.formatted()).await.map_err(|error| judged(&error))?;
        // The server has answered for the letter: whatever happens to the connection now, it has it.
        let _ = timeout(GOODBYE, talk.abort()).await;
        let words = sent.message().collect::<Vec<_>>().join(" ");
        Ok(format!("{} {}", sent.code(), plain(&words)))
    }
}

impl Courier for MailCourier {
    fn channel(&self) -> &'static str {
        "mail"
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(async move {
            self.said = None;
            let late = || Trouble::Later("the mail server gave no answer in time".to_owned());
            match timeout(self.deadline, self.carry(letter)).await.unwrap_or_else(|_| Err(late())) {
                Ok(said) => {
                    self.said = Some(said);
                    Outcome::Delivered
                }
                Err(Trouble::Later(why)) => Outcome::TryLater(why),
                Err(Trouble::Never(why)) => Outcome::Refused(why),
            }
        })
    }

    fn said(&self) -> Option<String> {
        self.said.clone()
    }
}

impl Server {
    fn new(spec: &MailSpec, from: &Address) -> Result<Self, NoMail> {
        let bad = || NoMail::Server(spec.server.clone());
        let (host, port) = spec.server.rsplit_once(':').ok_or_else(bad)?;
        let port = port.parse().map_err(|_| bad())?;
        let host = host.trim_start_matches('[').trim_end_matches(']').to_owned();
        // Looks at the authority with the same eyes and words as every other link.
        let client = spec.tls().map(|tls| tls::Client::new(&tls, &host)).transpose()?;
        let upgrade = match spec.security {
            MailSecurity::StartTls => Some(upgrade(&host, spec.authority.as_deref())?),
            MailSecurity::Tls | MailSecurity::None => None,
        };
        let tls = client.filter(|_| spec.security == MailSecurity::Tls);
        let login = spec.user.clone();
        let name = ClientId::Domain(from.domain().to_owned());
        Ok(Self { host, port, tls, upgrade, login, name })
    }

    /// A talk with the server that has come as far as a letter.
    async fn meet(&self) -> Result<AsyncSmtpConnection, Trouble> {
        let stream = timeout(CONNECT_DEADLINE, TcpStream::connect((self.host.as_str(), self.port))).await;
        let stream = stream
            .map_err(|_| later("no connection in time"))?
            .map_err(|error| later(tls::reason(&error)))?;
        // If small packets are held back a little, nothing is lost by it.
        let _ = stream.set_nodelay(true);
        let stream: Box<dyn lettre::transport::smtp::client::AsyncTokioStream> = match &self.tls {
            None => Box::new(Bounded::new(stream)),
            Some(client) => {
                let secured = client.secure(stream).await.map_err(|error| later(tls::reason(&error)))?;
                Box::new(Bounded::new(secured))
            }
        };
        let met = AsyncSmtpConnection::connect_with_transport(stream, &self.name).await;
        let mut talk = met.map_err(|error| later(words(&error)))?;
        if let Some(upgrade) = &self.upgrade {
            if !talk.can_starttls() {
                return Err(later("the server offers no encryption (STARTTLS); nothing is sent plainly"));
            }
            talk.starttls(upgrade.clone(), &self.name).await.map_err(|error| later(words(&error)))?;
        }
        if let Some((user, password)) = &self.login {
            let credentials = Credentials::new(user.clone(), password.expose().to_owned());
            let known = talk.auth(&[Mechanism::Plain, Mechanism::Login], &credentials).await;
            // Somebody has to mend that; until then no letter is given up for it.
            known.map_err(|error| later(format!("the server does not let us in: {}", words(&error))))?;
        }
        Ok(talk)
    }
}

impl std::fmt::Debug for Server {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Server").field("host", &self.host).field("port", &self.port).finish_non_exhaustive()
    }
}

/// Hands a mail over. The library's own way says goodbye after a refusal and waits for the answer: a server that refuses
/// for good and then hangs would be asked again and again.
async fn hand_over(
    talk: &mut AsyncSmtpConnection,
    envelope: &Envelope,
    mail: &[u8],
) -> Result<Response, Error> {
    talk.command(Mail::new(envelope.from().cloned(), Vec::new())).await?;
    for to in envelope.to() {
        talk.command(Rcpt::new(to.clone(), Vec::new())).await?;
    }
    talk.command(Data).await?;
    talk.message(mail).await
}

fn upgrade(host: &str, authority: Option<&str>) -> Result<TlsParameters, Error> {
    let parameters = TlsParameters::builder(host.to_owned());
    match authority {
        None => parameters.build_rustls(),
        Some(pem) => {
            let authority = Certificate::from_pem(pem.as_bytes())?;
            parameters
                .certificate_store(CertificateStore::None)
                .add_root_certificate(authority)
                .build_rustls()
        }
    }
}

fn later(why: impl Into<String>) -> Trouble {
    Trouble::Later(why.into())
}

/// What the server's answer to a letter means: 4yz later, 5yz never (RFC 5321, 4.2.1), but for what is no fault of the
/// letter: who we are (530, 535, 550 is about the mailbox), and the server's own state.
fn judged(error: &Error) -> Trouble {
    let said = words(error);
    let about_us = error.status().is_some_and(|code| matches!(u16::from(code), 530 | 534 | 535 | 538));
    if error.is_permanent() && !about_us { Trouble::Never(said) } else { Trouble::Later(said) }
}

/// An error of the mail library in words: what the server said, or what went wrong with the link.
fn words(error: &Error) -> String {
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        if let Some(known) = inner.downcast_ref::<std::io::Error>() {
            return tls::reason(known);
        }
        if let Some(known) = inner.downcast_ref::<tokio_rustls::rustls::Error>() {
            return tls::words(known);
        }
        cause = inner.source();
    }
    match (error.status(), std::error::Error::source(error)) {
        (Some(code), Some(said)) => format!("the server answered {code} {}", plain(&said.to_string())),
        (Some(code), None) => format!("the server answered {code}"),
        (None, Some(said)) => plain(&said.to_string()),
        (None, None) => error.to_string(),
    }
}
