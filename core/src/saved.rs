//! The state of one scope as it is saved: keyed by names, never by slots, so that it fits a changed plan as far
//! as the names are the same.

use crate::alarm::book::{AlarmBook, SavedAlarm, SavedHolds};
use crate::alert::{AlertBook, SavedAlert, SavedCase};
use crate::context::Returns;
use crate::demand::{MeterDemand, Weeks};
use crate::diagnosis::{Diagnosis, FindingBook};
use crate::electrical::energy::MeteredPower;
use crate::feeding::{Lately, Seen};
use crate::fitting::SavedFitting;
use crate::grid::Grid;
use crate::input::MeterTrouble;
use crate::late::{Gaps, LateMinute};
use crate::measurand::Quantity;
use crate::meter::MeterState;
use crate::output::Output;
use crate::panes::Panes;
use crate::parallel::Abreast;
use crate::plan::{MeterPlan, RollingPlan, ScopePlan};
use crate::plant::Bound;
use crate::quality::{Absence, FrozenWatch, Quarantine};
use crate::recorder::Recorder;
use crate::rolling::Rolling;
use crate::scope::Scope;
use crate::sequencer::Sequencer;
use crate::study::{Learned, Study};
use crate::time::{EventTime, Span};
use crate::trouble::{ClockWatch, NonsenseWatch};
use crate::watch::LimitWatch;
use crate::window::{Cadence, Pane};
use serde::{Deserialize, Serialize};

/// The state of one scope.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScopeState {
    /// The scope's name.
    pub scope: String,
    /// The time up to which it was told.
    pub at: EventTime,
    /// What must never be lost: alarms and alerts.
    pub precious: Precious,
    /// What can be built again: windows, panes, delays under way.
    pub rebuildable: Rebuildable,
}

/// The most alarms, and alerts, of earlier configurations whose counts are kept in a scope. A renamed meter leaves
/// about twenty, so this is a hundred renamings; the oldest go first.
pub const MOST_FORMER: usize = 2000;

/// Alarms and alerts that ever rose.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Precious {
    /// The alarms.
    pub alarms: Vec<SavedAlarm>,
    /// The alerts.
    pub alerts: Vec<SavedAlert>,
    /// Which meters' values have fitted the nameplate.
    #[serde(default)]
    pub fittings: Vec<SavedFitting>,
    /// Of each meter with a demand, what the week's figures are made of.
    #[serde(default)]
    pub weeks: Vec<(String, Weeks)>,
    /// What the models have learned.
    #[serde(default)]
    pub learned: Learned,
    /// The findings that stand, and how many there ever were.
    #[serde(default)]
    pub findings: FindingBook,
    /// The faults with a named cause of which people are told.
    #[serde(default)]
    pub cases: Vec<SavedCase>,
    /// Planned work and floods.
    #[serde(default)]
    pub holds: SavedHolds,
}

impl Precious {
    /// What is kept of a scope that the configuration no longer has: counts, so that no id comes twice if it comes back.
    #[must_use]
    pub fn retired(self) -> Self {
        Self {
            alarms: self.alarms.into_iter().map(SavedAlarm::retired).collect(),
            alerts: self.alerts.into_iter().map(SavedAlert::retired).collect(),
            fittings: self.fittings,
            ..Self::default()
        }
    }
}

/// Windows, panes, delays under way.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Rebuildable {
    meters: Vec<SavedMeter>,
    grid: Option<(Vec<(String, Quantity)>, Grid)>,
    study: Study,
    diagnosis: Diagnosis,
    abreast: Abreast,
    recorder: Recorder,
    doubts_clock: Option<EventTime>,
    looked: Option<EventTime>,
    /// What is known of the states that the scope's meters read.
    flags: Vec<(String, Quantity, Seen, Lately)>,
}

/// A minute of late readings: which one, when it is due, and what it has.
type SavedLate = (EventTime, EventTime, Vec<(Quantity, Pane)>);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct SavedMeter {
    name: String,
    door: Sequencer,
    quarantine: Quarantine,
    frozen: FrozenWatch,
    nonsense: NonsenseWatch,
    clock: ClockWatch,
    absences: Vec<(Quantity, Absence)>,
    cadence: Cadence,
    heard: Option<EventTime>,
    minute: Option<EventTime>,
    panes: Vec<(Quantity, Pane)>,
    gaps: Gaps,
    late: Option<SavedLate>,
    rolling: Vec<(Span, Vec<Quantity>, Rolling)>,
    /// Of what, which way, and whether of how fast it rises.
    limits: Vec<(Quantity, Bound, bool, LimitWatch)>,
    metered: MeteredPower,
    demand: Option<Box<MeterDemand>>,
    returns: Returns,
}

