//! Readers of what leads out of this machine: mail addresses and web addresses.

use crate::fault::Fault;
use crate::section::Value;
use crate::topics::is_this_machine;
use crate::values::{says, text};

/// The longest part of a mail address before its @ (RFC 5321 section 4.5.3.1.1).
const LONGEST_LOCAL: usize = 64;

/// A mail address: plain ASCII, without a name around it.
pub(crate) fn mail_address(value: &Value<'_>) -> Result<String, Fault> {
    const HELP: &str = "write one plain address, for example \"ines@larkspur.example\"";
    let given = text(value)?;
    let fits = |part: &str, more: &str| {
        let plain = |c: char| c.is_ascii_alphanumeric() || more.contains(c);
        !part.is_empty() && part.chars().all(plain) && part.split('.').all(|piece| !piece.is_empty())
    };
    // RFC 5321 section 4.1.2: a dot-string of atoms (RFC 5322 section 3.2.3), then a domain.
    let whole = given.rsplit_once('@').is_some_and(|(local, domain)| {
        fits(local, ".!#$%&'*+-/=?^_`{|}~") && local.len() <= LONGEST_LOCAL && fits(domain, ".-")
    });
    if whole { Ok(given) } else { says(value, "which is not a mail address", HELP) }
}

/// A web address: encrypted, or of this machine itself.
pub(crate) fn web_address(value: &Value<'_>) -> Result<String, Fault> {
    const HELP: &str = "write an address such as \"https://hooks.larkspur.example/kvarden\"";
    let given = text(value)?;
    let Some((scheme, rest)) =
        given.split_once("://").filter(|(scheme, _)| ["https", "http"].contains(scheme))
    else {
        return says(value, "which is not a web address", HELP);
    };
    let authority = rest.split(['/', '?']).next().unwrap_or_default();
    if !given.chars().all(|c| c.is_ascii_graphic()) || given.contains(['#', '\\', '"', '<', '>']) {
        return says(value, "which has characters that no web address has", HELP);
    }
    if authority.contains('@') {
        let message = format!("`{}` holds a user name or a password", value.key);
        return Err(Fault::new(message, "this value", "leave out what stands before the @"));
    }
    let Some(host) = host(authority) else { return says(value, "whose host is not a name or number", HELP) };
    if scheme == "http" && !is_this_machine(host) {
        let message = format!("`{}` is beyond this machine, but not encrypted", value.key);
        let help = "write an address that begins with https://, or one on this machine";
        return Err(Fault::new(message, "needs https", help));
    }
    Ok(given)
}

/// The host of `host`, `host:port` or `[address]:port`; `None`: it is none of them.
fn host(authority: &str) -> Option<&str> {
    let (host, port) = match authority.strip_prefix('[') {
        Some(rest) => {
            let (host, port) = rest.split_once(']')?;
            host.parse::<std::net::Ipv6Addr>().ok()?;
            (host, if port.is_empty() { None } else { Some(port.strip_prefix(':')?) })
        }
        None => match authority.split_once(':') {
            Some((host, port)) => (host, Some(port)),
            None => (authority, None),
        },
    };
    let named = host.contains(':') || host.chars().all(|c| c.is_ascii_alphanumeric() || "-._".contains(c));
    let port = port.is_none_or(|port| port.parse::<u16>().is_ok_and(|port| port > 0));
    (!host.is_empty() && named && port).then_some(host)
}

#[cfg(test)]
mod tests {
    use super::host;

    #[test]
    fn a_host_is_found_with_and_without_a_port() {
        for (authority, expected) in [
            ("hooks.larkspur.example", Some("hooks.larkspur.example")),
            ("127.0.0.1:8787", Some("127.0.0.1")),
            ("[::1]:8787", Some("::1")),
            ("[::1]", Some("::1")),
            ("::1", None),
            ("[larkspur]", None),
            ("larkspur:0", None),
            ("larkspur:port", None),
            ("", None),
            (":80", None),
        ] {
            assert_eq!(host(authority), expected, "{authority}");
        }
    }
}
