//! What comes out of the monitor, sorted into what is stored: changes, alerts with their letters, rows.

use crate::duty::{Duty, Row, Rules, Sign};
use crate::store::{Batch, MinuteRow, NewLetter, NewRecording, Precious, RefusedRow};
use crate::words::{Site, message, sign_of_life, to_person};
use kvarden_config::Way;
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::measurand::Quantity;
use kvarden_core::meter::MINUTE;
use kvarden_core::monitor::{Monitor, ScopeId};
use kvarden_core::output::{AlertRevision, Change, Excursion, Output, RecordingSpan, Subject};
use kvarden_core::plan::Plan;
use kvarden_core::plant::{Priority, StampedBy};
use kvarden_core::reading::MeterId;
use kvarden_core::time::{EventTime, Span};
use std::collections::{BTreeSet, HashSet};
use std::sync::Arc;

/// The program's own log: it gets also what nobody is told.
const RECORD: &str = "log";

/// A meter's name, and what its columns mean.
type Columns = (Arc<str>, Arc<[Quantity]>);

/// Sorts outputs into batches.
#[derive(Debug)]
pub struct Gathered {
    site: Site,
    channels: Vec<String>,
    /// By meter id: name and series, shared with every row.
    meters: Vec<Columns>,
    /// By scope: its name, and name and points of each meter that is read.
    scopes: Vec<(String, Vec<Columns>)>,
    told: Told,
    themselves: Themselves,
    clock: OurClock,
    duty: Duty,
}

/// What bears the stamps that meters make themselves.
#[derive(Debug, Default)]
struct Themselves {
    meters: Arc<BTreeSet<String>>,
    subjects: HashSet<Subject>,
    /// Keys of alarms, with that of their scope.
    alarms: HashSet<String>,
    /// Beginnings of the ids of what scopes tell of which every meter does.
    scopes: Vec<String>,
}

/// How our own clock stands for the input whose outputs are added.
#[derive(Debug, Clone, Copy, Default)]
struct OurClock {
    /// Since when it is not trusted.
    doubted: Option<EventTime>,
    /// It was corrected by this input, while it was not trusted.
    corrected: Option<Span>,
}

/// Open alerts that people were told of; what is for the digest only is never told.
#[derive(Debug, Clone, Default)]
pub struct Told(HashSet<String>);

impl Told {
    /// These alerts are known to people.
    pub fn new(alerts: HashSet<String>) -> Self {
        Self(alerts)
    }

    /// Whether people are told of this revision: its alert is more than journal, or was when it was told before.
    pub fn knows(&mut self, revision: &AlertRevision) -> bool {
        if !revision.open {
            return self.0.remove(&revision.alert);
        }
        if revision.priority > Priority::Journal {
            self.0.insert(revision.alert.clone());
        }
        self.0.contains(&revision.alert)
    }
}

impl Gathered {
    /// For this plan and these channels. `told` are the open alerts that people know of.
    pub fn new(plan: &Plan, site: Site, channels: Vec<String>, told: Told) -> Self {
        let facts = |place: &kvarden_core::plan::MeterRef| {
            let meter = &plan.scopes[place.scope].meters[place.local];
            (Arc::from(meter.name.as_str()), Arc::from(&*meter.series))
        };
        let points = |scope: &kvarden_core::plan::ScopePlan| {
            let read = scope.meters.iter().filter(|meter| meter.points > 0);
            let points =
                read.map(|meter| (Arc::from(meter.name.as_str()), Arc::from(&meter.series[..meter.points])));
            (scope.name.clone(), points.collect())
        };
        Self {
            site,
            channels,
            meters: plan.meters.iter().map(facts).collect(),
            scopes: plan.scopes.iter().map(points).collect(),
            told,
            themselves: Themselves::of(plan),
            clock: OurClock::default(),
            duty: Duty::default(),
        }
    }

    /// Goes on with another plan; what people know of stays known.
    pub fn follow_plan(&mut self, plan: &Plan, site: Site, channels: Vec<String>) {
        let told = std::mem::take(&mut self.told);
        let duty = std::mem::take(&mut self.duty);
        *self = Self { clock: self.clock, duty, ..Self::new(plan, site, channels, told) };
    }