/// Saves a scope.
pub(crate) fn save(plan: &ScopePlan, scope: &Scope, at: EventTime) -> ScopeState {
    ScopeState {
        scope: plan.name.clone(),
        at,
        precious: precious(plan, scope),
        rebuildable: Rebuildable {
            meters: plan
                .meters
                .iter()
                .zip(&scope.meters)
                .map(|(plan, state)| save_meter(plan, state))
                .collect(),
            grid: scope.grid.clone().map(|grid| (grid_keys(plan), grid)),
            study: scope.study.clone(),
            diagnosis: scope.diagnosis.clone(),
            abreast: scope.abreast.clone(),
            recorder: scope.recorder.clone(),
            doubts_clock: scope.doubts_clock,
            looked: Some(scope.looked),
            flags: flag_keys(plan)
                .zip(scope.flags.seen.iter().zip(&scope.flags.lately))
                .map(|((meter, flag), (seen, lately))| (meter, flag, *seen, lately.clone()))
                .collect(),
        },
    }
}

/// Saves the alarms and alerts that were ever told of, also those of earlier configurations.
pub(crate) fn precious(plan: &ScopePlan, scope: &Scope) -> Precious {
    let alarms = plan.alarms.iter().enumerate().filter(|(index, _)| scope.alarms.entry(*index).was_told());
    let alarms = alarms.map(|(index, facts)| SavedAlarm {
        key: facts.key.clone(),
        subject: plan.subjects[facts.subject].subject.clone(),
        rule: facts.rule,
        priority: facts.priority,
        over: facts.over,
        entry: scope.alarms.entry(index).clone(),
    });
    let alerts = plan.subjects.iter().enumerate().filter(|(index, _)| scope.alerts.entry(*index).number > 0);
    let alerts = alerts.map(|(index, facts)| SavedAlert {
        key: facts.key.clone(),
        entry: scope.alerts.entry(index).clone(),
    });
    let meters = plan.meters.iter().zip(&scope.meters);
    let fittings = meters
        .filter_map(|(plan, state)| Some(state.fitting.as_ref()?.save(&plan.name, plan.fitting.as_ref()?)));
    let meters = plan.meters.iter().zip(&scope.meters);
    let weeks = meters.filter_map(|(plan, state)| Some((plan.name.clone(), state.demand.as_ref()?.weeks)));
    let former = &scope.former;
    Precious {
        fittings: fittings.collect(),
        weeks: weeks.collect(),
        learned: scope.study.learned(),
        findings: scope.findings.clone(),
        cases: scope.alerts.save_cases(plan),
        holds: scope.alarms.save_holds(),
        alarms: former.alarms.iter().cloned().chain(alarms).collect(),
        alerts: former.alerts.iter().cloned().chain(alerts).collect(),
    }
}

/// By which meter and which of its points the scope's states are read.
fn flag_keys(plan: &ScopePlan) -> impl Iterator<Item = (String, Quantity)> + '_ {
    plan.flags.iter().map(|flag| {
        let meter = &plan.meters[flag.meter];
        (meter.name.clone(), meter.series[flag.point])
    })
}

fn grid_keys(plan: &ScopePlan) -> Vec<(String, Quantity)> {
    let inputs = plan.grid.iter().flat_map(|grid| &grid.inputs);
    inputs
        .map(|(local, slot)| {
            let meter = &plan.meters[*local];
            (meter.name.clone(), meter.series[slot - meter.first_slot])
        })
        .collect()
}

fn save_meter(plan: &MeterPlan, state: &MeterState) -> SavedMeter {
    SavedMeter {
        name: plan.name.clone(),
        door: state.door.clone(),
        quarantine: state.quarantine.clone(),
        frozen: state.frozen.clone(),
        nonsense: state.nonsense,
        clock: state.clock,
        absences: plan
            .absent
            .iter()
            .zip(&state.absences)
            .map(|((point, _), absence)| (plan.series[*point], *absence))
            .collect(),
        cadence: state.cadence,
        heard: state.heard,
        minute: state.minute,
        panes: plan.series.iter().copied().zip(state.panes.all()).collect(),
        gaps: state.gaps.clone(),
        late: state
            .late
            .as_ref()
            .map(|late| (late.minute, late.due, plan.series.iter().copied().zip(late.panes.all()).collect())),
        rolling: state
            .rolling
            .iter()
            .zip(&plan.rolling)
            .map(|(rolling, windows)| (windows.length, quantities(plan, windows), rolling.clone()))
            .collect(),
        limits: state
            .watches
            .iter()
            .zip(&plan.limits)
            .map(|(watch, limit)| (plan.series[limit.series], limit.bound, limit.rate, watch.clone()))
            .collect(),
        metered: state.metered,
        demand: state.demand.clone(),
        returns: state.returns.clone(),
    }
}

