//! Takes the letters of one channel from the outbox one after another until the other side has each.
//!
//! Holds all that is policy about one channel: deadline, growing waits, and when the channel counts as not
//! working. After a failure the whole channel pauses, and the letter that failed waits longer the more often it was
//! tried, so that a letter which never goes can't hold up the others.

use super::outbox::{Mark, Next, Outbox, OutboxError};
use super::wait::wait;
use crate::store::Letter;
use crate::world::{Courier, Outcome, Sink};
use kvarden_core::input::Part;
use kvarden_core::time::{EventTime, Span};
use std::collections::BTreeSet;
use std::rc::Rc;
use std::time::Duration;
use tokio::select;
use tokio::sync::{Notify, watch};
use tokio::time::{Instant, sleep_until, timeout};

/// The longest that one letter may take. A courier has shorter deadlines of its own; this one is round them all.
pub const SEND_DEADLINE: Duration = Duration::from_secs(30);
/// The longest wait between two tries: somebody who mends the other side sees letters within a quarter of an hour.
pub const LONGEST_WAIT: Duration = Duration::from_mins(15);
/// After a pause the letters of other alerts go before the one that failed.
const LET_OTHERS_PASS: Duration = Duration::from_secs(1);
/// So many failures in a row mean that the channel does not work.
pub const FAILURES_TO_TELL: u32 = 3;
/// So long without success while letters wait, or without a link, means the same.
pub const QUIET_TO_TELL: Duration = Duration::from_mins(1);
/// The longest wait after the store gave no answer: it is our own, so it is asked often.
const LONGEST_STORE_WAIT: Duration = Duration::from_secs(10);
/// The longest reason kept with a letter or logged.
const MOST_REASON: usize = 300;

/// The pump of one channel.
pub struct Pump {
    courier: Box<dyn Courier>,
    outbox: Rc<dyn Outbox>,
    sink: Rc<dyn Sink>,
    letters: Rc<Notify>,
    link: Option<watch::Receiver<bool>>,
    state: State,
}

struct State {
    /// In a row, since the last delivery.
    failures: u32,
    /// Since when letters wait without success.
    stuck: Option<Instant>,
    /// Since when there is no link.
    unlinked: Option<Instant>,
    /// Letters are not kept waiting for their due time: just started, or the link is back.
    hurry: bool,
    /// What was last said about this channel.
    told: Option<bool>,
    /// Whose latest letter was refused for good; the channel does not work for them until one is taken.
    refusing: BTreeSet<Option<String>>,
}

impl Pump {
    /// A pump. `letters` is notified whenever a batch with letters was committed.
    pub fn new(
        courier: Box<dyn Courier>,
        outbox: Rc<dyn Outbox>,
        sink: Rc<dyn Sink>,
        letters: Rc<Notify>,
    ) -> Self {
        let state = State {
            failures: 0,
            stuck: None,
            unlinked: None,
            hurry: true,
            told: None,
            refusing: BTreeSet::new(),
        };
        Self { courier, outbox, sink, letters, link: None, state }
    }

    /// Watches whether the courier's link stands: when it comes back, letters go at once; when it is gone for
    /// [`QUIET_TO_TELL`], the channel does not work even if nothing waits.
    #[must_use]
    pub fn with_link(mut self, link: watch::Receiver<bool>) -> Self {
        self.state.unlinked = (!*link.borrow()).then(Instant::now);
        self.link = Some(link);
        self
    }

    /// Pumps until the store has stopped.
    pub async fn run(mut self) {
        let mut store_failures = 0;
        loop {
            match self.step().await {
                Ok(()) => store_failures = 0,
                Err(OutboxError::Gone) => return,
                Err(OutboxError::Trouble(why)) => {
                    store_failures += 1;
                    tracing::warn!(channel = self.courier.channel(), why, "the outbox gave no answer");
                    self.rest(Some(wait(store_failures, LONGEST_STORE_WAIT, self.courier.channel())), false)
                        .await;
                }
            }
        }
    }

    async fn step(&mut self) -> Result<(), OutboxError> {
        let now = self.sink.now();
        let by = if self.state.hurry { now + span(2 * LONGEST_WAIT) } else { now };
        match self.outbox.next(self.courier.channel(), by).await? {
            Next::Letter(letter) => self.deliver(&letter).await,
            Next::Due(due) => {
                let left = Duration::from_millis((due - now).0.max(1).unsigned_abs());
                self.rest(Some(left), true).await;
                Ok(())
            }
            Next::Nothing => {
                (self.state.hurry, self.state.stuck) = (false, None);
                self.rest(None, true).await;
                Ok(())
            }
        }
    }

