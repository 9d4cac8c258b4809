//! What the latest readings say that is no series of its own: which value of three is farthest from their mean, and why a computed
//! quantity is absent just now.

use crate::electrical::signature::{Seen, Signature, signature};
use crate::electrical::spectrum::Lacking;
use crate::electrical::unbalance::{NoUnbalance, farthest};
use crate::formula::{Formula, WhyAbsent};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plan::{MeterPlan, Plan};
use crate::scope::Scope;

/// Which of three values of a meter is farthest from their mean now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FarthestNow<'a> {
    /// The meter.
    pub meter: &'a str,
    /// Of which unbalance: of volts or of currents.
    pub of: Quantity,
    /// Which value.
    pub which: Quantity,
    /// How far, in per cent of the mean; negative: too low.
    pub percent: f64,
}

/// What the spectrum of a meter's current says now of who draws its harmonics: of the phase with the most distortion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignatureNow<'a> {
    /// The meter.
    pub meter: &'a str,
    /// Which phase.
    pub place: Place,
    /// The suspects.
    pub signature: Signature,
}

/// A computed quantity that a meter's values do not give now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NotTold<'a> {
    /// The meter.
    pub meter: &'a str,
    /// Which.
    pub quantity: Quantity,
    /// Why.
    pub why: WhyNot,
}

/// Why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyNot {
    /// This value is absent.
    Missing(Quantity),
    /// Three values give no unbalance.
    Unbalance(NoUnbalance),
    /// A spectrum gives no figure.
    Spectrum(Lacking),
    /// The values are too small to mean anything, or outside what the formula holds for.
    Unfit,
    /// It follows the load for some hours before it says anything.
    Settling,
}

/// The meters that give values now, each with its scope.
fn speaking<'a>(plan: &'a Plan, scopes: &'a [Scope]) -> impl Iterator<Item = (&'a Scope, &'a MeterPlan)> {
    let all = scopes
        .iter()
        .zip(&plan.scopes)
        .flat_map(|(scope, plan)| plan.meters.iter().map(move |meter| (scope, meter)));
    all.filter(|(scope, meter)| {
        let points = &scope.row[meter.first_slot..meter.first_slot + meter.points];
        points.iter().any(|value| value.get().is_some())
    })
}

pub(crate) fn farthest_now<'a>(plan: &'a Plan, scopes: &'a [Scope]) -> impl Iterator<Item = FarthestNow<'a>> {
    speaking(plan, scopes).flat_map(|(scope, meter)| {
        meter.formulas.iter().enumerate().filter_map(move |(index, formula)| {
            let (of, floor) = match formula {
                Formula::Unbalance { of, floor } | Formula::CurrentUnbalance { of, floor, .. } => {
                    (of, *floor)
                }
                _ => return None,
            };
            let quantity = *meter.series.get(meter.points + index)?;
            let values = of.map(|slot| scope.row[slot].get());
            let [Some(one), Some(two), Some(three)] = values else { return None };
            let farthest = farthest([one, two, three], floor).ok()?;
            let which = *meter.series.get(of[farthest.which].checked_sub(meter.first_slot)?)?;
            Some(FarthestNow { meter: &meter.name, of: quantity, which, percent: farthest.percent })
        })
    })
}

pub(crate) fn not_told<'a>(plan: &'a Plan, scopes: &'a [Scope]) -> impl Iterator<Item = NotTold<'a>> {
    speaking(plan, scopes).flat_map(|(scope, meter)| {
        meter.formulas.iter().enumerate().filter_map(move |(index, formula)| {
            let series = meter.points + index;
            if scope.row.get(meter.first_slot + series)?.get().is_some() {
                return None;
            }
            let quantity = *meter.series.get(series)?;
            let why = match formula.why_absent(&scope.row) {
                WhyAbsent::Missing(slot) => {
                    let missing =
                        slot.checked_sub(meter.first_slot).and_then(|series| meter.series.get(series));
                    // What follows from another computed one that is absent is told with that.
                    let missing = missing.copied().filter(|missing| !missing.what.is_computed())?;
                    WhyNot::Missing(missing)
                }
                WhyAbsent::Unbalance(why) => WhyNot::Unbalance(why),
                WhyAbsent::Spectrum(why) => WhyNot::Spectrum(why),
                WhyAbsent::Unfit => WhyNot::Unfit,
            };
            Some(NotTold { meter: &meter.name, quantity, why })
        })
    })
}

/// Of the model of heat: the value that it lacks, else that it settles.
pub(crate) fn heat_not_told<'a>(plan: &'a Plan, scopes: &'a [Scope]) -> impl Iterator<Item = NotTold<'a>> {
    scopes.iter().zip(&plan.scopes).flat_map(|(scope, facts)| {
        let grid = facts.grid.as_ref();
        let heat = grid.and_then(|grid| Some((grid, grid.study.heat.as_ref()?)));
        let found = heat.map(|(grid, heat)| {
            let absent = move |column: &usize| scope.grid_values[*column].get().is_none();
            let named = move |column: usize| {
                let (local, slot) = *grid.inputs.get(column)?;
                let meter = facts.meters.get(local)?;
                meter.series.get(slot.checked_sub(meter.first_slot)?).copied()
            };
            heat.wanted().filter_map(move |(series, needed)| {
                let made = facts.meters.get(grid.meters.start)?;
                if scope.row.get(made.first_slot + series)?.get().is_some() {
                    return None;
                }
                let why = match needed.lacking(&absent) {
                    Some(column) => WhyNot::Missing(named(column)?),
                    None => WhyNot::Settling,
                };
                Some(NotTold { meter: &made.name, quantity: *made.series.get(series)?, why })
            })
        });
        found.into_iter().flatten()
    })
}

pub(crate) fn signatures_now<'a>(
    plan: &'a Plan,
    scopes: &'a [Scope],
) -> impl Iterator<Item = SignatureNow<'a>> {
    speaking(plan, scopes).filter_map(|(scope, meter)| {
        let loading = meter.series.iter().position(|quantity| quantity.what == Measurand::LoadingPhase);
        let loading = loading.and_then(|series| scope.row[meter.first_slot + series].get());
        let load_pu = loading.map(|percent| percent / 100.0);
        let of_phase = |(index, formula): (usize, &Formula)| {
            let current = formula.current_spectrum(&scope.row)?;
            let signature = signature(Seen { current: &current, voltage: None, load_pu }).ok()?;
            Some((meter.series.get(meter.points + index)?.place, signature))
        };
        let phases = meter.formulas.iter().enumerate().filter_map(of_phase);
        let (place, signature) = phases.max_by(|(_, one), (_, other)| one.thd.total_cmp(&other.thd))?;
        Some(SignatureNow { meter: &meter.name, place, signature })
    })
}
