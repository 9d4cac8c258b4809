//! The tasks of the daemon: started again when they end, up to a bound.

use crate::run::RunError;
use std::future::{Future, poll_fn};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::task::Poll;
use std::time::Duration;
use tokio::task::JoinSet;

/// A task that ended unexpectedly is started again after so long.
const START_AGAIN: Duration = Duration::from_secs(1);
/// So many restarts of tasks mean that something is wrong with the program: it ends, and its keeper starts it anew.
pub(crate) const MOST_RESTARTS: u32 = 100;

/// A task ended with a panic, which was written to the log.
struct Panicked;

/// Runs a task to its end. Not one of its own: whoever ends the caller ends it too, at once.
async fn to_its_end(task: impl Future<Output = ()>) -> Result<(), Panicked> {
    let mut task = Box::pin(task);
    poll_fn(|context| match catch_unwind(AssertUnwindSafe(|| task.as_mut().poll(context))) {
        Ok(poll) => poll.map(Ok),
        Err(_) => Poll::Ready(Err(Panicked)),
    })
    .await
}

/// Tasks that are looked after: one that ends is started again or ends the daemon.
#[derive(Default)]
pub(crate) struct Tasks {
    running: JoinSet<()>,
}

impl Tasks {
    /// A task that is started again when it ends, by a panic or otherwise.
    pub(crate) fn always<F: Future<Output = ()> + 'static>(&mut self, start: impl Fn() -> F + 'static) {
        self.running.spawn_local(async move {
            for _ in 0..MOST_RESTARTS {
                if to_its_end(start()).await.is_err() {
                    tracing::error!("a part of the program ended with a panic; it is started again");
                }
                tokio::time::sleep(START_AGAIN).await;
            }
        });
    }

    /// A task that runs as long as the daemon.
    pub(crate) fn once(&mut self, task: impl Future<Output = ()> + 'static) {
        self.running.spawn_local(task);
    }

    /// A task that ends by itself.
    pub(crate) fn brief(&mut self, task: impl Future<Output = ()> + 'static) {
        self.once(async move {
            task.await;
            std::future::pending::<()>().await;
        });
    }

    /// Returns only when a task ended that should not have.
    pub(crate) async fn supervise(&mut self) -> Result<(), RunError> {
        match self.running.join_next().await {
            // A site whose meters are all logged files and that tells nobody has nothing to look after.
            None => std::future::pending().await,
            Some(ended) => {
                if let Err(error) = ended {
                    tracing::error!(%error, "a part of the program ended with a panic");
                }
                Err(RunError::TooManyRestarts)
            }
        }
    }

    /// Ends them all; when it returns none of them does anything any more.
    pub(crate) async fn stop(mut self) {
        self.running.shutdown().await;
    }
}
