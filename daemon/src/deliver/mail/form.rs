//! A letter as a mail: text and page side by side, one picture within the page, and heads by which mail programs put
//! the mails of one alert together and know a repeat.

use crate::deliver::writer::Written;
use crate::store::Letter;
use crate::words::letter::{PICTURE, Picture, html, text};
use crate::words::{Message, fingerprint};
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox, MultiPart, SinglePart};
use lettre::{Address, Message as Mail};
use std::time::{Duration, SystemTime};

/// Beyond the year 9999 a mail has no date: what a wrong clock says later is held there.
const MOST_DATE: Duration = Duration::from_secs(253_402_300_799);

/// From whom, to whom, what.
#[derive(Debug, Clone, Copy)]
pub(super) struct Envelope<'a> {
    pub(super) from: &'a Address,
    pub(super) to: &'a Address,
    pub(super) letter: &'a Letter,
    pub(super) message: &'a Message,
}

/// The mail.
///
/// # Errors
/// When no mail can be made, which the tests have never seen.
pub(super) fn mail(
    envelope: Envelope<'_>,
    written: &Written,
    picture: Option<&Picture>,
) -> Result<Mail, lettre::error::Error> {
    let Envelope { from, to, letter, message } = envelope;
    let Written { sheet, speech } = written;
    let plain = SinglePart::plain(text(sheet, *speech));
    let page = SinglePart::html(html(sheet, *speech, picture));
    let parts = MultiPart::alternative().singlepart(plain);
    let parts = match picture {
        None => parts.singlepart(page),
        Some(picture) => {
            let kind = ContentType::parse("image/png").expect("a kind of content that this line names");
            let image = Attachment::new_inline(PICTURE.to_owned()).body(picture.png.clone(), kind);
            parts.multipart(MultiPart::related().singlepart(page).singlepart(image))
        }
    };
    let thread = thread_id(envelope);
    let mail = Mail::builder()
        .from(Mailbox::new(Some(format!("Kvarden, {}", message.site)), from.clone()))
        .to(Mailbox::new(message.person().map(str::to_owned), to.clone()))
        .date(date(letter))
        .subject(sheet.subject.clone())
        .message_id(Some(message_id(envelope)))
        .in_reply_to(thread.clone())
        .references(thread)
        // Answering machines leave such mails alone (RFC 3834).
        .raw_header(head("Auto-Submitted", "auto-generated"));
    let mail = match message.priority.as_str() {
        "urgent" => mail.raw_header(head("Importance", "high")),
        _ => mail,
    };
    mail.multipart(parts)
}

fn head(name: &'static str, value: &str) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value.to_owned())
}

/// The same for the same letter, however often it is sent: by it a mail program knows a repeat.
pub(super) fn message_id(Envelope { from, letter, message, .. }: Envelope<'_>) -> String {
    format!("<{}.{}.{:016x}@{}>", message.code, letter.revision, fingerprint(&letter.id), from.domain())
}

/// The same for all letters of one alert to one person: mail programs put together what refers to the same, also where
/// that itself was never sent (RFC 5256, threading by references).
pub(super) fn thread_id(Envelope { from, to, letter, message }: Envelope<'_>) -> String {
    let book = message.id.split(':').next().unwrap_or_default();
    let all = fingerprint(&format!("{book}:{}:{to}", letter.alert));
    format!("<{}.{all:016x}@{}>", message.code, from.domain())
}

/// When it was written, not when it is sent: the same in each try.
fn date(letter: &Letter) -> SystemTime {
    let since = Duration::from_millis(letter.created.0.max(0).unsigned_abs()).min(MOST_DATE);
    SystemTime::UNIX_EPOCH.checked_add(since).unwrap_or(SystemTime::UNIX_EPOCH)
}
