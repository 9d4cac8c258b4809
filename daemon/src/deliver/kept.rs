//! The outbox that the daemon's store keeps.

use super::outbox::{Mark, Next, Outbox, OutboxError};
use crate::store::{Error, Keeper, Letter, StoreGone};
use crate::words::{Message, Site, message};
use crate::world::Here;
use kvarden_core::plant::Priority;
use kvarden_core::time::EventTime;

/// The store, as delivery sees it.
#[derive(Debug, Clone)]
pub struct KeptOutbox {
    keeper: Keeper,
    site: Site,
}

impl KeptOutbox {
    /// The outbox in this store.
    pub fn new(keeper: Keeper, site: Site) -> Self {
        Self { keeper, site }
    }
}

fn flat<T>(answer: Result<Result<T, Error>, StoreGone>) -> Result<T, OutboxError> {
    match answer {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(OutboxError::Trouble(error.to_string())),
        Err(StoreGone) => Err(OutboxError::Gone),
    }
}

impl Outbox for KeptOutbox {
    fn next<'a>(&'a self, channel: &'a str, by: EventTime) -> Here<'a, Result<Next, OutboxError>> {
        let channel = channel.to_owned();
        Box::pin(async move {
            let next = self.keeper.ask(move |store| {
                if let Some(letter) = store.next_letter(&channel, by)? {
                    return Ok(Next::Letter(Box::new(letter)));
                }
                Ok(store.next_due(&channel)?.map_or(Next::Nothing, Next::Due))
            });
            flat(next.await)
        })
    }

    fn mark<'a>(
        &'a self,
        letter: &'a Letter,
        at: EventTime,
        mark: &'a Mark,
    ) -> Here<'a, Result<(), OutboxError>> {
        let (number, mark) = (letter.number, mark.clone());
        Box::pin(async move {
            let marked = self.keeper.ask(move |store| match mark {
                Mark::Delivered => store.delivered(number, at),
                Mark::Later { due, .. } => store.later(number, at, due),
                Mark::Refused { why } => store.refuse_letter(number, at, &why),
            });
            flat(marked.await)
        })
    }

    fn open_alerts(&self) -> Here<'_, Result<Vec<Message>, OutboxError>> {
        Box::pin(async move {
            let open = flat(self.keeper.ask(|store| store.open_alerts()).await)?;
            let told = open.iter().filter(|revision| revision.priority > Priority::Journal);
            Ok(told.map(|revision| message(revision, &self.site)).collect())
        })
    }
}