    /// What is kept of a scope that the next plan does not have: counts, so that no id comes twice if it comes back.
    pub fn retired(&self, scope: ScopeId, number: u64, monitor: &Monitor) -> Option<Precious> {
        let name = monitor.plan().scopes[scope.0].name.as_str();
        retired(name, number, monitor.precious(scope))
    }

    /// With people who are told by rules.
    #[must_use]
    pub fn with_duty(self, duty: Duty) -> Self {
        Self { duty, ..self }
    }

    /// Goes on with other people, or other rules for them; what they were told stays known.
    pub fn follow_people(&mut self, rules: Rules, open: Vec<AlertRevision>) {
        self.duty.follow(rules, open);
    }

    /// Writes what people are to be told now. To be called for each input after its outputs are added, and each second.
    pub fn attend(&mut self, now: EventTime, batch: &mut Batch) {
        if !self.duty.is_due(now) {
            return;
        }
        for telling in self.duty.attend(now, self.clock.doubted.is_none()) {
            let Some(rules) = self.duty.rules() else { continue };
            let message = to_person(&telling, &rules.people[telling.person], &self.site);
            let text = message.json();
            batch.letters.extend(telling.by.iter().map(|way| NewLetter {
                id: format!("{}:{}", message.id, way.key()),
                channel: way.key().to_owned(),
                alert: telling.revision.alert.clone(),
                revision: telling.revision.revision,
                created: now,
                message: text.clone(),
                to: Some(rules.people[telling.person].name.clone()),
                due: now,
                reminds: telling.why.is_needless_when_seen() && telling.others.is_empty(),
            }));
        }
        if let Some(sign) = self.duty.sign(now, self.clock.doubted.is_none()) {
            self.give_sign(&sign, batch);
        }
        put_duty(batch, self.duty.take_changes());
        batch.seen.extend(self.duty.take_needless());
    }

    /// By every way that leads to the person. One that still waits from the day before is needless.
    fn give_sign(&self, sign: &Sign, batch: &mut Batch) {
        let Some(person) = self.duty.rules().map(|rules| &rules.people[sign.person]) else { return };
        let message = sign_of_life(sign, person, &self.site);
        batch.seen.push(message.alert.clone());
        let ways = Way::ALL.into_iter().filter(|way| person.has(*way));
        batch.letters.extend(ways.map(|way| NewLetter {
            id: format!("{}:{}", message.id, way.key()),
            channel: way.key().to_owned(),
            alert: message.alert.clone(),
            revision: message.revision,
            created: sign.at,
            message: message.json(),
            to: Some(person.name.clone()),
            due: sign.at,
            reminds: true,
        }));
    }

    /// To be called for each input before its outputs are added. `corrected`: so much it corrects our clock. What was told
    /// while the clock was not trusted is dated by it, and moves with it.
    pub fn follow_clock(&mut self, monitor: &Monitor, corrected: Option<Span>, batch: &mut Batch) {
        let doubted = monitor.doubts_clock_since();
        if let Some(by) = corrected {
            self.duty.shift(by);
        }
        let corrected = corrected.filter(|_| self.clock.doubted.is_some());
        if let Some(by) = corrected {
            batch.redate(by, &self.themselves.meters);
        }
        if self.clock.doubted.is_some() && doubted.is_none() {
            batch.settle_stamps();
        }
        self.clock = OurClock { doubted, corrected };
    }

    /// The channels.
    pub fn channels(&self) -> &[String] {
        &self.channels
    }

    /// The name of a meter.
    pub fn meter_name(&self, meter: MeterId) -> Option<Arc<str>> {
        self.meters.get(meter.0 as usize).map(|(name, _)| Arc::clone(name))
    }

    /// Puts one output of input `number` into the batch.
    pub fn add(&mut self, number: u64, output: Output, batch: &mut Batch) {
        match output {
            Output::Alarm(change) => self.add_change(change, batch),
            Output::Finding(change) => self.add_finding(change, batch),
            Output::Alert(revision) => self.add_alert(revision, batch),
            Output::Excursion(excursion) => self.add_excursion(excursion, batch),
            Output::Minute(closed) => {
                if let Some((meter, series)) = self.meters.get(closed.meter.0 as usize) {
                    let (minute, guessed) = self.dated(meter, closed.minute);
                    batch.minutes.push(MinuteRow {
                        meter: Arc::clone(meter),
                        series: Arc::clone(series),
                        minute,
                        panes: closed.panes,
                        late: closed.late,
                        guessed,
                    });
                }
            }
            Output::Recording(span) => {
                batch.recordings.extend(self.recording(number, span));
            }
            Output::Refused(what) => {
                if let Some(meter) = self.meter_name(what.meter) {
                    batch.refused.push(RefusedRow { number, meter, what });
                }
            }
            // An answer goes to the person who asked.
            Output::Answer(_) => {}
        }
    }

