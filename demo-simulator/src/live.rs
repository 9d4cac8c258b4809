//! A site that lives by itself: a task moves it second by second and shows the latest readings to whoever asks.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{MissedTickBehavior, interval};

use crate::meter::Reading;
use crate::site::Site;

/// Site time between two looks at the meters, milliseconds.
pub const TICK_MS: i64 = 1000;

/// The meters' latest readings.
pub type Latest = Arc<Vec<Reading>>;

/// A living site. Dropping it stops it.
#[derive(Debug)]
pub struct Live {
    task: JoinHandle<()>,
    latest: watch::Receiver<Latest>,
}

impl Live {
    /// Sets the site going; must be called inside a tokio runtime. `speed` is site seconds a second, at least 1:
    /// 1 is real time, and then the site should start at the present moment.
    pub fn start(mut site: Site, speed: u32) -> Self {
        let (sender, latest) = watch::channel(Arc::new(site.readings()));
        let every = Duration::from_millis(TICK_MS as u64) / speed.max(1);
        let task = tokio::spawn(async move {
            let mut ticks = interval(every);
            // A late tick is caught up, so site time keeps to real time.
            ticks.set_missed_tick_behavior(MissedTickBehavior::Burst);
            ticks.tick().await;
            loop {
                ticks.tick().await;
                site.advance(site.at() + TICK_MS);
                sender.send_replace(Arc::new(site.readings()));
            }
        });
        Self { task, latest }
    }

    /// The readings of this moment.
    pub fn readings(&self) -> Latest {
        self.latest.borrow().clone()
    }

    /// A view of the readings that is told of every new moment.
    pub fn watch(&self) -> watch::Receiver<Latest> {
        self.latest.clone()
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        self.task.abort();
    }
}
