//! A letter as a page for mail programs: no script, nothing from outside, styles where the words are, since many programs
//! drop all others; one column that fits a phone.

use super::{Picture, Seen, Sheet, Weight};
use crate::words::speech::Speech;
use maud::{DOCTYPE, Markup, html};

const BODY: &str = "margin:0;padding:0;background:#ffffff;color:#1b1f24;font-family:Helvetica,Arial,sans-serif;font-size:16px;line-height:1.4";
const COLUMN: &str = "max-width:600px;margin:0 auto;padding:14px";
const HEAD: &str = "margin:14px 0 2px 0;font-size:13px;font-weight:bold;color:#4a545e";
const SAID: &str = "margin:0 0 3px 0";
const STRONG: &str = "margin:0 0 3px 0;font-weight:bold";
const CAUTION: &str = "margin:0;padding:8px 10px;border:2px solid #1b1f24;font-size:14px";
const BUTTON: &str = "display:block;margin:18px 0 6px 0;padding:15px 10px;background:#0b4f8f;color:#ffffff;text-align:center;text-decoration:none;font-size:18px;font-weight:bold;border-radius:5px";
const FOOT: &str = "margin:0 0 2px 0;font-size:13px;color:#4a545e";

/// The name under which the picture hangs on the letter.
pub const PICTURE: &str = "last-hours";

/// The letter as a page, with the picture hung on it as [`PICTURE`].
pub fn html(sheet: &Sheet, speech: Speech, picture: Option<&Picture>) -> String {
    let page = html! {
        (DOCTYPE)
        html lang=(speech.language()) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light";
                title { (sheet.subject) }
            }
            body style=(BODY) {
                div style=(COLUMN) {
                    (line(sheet))
                    // What is to be done stands before the picture, what explains it after: a phone shows little at once.
                    @for part in sheet.parts.iter().take_while(|part| part.weight == Weight::Strong) { (of(part)) }
                    @if let Some(picture) = picture {
                        img src={ "cid:" (PICTURE) } alt=(picture.words) width="600" style="display:block;width:100%;max-width:600px;height:auto;margin:14px 0 4px 0;border:0";
                    }
                    @for part in sheet.parts.iter().skip_while(|part| part.weight == Weight::Strong) { (of(part)) }
                    @match &sheet.seen {
                        Some(Seen::Link(link)) => a href=(link) style=(BUTTON) { (speech.say("seen-button")) },
                        Some(Seen::Command(command)) => p style=(SAID) { br; (command) },
                        None => {},
                    }
                    br;
                    @for line in &sheet.foot { p style=(FOOT) { (line) } }
                }
            }
        }
    };
    page.into_string()
}

/// The line, with its priority in a frame that also tells by its width: not by colour alone.
fn line(sheet: &Sheet) -> Markup {
    let edge = match sheet.priority.as_str() {
        "urgent" => "10px solid #a4262c",
        "high" => "6px solid #9a5b00",
        "low" => "4px dashed #355c7d",
        _ => "3px dotted #5b6570",
    };
    let style = format!(
        "margin:0;padding:2px 0 2px 10px;border-left:{edge};font-size:18px;font-weight:bold;line-height:1.35"
    );
    html! { p style=(style) { (sheet.line) } }
}

fn of(part: &super::Part) -> Markup {
    let style = match part.weight {
        Weight::Plain => SAID,
        Weight::Strong => STRONG,
        Weight::Caution => CAUTION,
    };
    html! {
        @if !part.head.is_empty() { p style=(HEAD) { (part.head) } }
        @for said in &part.said { p style=(style) { (said) } }
    }
}