    /// When a minute of this meter began, as far as is known, and whether it waits for its date: our clock, which is not
    /// trusted, was doubted before it ended.
    fn dated(&self, meter: &str, minute: EventTime) -> (EventTime, bool) {
        let Some(from) = self.clock.doubted.filter(|_| !self.themselves.meters.contains(meter)) else {
            return (minute, false);
        };
        // A correction closes the minute that is open, which is dated by the clock before it.
        let moved = minute + self.clock.corrected.unwrap_or(Span::ZERO);
        if moved + MINUTE > from { (moved, true) } else { (minute, false) }
    }

    fn add_change(&self, change: Change, batch: &mut Batch) {
        let itself = self.themselves.subjects.contains(&change.subject);
        let stamps = self.clock.doubted.map(|from| change.doubtful(from, itself));
        batch.changes.push(change);
        if let Some(stamps) = stamps {
            batch.mark_change(stamps);
        }
    }

    fn add_alert(&mut self, revision: AlertRevision, batch: &mut Batch) {
        self.tell(&revision, batch);
        self.duty.hear(&revision);
        let itself = self.themselves.subjects.contains(&revision.subject);
        let stirs = |change: &&Change| change.at == revision.at && change.subject == revision.subject;
        let stamps = self
            .clock
            .doubted
            .map(|from| revision.doubtful(from, itself, batch.changes.iter().rev().find(stirs)));
        batch.alerts.push(revision);
        if let Some(stamps) = stamps {
            batch.mark_alert(stamps);
        }
    }

    fn add_finding(&self, change: FindingChange, batch: &mut Batch) {
        let itself = self.themselves.scopes.iter().any(|scope| change.finding.starts_with(scope.as_str()));
        let stamps = self.clock.doubted.map(|from| change.doubtful(from, itself));
        batch.findings.push(change);
        if let Some(stamps) = stamps {
            batch.mark_finding(stamps);
        }
    }

    fn add_excursion(&self, excursion: Excursion, batch: &mut Batch) {
        let itself = self.themselves.subjects.contains(&excursion.subject);
        let stamps = self.clock.doubted.map(|from| excursion.doubtful(from, itself));
        batch.excursions.push(excursion);
        if let Some(stamps) = stamps {
            batch.mark_excursion(stamps);
        }
    }

    fn recording(&self, number: u64, span: RecordingSpan) -> Option<NewRecording> {
        let (_, meters) = self.scopes.iter().find(|(name, _)| *name == span.scope)?;
        let key = span.alarm.rsplit_once('#').map_or(span.alarm.as_str(), |(key, _)| key);
        let guessed = self.clock.doubted.is_some() && !self.themselves.alarms.contains(key);
        Some(NewRecording {
            id: format!("{}@{}", span.alarm, span.from.0),
            scope: span.scope,
            alarm: span.alarm,
            from: span.from,
            to: span.to,
            priority: span.priority,
            number,
            meters: meters.clone(),
            guessed,
            // A correction breaks off what is under way, which is dated by the clock before it.
            moved: self.clock.corrected.filter(|_| guessed).unwrap_or(Span::ZERO),
        })
    }

    /// Writes the letters of a revision, unless it is for the digest only.
    fn tell(&mut self, revision: &AlertRevision, batch: &mut Batch) {
        if !self.told.knows(revision) {
            return;
        }
        let message = message(revision, &self.site);
        let Ok(text) = serde_json::to_string(&message) else { return };
        // Ways to people have an addressee, and rules of their own. What is held back is for the record alone.
        let is_meant = |channel: &&String| {
            Way::from_key(channel).is_none() && (revision.held.is_none() || channel.as_str() == RECORD)
        };
        batch.letters.extend(self.channels.iter().filter(is_meant).map(|channel| NewLetter {
            id: format!("{}:{channel}", message.id),
            channel: channel.clone(),
            alert: revision.alert.clone(),
            revision: revision.revision,
            created: revision.at,
            message: text.clone(),
            to: None,
            due: revision.at,
            reminds: false,
        }));
    }

