//! A sign that must hold for a time and is then claimed, with the place to which it was traced, until it is gone for good.

use super::standing::Standing;
use crate::diagnosis::cause::Cause;
use crate::diagnosis::docket::Docket;
use crate::diagnosis::look::Look;
use crate::phases::Place;
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// Shares are told anew so often, as they are kept with the finding.
const SHARES_EVERY: Span = Span::minutes(5);

/// How a sign stands.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Held {
    holds: Standing,
    away: Standing,
    /// Where it was found: circuit and place. It stays so until the sign is gone for good, so that one fault is one finding.
    at: Option<(usize, Option<Place>)>,
    /// The circuit at which it was found last: what stands there ends there.
    last: Option<usize>,
}

/// A sign now: above its setpoint or not, for how long it must be above.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Level {
    /// How much of the setpoint: above 1 it holds. `None`: it can't be told.
    pub(crate) of_setpoint: Option<f64>,
    /// Below this share of the setpoint it is gone.
    pub(crate) back: f64,
    /// For how long it must hold.
    pub(crate) span: Span,
}

/// Where a sign that is to be claimed is traced to, and whether that is new.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Traced {
    pub(crate) circuit: usize,
    pub(crate) place: Option<Place>,
    /// Whether its shares are to be told now.
    pub(crate) shares: bool,
}

impl Held {
    /// Takes the sign of a cause at a circuit. Says where it is to be claimed, if it is; `to` says where it is traced to, when
    /// that is asked the first time. Where it is gone, that is put down.
    pub(crate) fn follow(
        &mut self,
        (cause, circuit): (Cause, usize),
        level: Level,
        (look, docket): (&Look<'_>, &mut Docket),
        to: impl FnOnce() -> (usize, Option<Place>),
    ) -> Option<Traced> {
        let holds = level.of_setpoint.and_then(|share| match share {
            share if share > 1.0 => Some(true),
            share if share < level.back => Some(false),
            _ => None,
        });
        let gone = self.away.for_span(holds.map(|holds| !holds), look.end, cause.gone_after());
        let claims = self.holds.for_span(holds, look.end, level.span);
        if holds == Some(false) {
            docket.none(cause, circuit, None);
            if let Some(at) = self.last.filter(|at| *at != circuit) {
                docket.none(cause, at, None);
            }
        }
        if gone {
            self.at = None;
        }
        if !claims {
            return None;
        }
        let is_new = self.at.is_none();
        let (circuit, place) = *self.at.get_or_insert_with(to);
        self.last = Some(circuit);
        Some(Traced { circuit, place, shares: is_new || look.end.floor(SHARES_EVERY) == look.end })
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.holds.shift(by);
        self.away.shift(by);
    }
}
