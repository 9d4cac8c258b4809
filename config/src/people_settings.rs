//! What the daemon needs to tell people: the people, their rota, the rules of each priority, and the ways to them.

use crate::mqtt_settings::TlsSpec;
use crate::settings::Secret;
use jiff::civil::{Date, DateTime, Weekday};
use kvarden_core::plant::Priority;
use kvarden_core::time::Span;

/// A way to a person. The other channels (broker, file, log) have no addressee and get all that is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Way {
    /// A mail.
    Mail,
    /// A web address that is told.
    Webhook,
    /// A program that gets the message on its standard input.
    Command,
}

impl Way {
    /// All of them, in the order in which they are told.
    pub const ALL: [Self; 3] = [Self::Command, Self::Mail, Self::Webhook];

    /// The written form: in the configuration, and as the channel's name.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Mail => "mail",
            Self::Webhook => "webhook",
            Self::Command => "command",
        }
    }

    /// The way of a channel's name; `None`: the channel has no addressee.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|way| way.key() == key)
    }
}

/// How the link to the mail server is encrypted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailSecurity {
    /// It begins plainly and is encrypted before anything else is said (RFC 3207); never goes on without.
    StartTls,
    /// Encrypted from the first byte (RFC 8314).
    Tls,
    /// Not at all; the server is on this machine then.
    None,
}

/// The server by which mail leaves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailSpec {
    /// `host:port`.
    pub server: String,
    /// How the link is encrypted.
    pub security: MailSecurity,
    /// Address that mail comes from.
    pub from: String,
    /// User name and password, if the server wants them.
    pub user: Option<(String, Secret)>,
    /// Certificates (PEM) of the authorities to trust; `None`: those that the system trusts.
    pub authority: Option<String>,
}

impl MailSpec {
    /// How its link is encrypted, for the one room that does that; `None`: not at all.
    pub fn tls(&self) -> Option<TlsSpec> {
        let authority = self.authority.clone();
        (self.security != MailSecurity::None).then(|| TlsSpec { authority, ..TlsSpec::default() })
    }
}

/// A web address that is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebhookSpec {
    /// Begins with `https://`, or with `http://` towards this machine itself.
    pub url: String,
    /// Key of the signature (HMAC-SHA256).
    pub secret: Secret,
    /// Certificates (PEM) of the authorities to trust; `None`: those that the system trusts.
    pub authority: Option<String>,
}

/// A program that gets the message on its standard input.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommandSpec {
    /// Its absolute path and its first arguments; the addressee is the last one. Never empty.
    pub run: Vec<String>,
    /// It gets so long.
    pub within: Span,
}

/// The links by which a person acknowledges from a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinksSpec {
    /// `host:port` of this machine to listen at.
    pub listen: String,
    /// What links begin with, without a slash at the end: how people reach it from outside.
    pub url: String,
    /// A link is good for so long.
    pub lasts: Span,
}

/// In which language a person reads, or a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Language {
    /// English.
    #[default]
    English,
    /// German.
    German,
}

impl Language {
    /// All of them.
    pub const ALL: [Self; 2] = [Self::English, Self::German];

    /// The written form (ISO 639-1).
    pub const fn key(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::German => "de",
        }
    }
}

/// Hours of each local day in which only what is urgent is told; over midnight where `from` is later than `until`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quiet {
    /// Hour and minute at which they begin.
    pub from: (u8, u8),
    /// Hour and minute at which they end.
    pub until: (u8, u8),
}

/// A person who can be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PersonSpec {
    /// Unlike every other's.
    pub name: String,
    /// In which language.
    pub language: Language,
    /// When only what is urgent is told.
    pub quiet: Option<Quiet>,
    /// Mail address.
    pub mail: Option<String>,
    /// Last argument of the program.
    pub command: Option<String>,
    /// Whether the web address is told for this person.
    pub webhook: bool,
}

impl PersonSpec {
    /// Whether a way leads to this person.
    pub fn has(&self, way: Way) -> bool {
        match way {
            Way::Mail => self.mail.is_some(),
            Way::Webhook => self.webhook,
            Way::Command => self.command.is_some(),
        }
    }
}

/// Who is on duty when: weekly turns with exceptions, in the site's local time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RotaSpec {
    /// Day of the week, hour and minute at which the duty changes hands.
    pub hand_over: (Weekday, (u8, u8)),
    /// The day of a hand-over: the first of `weeks` comes on duty then, and has been before.
    pub from: Date,
    /// Indexes of people, one a week, again from the first after the last. Never empty.
    pub weeks: Vec<usize>,
    /// In order, without overlaps.
    pub exceptions: Vec<ExceptionSpec>,
}

/// Somebody else is on duty for a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExceptionSpec {
    /// From this local time on …
    pub from: DateTime,
    /// … until before this one.
    pub until: DateTime,
    /// Index of the person.
    pub person: usize,
}

/// How people are told of one priority.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleSpec {
    /// By which ways; a person is told by those of them that lead to him.
    pub by: Vec<Way>,
    /// First wait for a reminder while nobody acknowledges; the waits grow. `None`: none comes.
    pub again: Option<Span>,
    /// When nobody has acknowledged for so long, the next in line is told too. `None`: never.
    pub next_in_line: Option<Span>,
    /// A new alert waits so long for its cause.
    pub wait_for_cause: Span,
}

/// How people are told, by priority. A priority without a rule is not told to people: it stands in the digest.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TellingSpec {
    /// Go now.
    pub urgent: Option<RuleSpec>,
    /// This shift.
    pub high: Option<RuleSpec>,
    /// Next visit.
    pub low: Option<RuleSpec>,
}

impl TellingSpec {
    /// The rule of a priority. Journal has none: it is for the digest.
    pub fn rule(&self, priority: Priority) -> Option<&RuleSpec> {
        match priority {
            Priority::Urgent => self.urgent.as_ref(),
            Priority::High => self.high.as_ref(),
            Priority::Low => self.low.as_ref(),
            Priority::Journal => None,
        }
    }
}
