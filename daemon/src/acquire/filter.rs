//! Which topics a filter takes in: MQTT 3.1.1 section 4.7.

/// What stands where a filter has its wildcards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Fit<'t> {
    /// At its first `+`.
    pub(super) name: Option<&'t str>,
    /// At its `#`, without the slash before it; `None` if nothing does.
    pub(super) rest: Option<&'t str>,
}

/// Lays a topic over a filter; `None` if the filter does not take it in.
pub(super) fn fit<'t>(filter: &str, topic: &'t str) -> Option<Fit<'t>> {
    // A wildcard in front does not take in the server's own topics (section 4.7.2).
    if filter.starts_with(['+', '#']) && topic.starts_with('$') {
        return None;
    }
    let mut fit = Fit::default();
    // What is left of the topic; `None` behind its last level.
    let mut left = Some(topic);
    for level in filter.split('/') {
        if level == "#" {
            // It takes in the level before it too, which then has nothing left.
            fit.rest = left;
            return Some(fit);
        }
        let text = left?;
        let (first, rest) = match text.split_once('/') {
            Some((first, rest)) => (first, Some(rest)),
            None => (text, None),
        };
        if level == "+" {
            fit.name = fit.name.or(Some(first));
        } else if level != first {
            return None;
        }
        left = rest;
    }
    left.is_none().then_some(fit)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of MQTT 3.1.1 (OASIS), sections 4.7.1.2, 4.7.1.3, 4.7.2 and 4.7.3. Seen to fail without the look
    /// at the first letter of the topic.
    #[test]
    fn the_examples_of_the_standard_hold() {
        let taken_in = [
            ("sport/tennis/player1/#", "sport/tennis/player1"),
            ("sport/tennis/player1/#", "sport/tennis/player1/ranking"),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
            ("sport/#", "sport"),
            ("#", "sport/tennis/player1"),
            ("sport/tennis/+", "sport/tennis/player1"),
            ("sport/tennis/+", "sport/tennis/player2"),
            ("sport/+", "sport/"),
            ("+", "finance"),
            ("+/tennis/#", "sport/tennis/player1"),
            ("sport/+/player1", "sport/tennis/player1"),
            ("+/+", "/finance"),
            ("/+", "/finance"),
            ("$SYS/#", "$SYS/monitor/Clients"),
            ("$SYS/monitor/+", "$SYS/monitor/Clients"),
            ("Accounts payable", "Accounts payable"),
        ];
        for (filter, topic) in taken_in {
            assert!(fit(filter, topic).is_some(), "{filter} takes in {topic}");
        }
        let left_out = [
            ("sport/tennis/+", "sport/tennis/player1/ranking"),
            ("sport/+", "sport"),
            ("+", "/finance"),
            ("#", "$SYS/monitor/Clients"),
            ("+/monitor/Clients", "$SYS/monitor/Clients"),
            ("ACCOUNTS", "Accounts"),
            ("/finance", "finance"),
        ];
        for (filter, topic) in left_out {
            assert_eq!(fit(filter, topic), None, "{filter} does not take in {topic}");
        }
    }

    #[test]
    fn what_stands_at_the_wildcards_is_given() {
        let parts = |filter, topic| fit(filter, topic).map(|fit| (fit.name, fit.rest));
        assert_eq!(parts("cannery/+/values", "cannery/mp3/values"), Some((Some("mp3"), None)));
        assert_eq!(parts("cannery/+/+/#", "cannery/mp3/live/amps/b"), Some((Some("mp3"), Some("amps/b"))));
        assert_eq!(parts("cannery/+/#", "cannery/mp3"), Some((Some("mp3"), None)));
        assert_eq!(parts("cannery/+", "cannery/"), Some((Some(""), None)));
    }
}