    /// Puts what must never be lost of these scopes into the batch: what is learned changes without telling anything.
    pub fn add_learned(&self, scopes: &[ScopeId], number: u64, monitor: &Monitor, batch: &mut Batch) {
        for scope in scopes {
            let name = &monitor.plan().scopes[scope.0].name;
            let Ok(body) = serde_json::to_string(&monitor.precious(*scope)) else { continue };
            batch.precious.retain(|known| &*known.scope != name.as_str());
            batch.precious.push(Precious { scope: Arc::from(name.as_str()), number, body });
        }
    }

    /// Puts the alarms, alerts and findings of the scopes that changed into the batch.
    pub fn add_precious(&self, number: u64, monitor: &Monitor, batch: &mut Batch) {
        let plan = monitor.plan();
        for scope in monitor.scopes() {
            let name = &plan.scopes[scope.0].name;
            let prefix = format!("{name}/");
            let mut ids = batch
                .changes
                .iter()
                .map(|change| &change.alarm)
                .chain(batch.findings.iter().map(|change| &change.finding))
                .chain(batch.alerts.iter().map(|revision| &revision.alert));
            if !ids.any(|id| id.starts_with(&prefix)) {
                continue;
            }
            let Ok(body) = serde_json::to_string(&monitor.precious(scope)) else { continue };
            batch.precious.retain(|known| &*known.scope != name.as_str());
            batch.precious.push(Precious { scope: Arc::from(name.as_str()), number, body });
        }
    }
}

impl Themselves {
    fn of(plan: &Plan) -> Self {
        let mut all = Self::default();
        let mut meters = BTreeSet::new();
        for scope in &plan.scopes {
            let mut read = scope.meters.iter().filter(|meter| meter.points > 0).peekable();
            if read.peek().is_some() && read.all(|meter| meter.stamped_by == StampedBy::Meter) {
                all.scopes.push(format!("{}/", scope.name));
            }
            for meter in scope.meters.iter().filter(|meter| meter.stamped_by == StampedBy::Meter) {
                meters.insert(meter.name.clone());
                for alarm in meter.alarms_of_readings().map(|alarm| &scope.alarms[alarm]) {
                    all.subjects.insert(scope.subjects[alarm.subject].subject.clone());
                    all.alarms.insert(format!("{}/{}", scope.name, alarm.key));
                }
            }
        }
        Self { meters: Arc::new(meters), ..all }
    }
}

/// What is kept of a scope that is no longer watched.
pub fn retired(scope: &str, number: u64, precious: kvarden_core::saved::Precious) -> Option<Precious> {
    let body = serde_json::to_string(&precious.retired()).ok()?;
    Some(Precious { scope: Arc::from(scope), number, body })
}

/// Of each key only the newest row is kept.
fn put_duty(batch: &mut Batch, rows: Vec<Row>) {
    batch.duty.retain(|(known, _)| rows.iter().all(|(new, _)| new != known));
    batch.duty.extend(rows);
}

/// Puts a newer batch behind an older one.
pub fn append(older: &mut Batch, mut newer: Batch) {
    older.append_guessed(std::mem::take(&mut newer.guessed));
    older.tail.extend(newer.tail);
    older.changes.extend(newer.changes);
    older.findings.extend(newer.findings);
    older.alerts.extend(newer.alerts);
    older.excursions.extend(newer.excursions);
    older.minutes.extend(newer.minutes);
    older.recordings.extend(newer.recordings);
    older.letters.extend(newer.letters);
    put_duty(older, newer.duty);
    older.seen.extend(newer.seen);
    older.refused.extend(newer.refused);
    older.precious.retain(|known| newer.precious.iter().all(|new| new.scope != known.scope));
    older.precious.extend(newer.precious);
    older.learned.retain(|known| newer.learned.iter().all(|new| new.meter != known.meter));
    older.learned.extend(newer.learned);
}
