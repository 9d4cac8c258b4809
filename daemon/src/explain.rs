//! Gathers what the store holds of one alert, for `kvarden explain`.

use crate::control;
use crate::store::{Error, MinuteRun, RecordedMeter, Store};
use crate::words::code;
use crate::words::plot::Plot;
use crate::words::speech::Speech;
use crate::words::story::Story;
use kvarden_config::TemperatureUnit;
use kvarden_core::diagnosis::Figure;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{AlertRevision, Matter};
use kvarden_core::plan::{MeterPlan, Plan, ScopePlan};
use kvarden_core::plant::Bound;
use kvarden_core::reading::Sample;
use kvarden_core::time::{EventTime, Span};

/// So much before an alert's beginning is drawn where only minutes are kept.
const BEFORE: Span = Span::hours(1);
/// And so much of it.
const MOST: Span = Span::hours(6);

/// Why nothing can be explained.
#[derive(Debug, thiserror::Error)]
pub enum Unexplained {
    /// The store.
    #[error(transparent)]
    Store(#[from] Error),
    /// No alert, or more than one, is meant.
    #[error("{0}")]
    Unknown(String),
}

/// The story of the alert that is meant: by its code, its id, or a part of the id of an open one.
///
/// # Errors
/// See [`Unexplained`].
pub fn story(store: &Store, plan: &Plan, shows: TemperatureUnit, meant: &str) -> Result<Story, Unexplained> {
    let newest = store.newest_alerts()?;
    let open: Vec<String> =
        newest.iter().filter(|one| one.open).map(|revision| revision.alert.clone()).collect();
    let exact =
        |one: &&AlertRevision| one.alert == meant || code(&one.alert).eq_ignore_ascii_case(meant.trim());
    let alert = match newest.iter().find(exact) {
        Some(one) => one.alert.clone(),
        None => control::find(meant, &open).map_err(Unexplained::Unknown)?,
    };
    let revisions = store.revisions_of(&alert)?;
    let Some(latest) = revisions.last().or_else(|| newest.iter().find(|one| one.alert == alert)) else {
        return Err(Unexplained::Unknown(format!("nothing is kept of {alert} any more")));
    };
    let plot = plot(store, plan, shows, latest, (Drawn::Readings, Speech::ENGLISH))?;
    let revisions = if revisions.is_empty() { vec![latest.clone()] } else { revisions };
    Ok(Story { revisions, plot })
}

/// What shows it best: the quantity of its subject, or that which proves its cause.
fn quantity(revision: &AlertRevision) -> Option<(Quantity, Option<&str>)> {
    let subject = &revision.subject;
    match subject.matter {
        Matter::Quantity(quantity) | Matter::Rate(quantity) => Some((quantity, subject.feeder.as_deref())),
        _ => {
            let evidence = &revision.cause.as_deref()?.facts.evidence;
            evidence.iter().find_map(|one| match one.figure {
                Figure::Quantity(quantity) => Some((quantity, one.feeder.as_deref())),
                Figure::Sign(_, place) if place.key().len() == 1 => {
                    Some((Quantity::at(Measurand::Current, place), one.feeder.as_deref()))
                }
                Figure::Sign(..) => None,
            })
        }
    }
}

/// What to draw of an alert as it stood at one revision: the last hours before `until`, worst of each minute; the readings around
/// it where no minutes are kept yet.
///
/// # Errors
/// When the store can't be read.
pub fn drawing(
    store: &Store,
    plan: &Plan,
    shows: TemperatureUnit,
    (alert, revision): (&str, u32),
    until: EventTime,
    speech: Speech,
) -> Result<Option<Plot>, Unexplained> {
    let revisions = store.revisions_of(alert)?;
    let Some(told) = revisions.into_iter().rev().find(|kept| kept.revision <= revision) else {
        return Ok(None);
    };
    let drawn = Drawn::Hours { from: until - MOST, until };
    plot(store, plan, shows, &told, (drawn, speech))
}

/// Which values are drawn first; the others where there are too few.
#[derive(Debug, Clone, Copy)]
enum Drawn {
    /// The readings around the alert.
    Readings,
    /// The worst of each minute between two moments.
    Hours { from: EventTime, until: EventTime },
}

fn plot(
    store: &Store,
    plan: &Plan,
    shows: TemperatureUnit,
    revision: &AlertRevision,
    (drawn, speech): (Drawn, Speech),
) -> Result<Option<Plot>, Unexplained> {
    let Some((quantity, feeder)) = quantity(revision) else { return Ok(None) };
    let scope = plan.scopes.iter().find(|scope| scope.transformer == revision.subject.transformer);
    let Some(scope) = scope else { return Ok(None) };
    let named = revision.subject.meter.as_deref();
    let measures = |meter: &&MeterPlan| {
        meter.series.contains(&quantity)
            && meter.feeder.as_deref() == feeder
            && named.is_none_or(|name| meter.name == name)
    };
    let Some(meter) = scope.meters.iter().find(measures) else { return Ok(None) };
    let readings = || recorded(store, scope, meter, quantity, revision);
    let around = ((revision.since - BEFORE).max(revision.at - MOST), revision.at);
    let of = |span| minutes(store, meter, quantity, revision, span);
    let (readings_words, minutes_words) =
        (speech.say("plot-each-reading"), speech.say("plot-worst-of-minute"));
    let (mut points, mut what) = match drawn {
        Drawn::Readings => (readings()?, &readings_words),
        Drawn::Hours { from, until } => (of((from, until))?, &minutes_words),
    };
    if points.len() < 2 {
        (points, what) = match drawn {
            Drawn::Readings => (of(around)?, &minutes_words),
            Drawn::Hours { .. } => (readings()?, &readings_words),
        };
    }
    let facts = quantity.what.facts();
    let scale = crate::words::unit::Scale { what: quantity.what, shows };
    for (_, value) in &mut points {
        *value = scale.read(*value);
    }
    let words = crate::words::quantity(quantity, speech);
    let title = format!("{}: {words} ({}), {what}", meter.name, scale.symbol());
    Ok(Some(Plot {
        title,
        points,
        limit: revision.setpoint.map(|setpoint| scale.read(setpoint)),
        bound: revision.rule.bound().unwrap_or(Bound::High),
        decimals: usize::from(facts.decimals),
    }))
}

/// Values of the newest recording that holds the alert's beginning or what came after it.
fn recorded(
    store: &Store,
    scope: &ScopePlan,
    meter: &MeterPlan,
    quantity: Quantity,
    revision: &AlertRevision,
) -> Result<Vec<(EventTime, f64)>, Unexplained> {
    let heads = store.recordings(revision.since, revision.at + Span::seconds(1))?;
    for head in heads.iter().rev().filter(|head| head.scope == scope.name) {
        let Some(meters) = store.recording(&head.id)? else { continue };
        let of_meter = |recorded: &&RecordedMeter| recorded.meter == meter.name;
        let points = meters.iter().find(of_meter).map(|recorded| values(recorded, scope, meter, quantity));
        if let Some(points) = points.filter(|points| points.len() > 1) {
            return Ok(points);
        }
    }
    Ok(Vec::new())
}

/// The values of a quantity in a recording: as it was read, or computed of the meter's own points as it was then.
fn values(
    recorded: &RecordedMeter,
    scope: &ScopePlan,
    meter: &MeterPlan,
    quantity: Quantity,
) -> Vec<(EventTime, f64)> {
    let columns: Vec<Option<usize>> = meter.series[..meter.points]
        .iter()
        .map(|series| recorded.series.iter().position(|key| *key == series.to_string()))
        .collect();
    let Some(index) = meter.series.iter().position(|series| *series == quantity) else { return Vec::new() };
    let mut row = vec![Sample::ABSENT; scope.slots];
    let of_reading = |(at, values): &(EventTime, Vec<Option<f64>>)| {
        for (point, column) in columns.iter().enumerate() {
            let value = column.and_then(|column| values.get(column).copied().flatten());
            row[meter.first_slot + point] = value.map_or(Sample::ABSENT, Sample::new);
        }
        let value = match index.checked_sub(meter.points) {
            None => row[meter.first_slot + index].get(),
            Some(formula) => meter.formulas.get(formula)?.evaluate(&row).get(),
        };
        value.map(|value| (*at, value))
    };
    recorded.readings.iter().filter_map(of_reading).collect()
}

/// The worst of each minute in a span.
fn minutes(
    store: &Store,
    meter: &MeterPlan,
    quantity: Quantity,
    revision: &AlertRevision,
    (from, until): (EventTime, EventTime),
) -> Result<Vec<(EventTime, f64)>, Unexplained> {
    let low = revision.rule.bound() == Some(Bound::Low);
    let mut points = Vec::new();
    for MinuteRun { series, rows } in store.minutes(&meter.name, from, until + Span::minutes(1))? {
        let Some(column) = series.iter().position(|key| *key == quantity.to_string()) else { continue };
        points.extend(rows.iter().filter_map(|(minute, panes)| {
            let pane = panes.get(column)?;
            Some((*minute, if low { pane.min } else { pane.max }?))
        }));
    }
    Ok(points)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Batch, Options};
    use crate::words::story::page;
    use crate::words::tests::cause::{lug, told_with};
    use crate::words::tests::{revised, site, unbalance};
    use kvarden_core::alarm::state::AlarmState;
    use kvarden_core::output::Revised;