/// What the windows of one length are over.
fn quantities(plan: &MeterPlan, windows: &RollingPlan) -> Vec<Quantity> {
    windows.series.iter().map(|series| plan.series[*series]).collect()
}

/// Puts a saved state into a new scope, as far as the names are the same; says what is no longer watched.
pub(crate) fn adopt(plan: &ScopePlan, scope: &mut Scope, state: ScopeState, out: &mut Vec<Output>) {
    let learned = state.precious.learned.clone();
    let weeks = state.precious.weeks.clone();
    let findings = state.precious.findings.clone();
    let fittings = adopt_precious(plan, scope, state.at, state.precious, out);
    for saved in state.rebuildable.meters {
        if let Some(local) = plan.meters.iter().position(|meter| meter.name == saved.name) {
            adopt_meter(&plan.meters[local], &mut scope.meters[local], saved);
        }
    }
    scope.recorder = state.rebuildable.recorder;
    if plan.grid.as_ref().is_some_and(|grid| grid.diagnosis.in_parallel) {
        scope.abreast = state.rebuildable.abreast;
    }
    scope.doubts_clock = state.rebuildable.doubts_clock;
    scope.looked = state.rebuildable.looked.unwrap_or(scope.looked);
    for (index, key) in flag_keys(plan).enumerate() {
        let same = |saved: &&(String, Quantity, Seen, Lately)| (&saved.0, &saved.1) == (&key.0, &key.1);
        if let Some((.., seen, lately)) = state.rebuildable.flags.iter().find(same) {
            scope.flags.seen[index] = *seen;
            scope.flags.lately[index] = lately.clone();
        }
    }
    let same_grid = |(keys, grid): &(Vec<_>, Grid)| {
        plan.grid.as_ref().is_some_and(|plan| grid.fits(plan)) && *keys == grid_keys(plan)
    };
    if let Some((_, grid)) = state.rebuildable.grid.filter(same_grid) {
        scope.grid = Some(grid);
    }
    for (meter, state) in plan.meters.iter().zip(scope.meters.iter_mut()) {
        let saved = weeks.iter().find(|(name, _)| *name == meter.name);
        if let (Some(demand), Some((_, weeks))) = (&mut state.demand, saved) {
            demand.weeks = *weeks;
        }
    }
    let before = out.len();
    match &plan.grid {
        Some(grid) => {
            scope.findings = findings;
            scope.findings.keep_watched(&grid.diagnosis, state.at, out);
        }
        None => out.extend(findings.no_longer_watched(&plan.name, state.at).map(Output::Finding)),
    }
    scope.follow_causes(plan, before, out);
    if let Some(grid) = &plan.grid {
        scope.study.adopt(&grid.study, state.rebuildable.study);
        scope.study.adopt_learned(&learned);
        scope.diagnosis.adopt(&grid.diagnosis, state.rebuildable.diagnosis);
    }
    for (meter, state) in plan.meters.iter().zip(scope.meters.iter_mut()) {
        if let (Some(fitting), Some(plan)) = (&mut state.fitting, &meter.fitting) {
            let saved = fittings.iter().find(|saved| saved.meter == meter.name);
            fitting.adopt(plan, saved, |alarm| scope.alarms.entry(alarm).active);
        }
        for (absence, (_, alarm)) in state.absences.iter_mut().zip(&meter.absent) {
            let entry = scope.alarms.entry(*alarm);
            absence.align(entry.active.then_some(entry.since), meter.absent_after);
        }
        let standing = |trouble| {
            let entry = meter.trouble(trouble).map(|alarm| scope.alarms.entry(alarm));
            entry.filter(|entry| entry.active).map(|entry| entry.since)
        };
        state.nonsense.align(standing(MeterTrouble::Nonsense));
        state.clock.align(standing(MeterTrouble::ClockWrong).is_some());
        for (watch, limit) in state.watches.iter_mut().zip(&meter.limits) {
            watch.align(limit, &scope.alarms);
        }
    }
    scope.settle(plan, state.at, out);
}

