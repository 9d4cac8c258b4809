//! Readers of `[mail]`, `[webhook]`, `[command]` and `[links]`: the ways to people and back.

use crate::fault::Fault;
use crate::files::Files;
use crate::people_settings::{CommandSpec, LinksSpec, MailSecurity, MailSpec, WebhookSpec};
use crate::private_files::{certificates, secret};
use crate::section::{Section, Value};
use crate::topics::{host_of, is_this_machine};
use crate::values::{address, choice, says, span, text};
use crate::web::{mail_address, web_address};
use kvarden_core::time::Span;
use std::path::Path;

/// The most words of a command: a program with its options.
const MOST_WORDS: usize = 32;
/// A program that dials a modem gets so long.
const WITHIN: Span = Span::seconds(30);
/// A link that nobody used within a day is old.
const LASTS: Span = Span::hours(24);

/// The server by which mail leaves.
pub(crate) fn mail(s: &mut Section<'_>, base: &Path, files: &Files<'_>) -> Option<MailSpec> {
    let server = s.required("server", "\"mail.larkspur.example:587\"", address);
    let kinds =
        [("starttls", MailSecurity::StartTls), ("tls", MailSecurity::Tls), ("none", MailSecurity::None)];
    let security = s.or("security", MailSecurity::StartTls, choice(&kinds));
    if let (Some(server), Some(MailSecurity::None)) = (&server, security)
        && !is_this_machine(host_of(server))
    {
        let message = format!(
            "the mail server \"{server}\" is beyond this machine, but the link to it is not encrypted"
        );
        let help = "write security = \"starttls\" (usual for port 587) or \"tls\" (port 465); or use a mail server on this \
            machine";
        s.fault("security", Fault::new(message, "only towards this machine", help));
    }
    let from = s.required("from", "\"kvarden@larkspur.example\"", mail_address);
    let user = s.optional("user", text);
    let password = secret(s, "password_file", "password file", base, files);
    for (key, other) in [("user", "password_file"), ("password_file", "user")] {
        if s.has(key) && !s.has(other) {
            let message = format!("`{key}` is given without `{other}`");
            s.fault(key, Fault::new(message, "of no use alone", format!("add `{other}`, or leave both out")));
        }
    }
    let authority = certificates(s, "authority_file", base, files);
    Some(MailSpec {
        server: server?,
        security: security?,
        from: from?,
        user: user?.zip(password?),
        authority: authority?,
    })
}

/// A web address that is told.
pub(crate) fn webhook(s: &mut Section<'_>, base: &Path, files: &Files<'_>) -> Option<WebhookSpec> {
    let url = s.required("url", "\"https://hooks.larkspur.example/kvarden\"", web_address);
    let key = secret(s, "secret_file", "secret file", base, files);
    if !s.has("secret_file") {
        let message = "[webhook] needs `secret_file`: by it the other side knows that a message is ours";
        let help = "add it, for example: secret_file = \"secrets/webhook\"";
        s.missing(message.to_owned(), help.to_owned());
    }
    let authority = certificates(s, "authority_file", base, files);
    Some(WebhookSpec { url: url?, secret: key??, authority: authority? })
}

/// A program that is told.
pub(crate) fn command(s: &mut Section<'_>) -> Option<CommandSpec> {
    const EXAMPLE: &str = "[\"/usr/local/bin/siren\", \"--loud\"]";
    if !s.has("run") {
        let message = "[command] needs `run`".to_owned();
        s.missing(message, format!("add it, for example: run = {EXAMPLE}"));
    }
    let run = s.list("run", text);
    let wrong = match run.as_deref() {
        Some([]) => Some("`run` names no program".to_owned()),
        Some(words) if words.len() > MOST_WORDS => Some(format!("`run` has more than {MOST_WORDS} words")),
        Some([program, ..]) if !Path::new(program).is_absolute() => {
            Some(format!("\"{program}\" is not the whole path of a program"))
        }
        _ => None,
    };
    let sound = wrong.is_none();
    if let Some(message) = wrong.filter(|_| s.has("run")) {
        let help = format!("write the program with its whole path, then its options: {EXAMPLE}");
        s.fault("run", Fault::new(message, "this list", help));
    }
    let within = s.or("within", WITHIN, span(Span::seconds(1)..=Span::minutes(5)));
    Some(CommandSpec { run: run.filter(|_| sound)?, within: within? })
}

/// The links by which a person acknowledges.
pub(crate) fn links(s: &mut Section<'_>) -> Option<LinksSpec> {
    let listen = s.or("listen", "127.0.0.1:8787".to_owned(), here);
    let url = s.required("url", "\"https://kvarden.larkspur.example\"", |value| {
        let given = web_address(value)?;
        if given.contains('?') {
            return says(value, "which ends in a question", "write only how the address begins");
        }
        Ok(given.trim_end_matches('/').to_owned())
    });
    let lasts = s.or("lasts", LASTS, span(Span::minutes(10)..=Span::hours(7 * 24)));
    Some(LinksSpec { listen: listen?, url: url?, lasts: lasts? })
}

/// An address of this machine.
fn here(value: &Value<'_>) -> Result<String, Fault> {
    let given = address(value)?;
    if is_this_machine(host_of(&given)) {
        return Ok(given);
    }
    let message =
        format!("\"{given}\" can be reached from beyond this machine, but what it says is not encrypted");
    let help = "write an address of this machine such as \"127.0.0.1:8787\", and let a web server with a certificate pass \
        requests on to it";
    Err(Fault::new(message, "only this machine", help))
}
