//! What couriers to people have in common: the letter in a person's words, with its picture and its link.

use crate::links::Signer;
use crate::store::{Keeper, Letter};
use crate::words::letter::{Picture, Reader, Sheet, picture, sheet};
use crate::words::plot::Plot;
use crate::words::speech::Speech;
use crate::words::{Message, Site};
use kvarden_config::PersonSpec;
use kvarden_core::plan::Plan;
use kvarden_core::time::EventTime;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::spawn_blocking;
use tokio::time::timeout;

/// A picture that takes longer is left out: it never holds up a letter.
const PICTURE_PATIENCE: Duration = Duration::from_secs(5);

/// Writes letters.
#[derive(Debug)]
pub struct Writer {
    keeper: Keeper,
    plan: Arc<Plan>,
    site: Site,
    links: Option<Signer>,
    /// In which language people read.
    languages: BTreeMap<String, String>,
}

/// A letter in a person's words.
#[derive(Debug)]
pub struct Written {
    /// In its order.
    pub sheet: Sheet,
    /// In which language.
    pub speech: Speech,
}

impl Writer {
    /// A writer of this site. Without `links` a letter names the command by which one says that it is seen.
    pub fn new(
        keeper: Keeper,
        plan: Arc<Plan>,
        site: Site,
        links: Option<Signer>,
        people: &[PersonSpec],
    ) -> Self {
        Self { keeper, plan, site, links, languages: languages(people) }
    }

    /// The letter for a person.
    pub fn write(&self, letter: &Letter, message: &Message, person: Option<&str>) -> Written {
        // The words were chosen when the letter was made: the rest of it is in the same language.
        let told = message.told.as_ref().and_then(|told| told.language.as_deref());
        let now = || person.and_then(|person| self.languages.get(person)).map(String::as_str);
        let speech = Speech::of(told.or_else(now));
        let link = person.zip(self.links.as_ref());
        let link = link.map(|(person, signer)| signer.link(&letter.alert, person, letter.created));
        let reader = Reader { speech, zone: &self.site.zone, person, link: link.as_deref() };
        Written { sheet: sheet(message, reader), speech }
    }

    /// The picture of a letter, where there is something to draw.
    pub async fn draw(&self, letter: &Letter, message: &Message, speech: Speech) -> Option<Picture> {
        let drawn = async {
            let plot = self.plot(letter, speech).await?;
            let (zone, since) = (self.site.zone.clone(), message.since.parse::<jiff::Timestamp>().ok());
            let since = since.map(|since| EventTime(since.as_millisecond()));
            spawn_blocking(move || picture(&plot, since, speech, &zone)).await.ok().flatten()
        };
        timeout(PICTURE_PATIENCE, drawn).await.ok().flatten()
    }

    async fn plot(&self, letter: &Letter, speech: Speech) -> Option<Plot> {
        let (plan, shows) = (Arc::clone(&self.plan), self.site.shows);
        let (alert, revision, until) = (letter.alert.clone(), letter.revision, letter.created);
        let plot = self.keeper.ask(move |store| {
            crate::explain::drawing(store, &plan, shows, (&alert, revision), until, speech)
        });
        match plot.await {
            Ok(Ok(plot)) => plot,
            Ok(Err(error)) => {
                tracing::warn!(%error, letter = letter.id, "a letter goes without its picture");
                None
            }
            Err(_) => None,
        }
    }
}

/// In which language each person reads.
pub fn languages(people: &[PersonSpec]) -> BTreeMap<String, String> {
    people.iter().map(|person| (person.name.clone(), person.language.key().to_owned())).collect()
}
