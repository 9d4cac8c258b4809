//! Readers of what only MQTT has: topics, filters, how surely messages come, places in payloads.

use crate::fault::Fault;
use crate::mqtt_settings::Qos;
use crate::section::{Value, wrong_kind};
use crate::values::{LONGEST_TEXT, says, text, whole};

/// The most steps of a pointer: as deep as payloads may be nested.
const MOST_POINTER_STEPS: usize = 32;

/// An MQTT topic to publish to or read from, without wildcards.
pub(crate) fn topic(value: &Value<'_>) -> Result<String, Fault> {
    let given = text(value)?;
    if given.contains(['+', '#']) || given.starts_with('/') || given.ends_with('/') || given.starts_with('$')
    {
        let help =
            "write one topic such as \"cannery/mp3/values\": no + or #, no slash at an end, no $ in front";
        return says(value, "which is not one plain topic", help);
    }
    Ok(given)
}

/// An MQTT topic filter (MQTT 3.1.1 section 4.7): `+` is a whole level, `#` the last one.
pub(crate) fn filter(value: &Value<'_>) -> Result<String, Fault> {
    const HELP: &str = "write a topic such as \"cannery/mp3/values\"; `+` may stand for one whole level and `#` for \
        all that follow: \"cannery/+/values\", \"cannery/mp3/#\"; no $ in front";
    let given = text(value)?;
    let levels: Vec<&str> = given.split('/').collect();
    let whole = levels.iter().enumerate().all(|(at, level)| match *level {
        "+" => true,
        "#" => at + 1 == levels.len(),
        level => !level.contains(['+', '#']),
    });
    if !whole || given.starts_with(['/', '$']) || given.ends_with('/') {
        return says(value, "which is not a topic filter", HELP);
    }
    Ok(given)
}

/// One level of a topic.
pub(crate) fn level(value: &Value<'_>) -> Result<String, Fault> {
    let given = text(value)?;
    if given.contains(['/', '+', '#']) {
        return says(value, "which is not one level of a topic", "write what stands between two slashes");
    }
    Ok(given)
}

/// How surely messages are delivered.
pub(crate) fn qos(value: &Value<'_>) -> Result<Qos, Fault> {
    Ok(if whole(0..=1)(value)? == 0 { Qos::AtMostOnce } else { Qos::AtLeastOnce })
}

/// The host of `host:port`.
pub(crate) fn host_of(address: &str) -> &str {
    let host = address.rsplit_once(':').map_or(address, |(host, _)| host);
    host.trim_start_matches('[').trim_end_matches(']')
}

/// Whether a host is this machine itself, so that nothing goes over a wire.
pub(crate) fn is_this_machine(host: &str) -> bool {
    host == "localhost" || host.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// An RFC 6901 pointer.
pub(crate) fn pointer(value: &Value<'_>) -> Result<String, Fault> {
    const HELP: &str = "write a JSON pointer (RFC 6901): \"/values/current_a\"; \"\" is the whole; ~ is written ~0 and / within a name ~1";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a JSON pointer in quotes", HELP))?;
    let begins = given.is_empty() || given.starts_with('/');
    let escapes = given.split('~').skip(1).all(|after| after.starts_with(['0', '1']));
    let steps = given.matches('/').count();
    if begins && steps > MOST_POINTER_STEPS {
        let help =
            format!("use at most {MOST_POINTER_STEPS} steps: payloads that are nested deeper are refused");
        return says(value, &format!("which has {steps} steps"), help);
    }
    if begins && escapes && given.chars().count() <= LONGEST_TEXT && !given.chars().any(char::is_control) {
        return Ok(given.to_owned());
    }
    says(value, "which is not a JSON pointer", HELP)
}
