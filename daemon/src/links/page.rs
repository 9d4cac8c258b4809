//! The page behind a link: what the alert says, and a button or the reason why there is none.

use crate::words::speech::Speech;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, PreEscaped, html};
use ring::digest::{SHA256, digest};
use std::sync::LazyLock;

const STYLE: &str = "body{margin:0;padding:1.2rem;background:#fff;color:#1b1f24;font:1.05rem/1.45 system-ui,Arial,sans-serif;-webkit-text-size-adjust:100%}main{max-width:34rem;margin:0 auto}h1{font-size:1rem;color:#4a545e;margin:0 0 .6rem}.line{font-size:1.15rem;font-weight:700;border-left:8px solid #1b1f24;padding-left:.7rem;margin:0 0 1.2rem;overflow-wrap:anywhere}.urgent{border-color:#a4262c}.high{border-color:#9a5b00}.low{border-left-style:dashed;border-color:#355c7d}.said{font-weight:700;margin:0 0 1rem}button{display:block;width:100%;padding:1.1rem;margin:1.2rem 0;font:700 1.25rem system-ui,Arial,sans-serif;color:#fff;background:#0b4f8f;border:0;border-radius:6px}button:focus{outline:4px solid #f2bd6b}.soft{color:#4a545e;font-size:.9rem}";

/// What may be loaded and done: this page's own style and its own form, nothing else.
pub(super) static CONTENT: LazyLock<String> = LazyLock::new(|| {
    let style = STANDARD.encode(digest(&SHA256, STYLE.as_bytes()));
    format!(
        "default-src 'none'; style-src 'sha256-{style}'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
});

/// What a page holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Page {
    pub(super) speech: Speech,
    pub(super) title: String,
    /// Priority and line of the alert.
    pub(super) alert: Option<(String, String)>,
    /// What is said of it.
    pub(super) said: Vec<String>,
    /// For whom the button is.
    pub(super) button: Option<String>,
}

impl Page {
    /// A page without an alert.
    pub(super) fn plain(speech: Speech, title: String, said: String) -> Self {
        Self { speech, title, alert: None, said: vec![said], button: None }
    }

    /// As HTML.
    pub(super) fn html(&self) -> String {
        let page = html! {
            (DOCTYPE)
            html lang=(self.speech.language()) {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    title { (self.title) }
                    style { (PreEscaped(STYLE)) }
                }
                body {
                    main {
                        h1 { (self.title) }
                        @if let Some((priority, line)) = &self.alert { p class={ "line " (priority) } { (line) } }
                        @for said in &self.said { p.said { (said) } }
                        @if let Some(person) = &self.button {
                            form method="post" { button type="submit" { (self.speech.say("seen-button")) } }
                            p.soft { (self.speech.say("page-ask")) }
                            p.soft { (self.speech.with("page-for", &[("person", person)])) }
                        }
                    }
                }
            }
        };
        page.into_string()
    }
}
