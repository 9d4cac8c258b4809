//! What a link is answered: how the alert stands for this person, and what the button did.

use super::page::Page;
use super::token::{Claim, Signer};
use crate::engine::Desk;
use crate::store::Keeper;
use crate::words::speech::Speech;
use crate::words::time::moment_in;
use crate::words::{Site, code, fingerprint, message};
use hyper::StatusCode;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::Deed;
use kvarden_core::output::{AlertRevision, Denial, Revised};
use kvarden_core::time::EventTime;
use std::collections::BTreeMap;
use std::rc::Rc;

/// Whether a page is only looked at, or its button was pressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Visit {
    Look,
    Press,
}

/// Lets people in by their links.
#[derive(Debug)]
pub struct Door {
    desk: Rc<Desk>,
    keeper: Keeper,
    site: Site,
    signer: Signer,
    /// In which language people read.
    languages: BTreeMap<String, String>,
}

/// How one alert stands.
struct Standing {
    /// Its newest revision.
    newest: AlertRevision,
    /// Who has it, and since when.
    seen: Option<(String, EventTime)>,
}

impl Door {
    /// A door to the alerts of this site, for people who read in these languages.
    pub fn new(
        desk: Rc<Desk>,
        keeper: Keeper,
        site: Site,
        signer: Signer,
        languages: BTreeMap<String, String>,
    ) -> Self {
        Self { desk, keeper, site, signer, languages }
    }

    /// The answer to a token.
    pub(super) async fn answer(&self, token: &str, visit: Visit) -> (StatusCode, Page) {
        // Only what was signed here goes further: strangers cost no look into the store.
        let Some(claim) = self.signer.read(token) else { return unknown(Speech::of(None)) };
        let speech = Speech::of(self.languages.get(&claim.person).map(String::as_str));
        match self.standing(claim.which).await {
            Err(()) => trouble(speech),
            Ok(None) => unknown(speech),
            Ok(Some(standing)) => self.of(&claim, standing, visit, speech).await,
        }
    }

    async fn of(
        &self,
        claim: &Claim,
        standing: Standing,
        visit: Visit,
        speech: Speech,
    ) -> (StatusCode, Page) {
        let now = self.desk.now();
        if now > claim.until {
            let until = moment_in(claim.until, now, &self.site.zone, speech);
            let page = self.page(&standing, speech, speech.with("page-old", &[("until", &until)]));
            return (StatusCode::GONE, page);
        }
        if let Some(said) = self.settled(claim, &standing, now, speech) {
            return (StatusCode::OK, self.page(&standing, speech, said));
        }
        if visit == Visit::Look {
            let mut page = self.page(&standing, speech, String::new());
            page.said = notes(&standing, speech);
            page.button = Some(claim.person.clone());
            return (StatusCode::OK, page);
        }
        self.acknowledge(claim, standing, speech).await
    }

    async fn acknowledge(&self, claim: &Claim, standing: Standing, speech: Speech) -> (StatusCode, Page) {
        let alert = standing.newest.alert.clone();
        let done = self.desk.order(&claim.person, &alert, Deed::Acknowledge).await;
        tracing::info!(alert, person = claim.person, done = done.is_ok(), "acknowledged by link");
        let now = self.desk.now();
        // The store now knows it, or who was quicker.
        let standing = self.standing(claim.which).await.ok().flatten().unwrap_or(standing);
        match done {
            Ok(()) => {
                let at = moment_in(now, now, &self.site.zone, speech);
                let said = speech.with("page-done", &[("person", &claim.person), ("at", &at)]);
                (StatusCode::OK, self.page(&standing, speech, said))
            }
            Err(Denial::UnknownAlert) => {
                let at = moment_in(standing.newest.at, now, &self.site.zone, speech);
                (StatusCode::OK, self.page(&standing, speech, speech.with("page-over", &[("at", &at)])))
            }
            Err(_) => {
                let said = self.settled(claim, &standing, now, speech);
                let said = said.unwrap_or_else(|| speech.say("page-seen"));
                (StatusCode::OK, self.page(&standing, speech, said))
            }
        }
    }

    /// Why there is nothing left to press.
    fn settled(&self, claim: &Claim, standing: &Standing, now: EventTime, speech: Speech) -> Option<String> {
        let newest = &standing.newest;
        if !newest.open && !matches!(newest.why, Revised::Merged { .. }) {
            let at = moment_in(newest.at, now, &self.site.zone, speech);
            return Some(speech.with("page-over", &[("at", &at)]));
        }
        let (who, since) = standing.seen.as_ref()?;
        let at = moment_in(*since, now, &self.site.zone, speech);
        Some(if *who == claim.person {
            speech.with("page-yours", &[("person", who), ("at", &at)])
        } else {
            speech.with("page-taken", &[("who", who), ("at", &at)])
        })
    }

    /// How the alert with this fingerprint stands. An error: the store gives no answer.
    async fn standing(&self, which: u64) -> Result<Option<Standing>, ()> {
        let look = move |store: &mut crate::store::Store| {
            let newest = store.newest_alerts()?;
            let Some(newest) = newest.into_iter().find(|one| fingerprint(&one.alert) == which) else {
                return Ok(None);
            };
            let seen = match newest.state {
                AlarmState::Acknowledged | AlarmState::LatchedAcknowledged => {
                    store.revisions_of(&newest.alert)?.into_iter().rev().find_map(|one| match one.why {
                        Revised::Acknowledged { by } => Some((by, one.at)),
                        _ => None,
                    })
                }
                _ => None,
            };
            Ok::<_, crate::store::Error>(Some(Standing { newest, seen }))
        };
        match self.keeper.ask(look).await {
            Ok(Ok(standing)) => Ok(standing),
            Ok(Err(error)) => {
                tracing::warn!(%error, "a link could not be answered");
                Err(())
            }
            Err(_) => Err(()),
        }
    }

    fn page(&self, standing: &Standing, speech: Speech, said: String) -> Page {
        let told = message(&standing.newest, &self.site.spoken(speech));
        Page {
            speech,
            title: speech.with("page-title", &[("code", &told.code)]),
            alert: Some((told.priority, told.text)),
            said: vec![said],
            button: None,
        }
    }
}

/// What a person should know before pressing.
fn notes(standing: &Standing, speech: Speech) -> Vec<String> {
    let mut notes = Vec::new();
    if let Revised::Merged { into } = &standing.newest.why {
        notes.push(speech.with("page-merged", &[("code", &code(into))]));
    }
    if matches!(standing.newest.state, AlarmState::ReturnedUnacknowledged) {
        notes.push(speech.say("page-returned"));
    }
    notes
}

fn unknown(speech: Speech) -> (StatusCode, Page) {
    let page = Page::plain(speech, speech.say("page-unknown-title"), speech.say("page-unknown"));
    (StatusCode::NOT_FOUND, page)
}

fn trouble(speech: Speech) -> (StatusCode, Page) {
    let page = Page::plain(speech, speech.say("page-trouble-title"), speech.say("page-trouble"));
    (StatusCode::SERVICE_UNAVAILABLE, page)
}

/// For what is no look and no press.
pub(super) fn wrong(status: StatusCode) -> (StatusCode, Page) {
    let speech = Speech::of(None);
    (status, Page::plain(speech, speech.say("page-wrong-title"), speech.say("page-wrong")))
}