    /// The store of a day on which an alert rose, was explained and seen by a person.
    fn told() -> (tempfile::TempDir, Vec<AlertRevision>) {
        let folder = tempfile::tempdir().unwrap();
        let opened = unbalance();
        let explained = revised(&opened, Revised::Explained, AlarmState::Unacknowledged, "13:20");
        let explained = told_with(lug(), true, explained);
        let by = "Ines".to_owned();
        let seen = revised(&explained, Revised::Acknowledged { by }, AlarmState::Acknowledged, "13:25");
        let alerts = vec![opened, explained, seen];
        let mut store = Store::open(folder.path(), Options::default(), alerts[2].at).unwrap().store;
        store.apply(&Batch { alerts: alerts.clone(), ..Batch::default() }).unwrap();
        (folder, alerts)
    }

    fn plan() -> Plan {
        Plan::new(&kvarden_core::plant::Plant {
            site: "Larkspur Cannery".to_owned(),
            transformers: Vec::new(),
            feeders: Vec::new(),
            circuits: Vec::new(),
            sources: Vec::new(),
            states: Vec::new(),
            meters: Vec::new(),
            limits: Vec::new(),
            works: Vec::new(),
            channels: Vec::new(),
            recording: kvarden_core::plant::Around { before: Span::ZERO, after: Span::ZERO },
        })
        .unwrap()
    }

