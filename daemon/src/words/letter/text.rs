//! A letter as plain text: for mail programs that show no pages, for modems and for the record.

use super::{Seen, Sheet};
use crate::words::alphabet::plain;
use crate::words::speech::Speech;
use std::fmt::Write;

/// The letter as text.
pub fn text(sheet: &Sheet, speech: Speech) -> String {
    let mut text = format!("{}\n", sheet.line);
    for part in &sheet.parts {
        let _ = write!(text, "\n{}", part.head);
        if !part.head.is_empty() {
            text.push('\n');
        }
        for said in &part.said {
            let _ = writeln!(text, "{said}");
        }
    }
    match &sheet.seen {
        Some(Seen::Link(link)) => {
            let _ = writeln!(text, "\n{}", speech.with("seen-link", &[("link", link)]));
        }
        Some(Seen::Command(command)) => {
            let _ = writeln!(text, "\n{command}");
        }
        None => {}
    }
    if !sheet.foot.is_empty() {
        let _ = writeln!(text, "\n{}", sheet.foot.join("\n"));
    }
    text
}

/// The letter for modems: in the 7-bit alphabet, and where the message is cut after 140 characters, what is left still
/// says place, number, and whether to go.
pub fn short(sheet: &Sheet, speech: Speech) -> String {
    let lines: Vec<String> = text(sheet, speech).lines().map(plain).collect();
    lines.join("\n") + "\n"
}