fn adopt_precious(
    plan: &ScopePlan,
    scope: &mut Scope,
    at: EventTime,
    precious: Precious,
    out: &mut Vec<Output>,
) -> Vec<SavedFitting> {
    for saved in precious.alarms {
        if let Some(index) = plan.alarms.iter().position(|alarm| alarm.key == saved.key) {
            scope.alarms.restore(index, saved.entry);
        } else {
            out.extend(AlarmBook::no_longer_watched(&plan.name, &saved, at).map(Output::Alarm));
            keep(&mut scope.former.alarms, saved.retired());
        }
    }
    for saved in precious.alerts {
        if let Some(index) = plan.subjects.iter().position(|subject| subject.key == saved.key) {
            scope.alerts.restore(index, saved.entry);
        } else {
            out.extend(AlertBook::no_longer_watched(&plan.name, &saved, at).map(Output::Alert));
            keep(&mut scope.former.alerts, saved.retired());
        }
    }
    scope.alerts.restore_cases(plan, precious.cases);
    scope.alarms.restore_holds(precious.holds);
    precious.fittings
}

fn keep<T>(former: &mut Vec<T>, one: T) {
    if former.len() >= MOST_FORMER {
        former.remove(0);
    }
    former.push(one);
}

fn adopt_meter(plan: &MeterPlan, state: &mut MeterState, saved: SavedMeter) {
    state.door = saved.door;
    state.quarantine = saved.quarantine;
    state.frozen = saved.frozen;
    state.nonsense = saved.nonsense;
    state.clock = saved.clock;
    for (quantity, absence) in saved.absences {
        if let Some(index) = plan.absent.iter().position(|(point, _)| plan.series[*point] == quantity) {
            state.absences[index] = absence;
        }
    }
    state.cadence = saved.cadence;
    state.heard = saved.heard;
    state.minute = saved.minute;
    state.metered = saved.metered;
    state.returns = saved.returns;
    if let (Some(demand), Some(saved)) = (&mut state.demand, saved.demand) {
        *demand = saved;
    }
    put_panes(plan, &mut state.panes, saved.panes);
    state.gaps = saved.gaps;
    state.late = saved.late.map(|(minute, due, saved)| {
        let mut panes = Panes::new(&plan.series);
        put_panes(plan, &mut panes, saved);
        Box::new(LateMinute { minute, due, panes })
    });
    for (length, theirs, saved) in saved.rolling {
        let Some(index) = plan.rolling.iter().position(|windows| windows.length == length) else { continue };
        let (rolling, ours) = (&mut state.rolling[index], quantities(plan, &plan.rolling[index]));
        if ours == theirs && saved.fits(rolling) {
            *rolling = saved;
        } else {
            let place = |quantity: &Quantity| theirs.iter().position(|known| known == quantity);
            let pairs = ours.iter().enumerate().filter_map(|(mine, quantity)| Some((mine, place(quantity)?)));
            rolling.adopt(&saved, &pairs.collect::<Vec<_>>());
        }
    }
    for (quantity, bound, rate, watch) in saved.limits {
        let same = |limit: &crate::plan::LimitPlan| {
            (plan.series[limit.series], limit.bound, limit.rate) == (quantity, bound, rate)
        };
        if let Some(index) =
            plan.limits.iter().position(same).filter(|index| watch.fits(&plan.limits[*index]))
        {
            state.watches[index] = watch;
        }
    }
}

fn put_panes(plan: &MeterPlan, panes: &mut Panes, saved: Vec<(Quantity, Pane)>) {
    for (quantity, pane) in saved {
        if let Some(index) = plan.series.iter().position(|known| *known == quantity) {
            panes.put(index, pane);
        }
    }
}

/// Ends everything of a scope that the new plan does not have.
pub(crate) fn no_longer_watched(state: &ScopeState, out: &mut Vec<Output>) {
    let alarms = state.precious.alarms.iter();
    out.extend(
        alarms
            .filter_map(|saved| AlarmBook::no_longer_watched(&state.scope, saved, state.at))
            .map(Output::Alarm),
    );
    let alerts = state.precious.alerts.iter();
    out.extend(
        alerts
            .filter_map(|saved| AlertBook::no_longer_watched(&state.scope, saved, state.at))
            .map(Output::Alert),
    );
    out.extend(AlertBook::cases_no_longer_watched(&state.precious.cases, state.at).map(Output::Alert));
    out.extend(state.precious.findings.no_longer_watched(&state.scope, state.at).map(Output::Finding));
}
