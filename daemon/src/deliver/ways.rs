//! The couriers to people, as the configuration has them.

use super::command::CommandCourier;
use super::mail::{MailCourier, NoMail};
use super::webhook::{NoWebhook, WebhookCourier};
use super::writer::Writer;
use crate::world::{Courier, Dial, Sink};
use kvarden_config::Configuration;
use std::rc::Rc;

/// Why a way to people can't be gone as configured.
#[derive(Debug, thiserror::Error)]
pub enum NoWay {
    /// By mail.
    #[error(transparent)]
    Mail(#[from] NoMail),
    /// By webhook.
    #[error(transparent)]
    Webhook(#[from] NoWebhook),
}

/// A courier for each configured way.
///
/// # Errors
/// The first that can't be gone.
pub fn couriers(
    configuration: &Configuration,
    writer: &Rc<Writer>,
    dial: &Rc<dyn Dial>,
    clock: &Rc<dyn Sink>,
) -> Result<Vec<Box<dyn Courier>>, NoWay> {
    let people = &configuration.people;
    let mut couriers: Vec<Box<dyn Courier>> = Vec::new();
    if let Some(spec) = &configuration.mail {
        couriers.push(Box::new(MailCourier::new(spec, people, Rc::clone(writer))?));
    }
    if let Some(spec) = &configuration.webhook {
        couriers.push(Box::new(WebhookCourier::new(spec, Rc::clone(dial), Rc::clone(clock))?));
    }
    if let Some(spec) = &configuration.command {
        couriers.push(Box::new(CommandCourier::new(spec, people, Rc::clone(writer))));
    }
    Ok(couriers)
}