    #[test]
    fn an_alert_is_told_in_full_by_its_code_its_id_or_a_part_of_it() {
        let (folder, alerts) = told();
        let store = Store::open_for_reading(folder.path()).unwrap();
        let celsius = TemperatureUnit::Celsius;
        for meant in [code(&alerts[0].alert).to_lowercase().as_str(), alerts[0].alert.as_str(), "MP-3"] {
            let story = story(&store, &plan(), celsius, meant).unwrap();
            assert_eq!(story.revisions, alerts, "{meant}");
        }
        assert!(
            story(&store, &plan(), celsius, "MP-9").unwrap_err().to_string().contains("no open alert is")
        );
        let page = page(&story(&store, &plan(), celsius, "MP-3").unwrap(), &site());
        insta::assert_snapshot!(page, @r"
        FY30FS  open, acknowledged
        HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 %, 31 times since
        13:10, 2-9 s each. Likely loose phase B connection; limit 3.0 %; acknowledged
        by Ines

        Cause
          Likely loose phase B connection at T2, MP-3, since 13:10; it still shows.
          Confidence 87 %.
          Can burn: each break draws an arc. It gets worse by itself, and cool hours
          prove nothing. Go now at urgent, this shift at high.

        What proves it
          heat of a connection phase B 38 W against 6 W

        Ruled out
          not overload: load of the rating 62 % against 100 %

        How it comes and goes
          31 times since 13:10, 2-9 s each, mostly 13-14 h
          13 h                 31  ########################################

        Shares by feeder
          MP-3               82 %  ########################################
          not metered        18 %  ##########

        What would tell more
          Fit temperature sensors on the terminations: they would show a hot joint
          before it burns.

        Time line
          Tue 24 Nov 13:11:00  raised, high
          Tue 24 Nov 13:20:00  cause found: loose phase B connection
          Tue 24 Nov 13:25:00  acknowledged by Ines

        What to check next
          1. Take load off this feeder by normal switching; motors and electronics
             there suffer from each break.
          2. Smell, smoke, crackling or a discoloured enclosure, seen from outside:
             keep people away and call the licensed electrician now.
          3. Note what runs, shakes or warms at the hours told here: one visit at
             another hour may find nothing.
          4. Scan by infrared through a window made for it at those hours, and compare
             the phases.
          5. Lugs, fuse clips and contacts are looked at on dead gear by the licensed
             electrician, after local codes, and scanned again at load.

        Before anyone acts on this
          This program only reads meters. It is no protective device, and what it does
          not report may still be wrong. Its advice is for qualified persons. Opening
          a transformer, a board or a junction box exposes people to shock and arc
          flash: boundaries, incident energy and protective equipment follow from the
          study and the label on the gear. Isolate, lock and tag, and prove dead with
          a tester that was proven before and after; earth where that is required;
          wait for heat and stored charge. The coils of a dry-type unit are live and
          untouchable even where they look insulated. Never open the secondary of a
          current transformer while current flows. Infrared through a closed steel
          cover shows nothing about a lug: use windows or fixed sensors made for it.
          Where local codes, the site's rules or the licensed electrician say
          otherwise, they decide, not this text.
        ");
    }
}
