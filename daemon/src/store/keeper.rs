//! The daemon's door to the store: a thread that alone touches it, or the same jobs done on the spot.
//!
//! SQLite blocks, so it is never called from the runtime's thread while the daemon runs. In simulation it is, so
//! that the same seed gives the same run.

use super::{Applied, Batch, Error, Store};
use std::cell::RefCell;
use std::rc::Rc;
use std::thread::JoinHandle;
use tokio::sync::{mpsc, oneshot};

/// Jobs that may wait for the store. A write that takes two seconds holds up some ten jobs of a busy site; with
/// more than this waiting the disk does not follow, and the engine must hold its batches and say so.
pub const QUEUE_DEPTH: usize = 64;

type Job = Box<dyn FnOnce(&mut Store) + Send>;

/// A handle to the store. Cheap to clone; stays on the runtime's thread.
#[derive(Clone, Debug)]
pub struct Keeper(Body);

#[derive(Clone, Debug)]
enum Body {
    Thread(mpsc::Sender<Job>),
    Inline(Rc<RefCell<Store>>),
}

/// The store's thread has ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error, miette::Diagnostic)]
#[error("the store's thread has ended")]
#[diagnostic(help("the program must be started again; see the log for what ended it"))]
pub struct StoreGone;

/// A batch that was not taken; it comes back whole.
#[derive(Debug)]
pub enum NotTaken {
    /// Too many jobs wait. Try again later.
    Full(Box<Batch>),
    /// The store's thread has ended.
    Gone(Box<Batch>),
}

/// A batch of which nothing was stored. It may be given again.
#[derive(Debug)]
pub struct Unwritten {
    /// The batch.
    pub batch: Batch,
    /// Why.
    pub why: Error,
}

impl Keeper {
    /// Gives the store to a thread of its own. The thread ends when the last handle is dropped, after all jobs
    /// that were taken; then the file is closed.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn thread(store: Store) -> std::io::Result<(Self, JoinHandle<()>)> {
        let (sender, mut jobs) = mpsc::channel::<Job>(QUEUE_DEPTH);
        let work = move || {
            let mut store = store;
            while let Some(job) = jobs.blocking_recv() {
                job(&mut store);
            }
        };
        let thread = std::thread::Builder::new().name("store".to_owned()).spawn(work)?;
        Ok((Self(Body::Thread(sender)), thread))
    }

    /// Does every job on the spot.
    pub fn inline(store: Store) -> Self {
        Self(Body::Inline(Rc::new(RefCell::new(store))))
    }

    /// Asks the store for something and waits for the answer. Jobs are done in the order in which they were
    /// asked. Once taken, a job is done even if the wait for it is given up.
    ///
    /// # Errors
    /// The store's thread has ended.
    pub async fn ask<R, F>(&self, job: F) -> Result<R, StoreGone>
    where
        R: Send + 'static,
        F: FnOnce(&mut Store) -> R + Send + 'static,
    {
        match &self.0 {
            Body::Inline(store) => Ok(job(&mut store.borrow_mut())),
            Body::Thread(jobs) => {
                let (answer, answered) = oneshot::channel();
                // Whoever no longer waits needs no answer.
                let job: Job = Box::new(move |store| drop(answer.send(job(store))));
                jobs.send(job).await.map_err(|_| StoreGone)?;
                answered.await.map_err(|_| StoreGone)
            }
        }
    }

    /// Gives a batch to the store without waiting. `done` is called with what became of it: on the store's thread,
    /// or inline before this returns.
    ///
    /// # Errors
    /// The batch comes back if there is no room for it now, or the store's thread has ended.
    pub fn submit<D>(&self, batch: Batch, done: D) -> Result<(), NotTaken>
    where
        D: FnOnce(Result<Applied, Box<Unwritten>>) + Send + 'static,
    {
        match &self.0 {
            Body::Inline(store) => {
                let result = apply(&mut store.borrow_mut(), batch);
                done(result);
            }
            Body::Thread(jobs) => match jobs.try_reserve() {
                Ok(place) => place.send(Box::new(move |store| done(apply(store, batch)))),
                Err(mpsc::error::TrySendError::Full(())) => return Err(NotTaken::Full(Box::new(batch))),
                Err(mpsc::error::TrySendError::Closed(())) => return Err(NotTaken::Gone(Box::new(batch))),
            },
        }
        Ok(())
    }
}

fn apply(store: &mut Store, batch: Batch) -> Result<Applied, Box<Unwritten>> {
    match store.apply(&batch) {
        Ok(applied) => Ok(applied),
        Err(why) => Err(Box::new(Unwritten { batch, why })),
    }
}
