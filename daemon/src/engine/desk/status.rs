//! How things stand, put together from the engine and the store.

use super::Desk;
use crate::digest::making::LOOK_BACK;
use crate::engine::ageing;
use crate::status::{AlertStatus, ChannelStatus, Status};
use crate::words::speech::Speech;
use crate::words::{cause, message, supply};
use kvarden_core::diagnosis::Family;
use kvarden_core::digest::figures::of_stretch;
use kvarden_core::input::Part;
use kvarden_core::reading::MeterId;
use kvarden_core::time::{EventTime, Span};

impl Desk {
    /// How things stand.
    pub async fn status(&self) -> Status {
        let mut status = {
            // Whoever sits at the box reads English, as all its commands speak it.
            let (engine, site) = (self.engine.borrow(), self.site.borrow().spoken(Speech::ENGLISH));
            let alerts = engine.monitor.open_alerts().map(|revision| {
                let message = message(revision, &site);
                AlertStatus {
                    code: message.code,
                    alert: revision.alert.clone(),
                    text: message.text,
                    state: revision.state.words().to_owned(),
                    priority: revision.priority,
                    since: revision.since,
                }
            });
            let mut alerts: Vec<AlertStatus> = alerts.collect();
            crate::status::sort(&mut alerts);
            let made_here = |index: usize| {
                engine.monitor.meter(MeterId(index as u32)).is_some_and(|meter| meter.points == 0)
            };
            let meters = engine.meters.iter().enumerate().filter(|(index, _)| !made_here(*index));
            Status {
                site: site.name.clone(),
                timezone: site.zone.iana_name().unwrap_or("UTC").to_owned(),
                now: self.now(),
                since: self.since,
                alerts,
                works: engine
                    .monitor
                    .open_works()
                    .map(|work| crate::words::asked::work_now(work, self.now(), &site.zone))
                    .collect(),
                asked: Vec::new(),
                findings: engine
                    .monitor
                    .open_findings()
                    .filter(|facts| facts.cause.family() != Family::Event)
                    .map(|facts| cause::listed(facts, self.now(), site.reads()))
                    .collect(),
                supplies: engine
                    .monitor
                    .supplies()
                    .map(|now| supply::line(&now, self.now(), &site.zone))
                    .chain(engine.monitor.contexts(self.now()).filter_map(|(name, context)| {
                        crate::words::context(name, &context, self.now(), &site.zone)
                    }))
                    .chain(engine.monitor.in_parallel().flat_map(|now| crate::words::parallel::lines(&now)))
                    .collect(),
                meters: meters.map(|(index, meter)| engine.status_of(index, meter)).collect(),
                channels: engine
                    .gathered
                    .channels()
                    .iter()
                    .map(|channel| ChannelStatus {
                        channel: channel.clone(),
                        waiting: 0,
                        works: !engine.monitor.is_broken(&Part::Channel(channel.clone())),
                    })
                    .collect(),
                readings: engine.readings,
                not_kept: engine.not_kept,
                store_works: engine.store_works,
                store_notices: Vec::new(),
                farthest: engine
                    .monitor
                    .farthest_now()
                    .filter_map(|now| crate::words::values_now::farthest(&now))
                    .collect(),
                harmonics: engine
                    .monitor
                    .signatures_now()
                    .filter_map(|now| crate::words::signature::signature(&now))
                    .collect(),
                not_told: crate::words::values_now::not_told(engine.monitor.not_told()),
                strangers: self.strangers.borrow().clone(),
                calibrations: engine
                    .monitor
                    .heat_learned()
                    .filter_map(crate::words::calibration)
                    .chain(engine.monitor.connections_learned().map(crate::words::connections))
                    .collect(),
                ageing: Vec::new(),
                certificates: self.certificates.borrow().clone(),
                refused_configuration: self.bell.refused(),
            }
        };
        let names: Vec<String> = status.channels.iter().map(|channel| channel.channel.clone()).collect();
        let (now, zone) = (self.now(), self.site.borrow().zone.clone());
        let insulations = ageing::insulations(&self.engine.borrow().monitor);
        let count = move |store: &mut crate::store::Store| {
            let waiting = names.iter().map(|name| store.waiting(name).unwrap_or(0)).collect::<Vec<_>>();
            let notices = store.notices(now).unwrap_or_default();
            (waiting, notices, ageing::told(store, &insulations, now, &zone), asked(store, now, &zone))
        };
        if let Ok((waiting, notices, ageing, asked)) = self.keeper.ask(count).await {
            status.asked = asked;
            status.store_notices = notices;
            status.ageing = ageing;
            for (channel, waiting) in status.channels.iter_mut().zip(waiting) {
                channel.waiting = waiting as u64;
            }
        }
        status
    }
}

/// What the alarms of the last 24 hours asked of people; nothing where the store can't be read.
fn asked(store: &crate::store::Store, now: EventTime, zone: &jiff::tz::TimeZone) -> Vec<String> {
    let from = now - Span::hours(24);
    let Ok(changes) = store.changes(now - LOOK_BACK, now) else { return Vec::new() };
    crate::words::asked::lines(&of_stretch(from, now, &changes), (from, now), zone, Speech::ENGLISH)
}
