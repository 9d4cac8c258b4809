//! Where a meter's model stands: found once, and looked for again when it is not there any more.

use super::walk::{Found, Walk};
use crate::acquire::frame::Question;
use crate::acquire::modbus::{Fault, Line};
use kvarden_config::{OneModel, Registers};
use std::time::Duration;

/// Questions of one turn: others may wait for the connection, and the walk goes on at the next turn.
const QUESTIONS_A_TURN: usize = 8;

/// Finds one model of one unit.
#[derive(Debug)]
pub(in crate::acquire) struct Finder {
    model: OneModel,
    state: State,
}

#[derive(Debug)]
enum State {
    Looking(Walk),
    At(Found),
}

impl Finder {
    /// Not found yet.
    pub(in crate::acquire) fn new(model: OneModel) -> Self {
        Self { model, state: State::Looking(Walk::default()) }
    }

    /// Address of the model's header. Asks at most a few questions; `ask` says of whom.
    ///
    /// # Errors
    /// [`Fault::Looking`] while there is more to ask, [`Fault::NoModel`] if the device has no such model, or why a
    /// question has no answer.
    pub(in crate::acquire) async fn address(
        &mut self,
        line: &mut Line,
        (unit, answers_as): (u8, u8),
        deadline: Duration,
    ) -> Result<u16, Fault> {
        let State::Looking(walk) = &mut self.state else {
            let State::At(found) = &self.state else { return Err(Fault::Looking) };
            return Ok(found.address);
        };
        for _ in 0..QUESTIONS_A_TURN {
            let Some((address, count)) = walk.next() else {
                let found = walk.find(self.model);
                self.state = found.map_or(State::Looking(Walk::default()), State::At);
                return found.map(|found| found.address).ok_or(Fault::NoModel);
            };
            let question = Question { unit, answers_as, registers: Registers::Holding, address, count };
            let mut words = [0; 2];
            match line.ask(question, deadline, &mut words).await {
                Ok(_) => walk.answer(Some(&words)),
                Err(Fault::Exception(1..=3)) => walk.answer(None),
                Err(fault) => {
                    // Some devices say nothing at addresses that they don't have.
                    if fault == Fault::Late && walk.seeks_marker() {
                        walk.answer(None);
                    }
                    return Err(fault);
                }
            }
        }
        Err(Fault::Looking)
    }

    /// Compares what a poll has read with what was found: the same model of the same length still stands there. If
    /// not, it is looked for anew.
    pub(in crate::acquire) fn still(&mut self, length: Option<u16>) -> bool {
        let same = matches!(&self.state, State::At(found) if length == Some(found.length));
        if !same {
            self.state = State::Looking(Walk::default());
        }
        same
    }
}
