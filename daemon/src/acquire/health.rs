//! When the link to the broker counts as broken, and when as working again.

use std::time::Duration;
use tokio::time::Instant;

/// A link that is away no longer than this is no news.
const GRACE: Duration = Duration::from_secs(10);
/// A link that lived shorter than this did not really work.
const SHORT_LIFE: Duration = Duration::from_secs(30);
/// After so many short lives in succession the link is unstable. Two programs with one client name look like that.
const SHORT_LIVES: u32 = 3;

/// Follows one link. Each call gives what has to be told, if anything: whether the link works.
#[derive(Debug)]
pub(super) struct LinkHealth {
    up_since: Option<Instant>,
    down_since: Instant,
    short_lives: u32,
    told: Option<bool>,
}

impl LinkHealth {
    /// Not up yet.
    pub(super) fn new(now: Instant) -> Self {
        Self { up_since: None, down_since: now, short_lives: 0, told: None }
    }

    /// Connected and subscribed. May be said again.
    pub(super) fn up(&mut self, now: Instant) -> Option<bool> {
        self.up_since.get_or_insert(now);
        if self.is_unstable() { None } else { self.tell(true) }
    }

    /// The connection ended, or could not be made.
    pub(super) fn down(&mut self, now: Instant) -> Option<bool> {
        let since = self.up_since.take()?;
        self.down_since = now;
        self.short_lives = if now - since < SHORT_LIFE { self.short_lives + 1 } else { 0 };
        if self.is_unstable() { self.tell(false) } else { None }
    }

    /// Time passes.
    pub(super) fn tick(&mut self, now: Instant) -> Option<bool> {
        match self.up_since {
            None if now - self.down_since > GRACE => self.tell(false),
            Some(since) if now - since >= SHORT_LIFE => {
                self.short_lives = 0;
                self.tell(true)
            }
            _ => None,
        }
    }

    /// Whether connections keep ending soon after they are made.
    pub(super) fn is_unstable(&self) -> bool {
        self.short_lives >= SHORT_LIVES
    }

    fn tell(&mut self, works: bool) -> Option<bool> {
        (self.told.replace(works) != Some(works)).then_some(works)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `story`: `up`, `down` or `tick`, each with its second; `told` likewise.
    fn check(story: &str, told: &str) {
        let start = Instant::now();
        let mut health = LinkHealth::new(start);
        let mut said = Vec::new();
        for (what, second) in story.split(", ").map(|step| step.split_once(' ').unwrap()) {
            let now = start + Duration::from_secs(second.parse().unwrap());
            let news = match what {
                "up" => health.up(now),
                "down" => health.down(now),
                _ => health.tick(now),
            };
            said.extend(news.map(|works| format!("{second} {}", if works { "works" } else { "broken" })));
        }
        assert_eq!(said.join(", "), told, "{story}");
    }

    #[test]
    fn a_short_absence_is_no_news() {
        check("up 1, tick 40, down 50, tick 55, up 58, tick 90", "1 works");
    }

    #[test]
    fn an_absence_of_more_than_ten_seconds_is_told_once() {
        check("up 1, down 50, tick 60, tick 61, tick 70, up 80, tick 90", "1 works, 61 broken, 80 works");
    }

    #[test]
    fn a_broker_that_was_never_there_is_told() {
        check("tick 5, down 6, tick 10, tick 11, down 12", "11 broken");
    }

    #[test]
    fn a_link_that_keeps_breaking_counts_as_broken_until_it_holds() {
        let story = "up 1, down 3, up 4, down 6, up 8, down 9, up 13, tick 30, tick 42, tick 43";
        check(story, "1 works, 9 broken, 43 works");
    }
}