    async fn deliver(&mut self, letter: &Letter) -> Result<(), OutboxError> {
        self.state.stuck.get_or_insert_with(Instant::now);
        let outcome = timeout(SEND_DEADLINE, self.courier.send(letter)).await;
        let at = self.sink.now();
        match outcome.unwrap_or_else(|_| Outcome::TryLater("no answer in time".to_owned())) {
            Outcome::Delivered => {
                (self.state.failures, self.state.stuck) = (0, None);
                self.state.refusing.remove(&letter.to);
                self.works_again();
                self.mark(letter, at, Mark::Delivered).await
            }
            Outcome::TryLater(why) => self.failed(letter, at, bounded(why)).await,
            Outcome::Refused(why) => {
                let why = bounded(why);
                tracing::error!(
                    channel = self.courier.channel(),
                    letter = letter.id,
                    why,
                    "letter refused for good"
                );
                // One letter that never goes is one person who does not hear of it.
                self.state.refusing.insert(letter.to.clone());
                self.tell(false);
                self.mark(letter, at, Mark::Refused { why }).await
            }
        }
    }

    async fn failed(&mut self, letter: &Letter, at: EventTime, why: String) -> Result<(), OutboxError> {
        self.state.hurry = false;
        self.count_failure();
        if self.state.failures == 1 {
            tracing::warn!(channel = self.courier.channel(), letter = letter.id, why, "a letter waits");
        }
        let pause = wait(self.state.failures, LONGEST_WAIT, self.courier.channel());
        let own = wait(letter.tries.saturating_add(1), LONGEST_WAIT, &letter.id).max(pause + LET_OTHERS_PASS);
        self.mark(letter, at, Mark::Later { due: at + span(own), why }).await?;
        self.rest(Some(pause), false).await;
        Ok(())
    }

    /// Keeps what became of a letter, however long the store needs: sending it again instead would tell it twice.
    async fn mark(&mut self, letter: &Letter, at: EventTime, mark: Mark) -> Result<(), OutboxError> {
        let mut failures = 0;
        loop {
            match self.outbox.mark(letter, at, &mark).await {
                Err(OutboxError::Trouble(why)) => {
                    failures += 1;
                    tracing::warn!(letter = letter.id, why, "what became of a letter could not be kept yet");
                    self.rest(Some(wait(failures, LONGEST_STORE_WAIT, &letter.id)), false).await;
                }
                other => return other,
            }
        }
    }

    /// Waits until `left` is over, the link comes back or, if `for_letters`, new letters came.
    async fn rest(&mut self, left: Option<Duration>, for_letters: bool) {
        let until = left.map(|left| Instant::now() + left);
        loop {
            let tell_at = self.state.unlinked.filter(|_| self.state.told != Some(false));
            let tell_at = tell_at.map(|since| since + QUIET_TO_TELL);
            let soonest = [until, tell_at].into_iter().flatten().min();
            select! {
                biased;
                up = changed(&mut self.link) => {
                    self.link_is(up);
                    if up {
                        return;
                    }
                }
                () = self.letters.notified(), if for_letters => return,
                () = sleep_until(soonest.unwrap_or_else(Instant::now)), if soonest.is_some() => {
                    if tell_at.is_some_and(|at| Instant::now() >= at) {
                        self.tell(false);
                    }
                    if until.is_some_and(|until| Instant::now() >= until) {
                        return;
                    }
                }
            }
        }
    }

    fn link_is(&mut self, up: bool) {
        if up {
            (self.state.unlinked, self.state.hurry) = (None, true);
            if self.state.failures == 0 {
                self.works_again();
            }
        } else {
            self.state.unlinked.get_or_insert_with(Instant::now);
        }
    }

    fn count_failure(&mut self) {
        self.state.failures = self.state.failures.saturating_add(1);
        let stuck = self.state.stuck.is_some_and(|since| since.elapsed() >= QUIET_TO_TELL);
        if self.state.failures >= FAILURES_TO_TELL || stuck {
            self.tell(false);
        }
    }

    /// Says that the channel works, if it does so for everybody.
    fn works_again(&mut self) {
        if self.state.refusing.is_empty() {
            self.tell(true);
        }
    }

    /// Says whether the channel works, each time that this changes.
    fn tell(&mut self, works: bool) {
        if self.state.told.replace(works) == Some(works) {
            return;
        }
        let (channel, failures) = (self.courier.channel(), self.state.failures);
        if works {
            tracing::info!(channel, "the channel works");
        } else {
            tracing::error!(channel, failures, "the channel does not work");
        }
        self.sink.part(Part::Channel(channel.to_owned()), works);
    }
}

/// The next change of the link; never, if there is none to watch.
async fn changed(link: &mut Option<watch::Receiver<bool>>) -> bool {
    if let Some(watched) = link
        && watched.changed().await.is_ok()
    {
        return *watched.borrow_and_update();
    }
    std::future::pending().await
}

fn span(duration: Duration) -> Span {
    Span(i64::try_from(duration.as_millis()).unwrap_or(i64::MAX))
}

fn bounded(why: String) -> String {
    if why.chars().count() <= MOST_REASON { why } else { why.chars().take(MOST_REASON).collect() }
}
