//! Topics and the filters that choose them, as MQTT 3.1.1 section 4.7 has it.

/// Whether a message may be published under this topic.
pub fn is_topic(topic: &str) -> bool {
    !topic.is_empty() && !topic.contains(['+', '#', '\0'])
}

/// Whether this is a well-formed filter: `+` and `#` fill a whole level, `#` only the last.
pub fn is_filter(filter: &str) -> bool {
    let levels = filter.split('/').count();
    !filter.is_empty()
        && !filter.contains('\0')
        && filter.split('/').enumerate().all(|(at, level)| match level {
            "+" => true,
            "#" => at + 1 == levels,
            other => !other.contains(['+', '#']),
        })
}

/// Whether a well-formed filter chooses a topic. A wildcard in the first level does not choose topics that begin
/// with `$`.
pub fn chooses(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for wanted in filter.split('/') {
        if wanted == "#" {
            return true;
        }
        match levels.next() {
            Some(level) if wanted == "+" || wanted == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_choose_as_the_standard_shows() {
        let cases = [
            ("hall/t2", "hall/t2", true),
            ("hall/t2", "hall/t2/b", false),
            ("hall/+", "hall/t2", true),
            ("hall/+", "hall/t2/b", false),
            ("hall/+", "hall", false),
            ("hall/+", "hall/", true),
            ("hall/#", "hall", true),
            ("hall/#", "hall/t2/b", true),
            ("#", "hall/t2", true),
            ("#", "$own/t2", false),
            ("+/t2", "$own/t2", false),
            ("$own/#", "$own/t2", true),
            ("+/+", "/t2", true),
            ("+/b/#", "a/b/c", true),
            ("é/+", "é/t2", true),
        ];
        for (filter, topic, wanted) in cases {
            assert!(is_filter(filter) && is_topic(topic));
            assert_eq!(chooses(filter, topic), wanted, "{filter} on {topic}");
        }
    }

    #[test]
    fn broken_filters_are_known() {
        for filter in ["", "a#", "a/#/b", "a+/b", "++", "#/"] {
            assert!(!is_filter(filter), "{filter}");
        }
        assert!(!is_topic("a/+"));
        assert!(!is_topic(""));
    }
}
