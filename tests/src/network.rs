//! A network of a test's own, in which ports can be cut off as when a cable is pulled.

use std::process::{Command, Stdio};

const INSIDE: &str = "KVARDEN_OWN_NETWORK";

/// Runs the calling test, by its name, once more in a network namespace of its own and says whether this is that second run. The first
/// one ends as the second did. Needs the right to make a namespace (root); where that is missing the test fails and says so.
pub fn is_own_network(test: &str) -> bool {
    if std::env::var_os(INSIDE).is_some() {
        return true;
    }
    let itself = std::env::current_exe().expect("a program knows its own file");
    // What is cut off stands before the table of this machine's own addresses, which comes first otherwise.
    let script =
        "set -e; ip link set lo up; ip rule add pref 5 lookup local; ip rule del pref 0; exec \"$@\"";
    let status = Command::new("unshare")
        .args(["--net", "--pid", "--fork", "--kill-child", "--mount-proc", "sh", "-c", script, "sh"])
        .arg(itself)
        .args(["--exact", test, "--nocapture"])
        .env(INSIDE, "1")
        .stdin(Stdio::null())
        .status()
        .expect("unshare is part of util-linux");
    assert!(
        status.success(),
        "it failed in a network of its own, or none could be made (that needs root): {status}"
    );
    false
}

/// Ports that nothing reaches and from which nothing comes, also on connections that stand, until this is dropped.
#[derive(Debug)]
pub struct Cut<'a>(&'a [u16]);

impl<'a> Cut<'a> {
    /// Cuts these ports off.
    pub fn off(ports: &'a [u16]) -> Self {
        rule("add", ports);
        Self(ports)
    }
}

impl Drop for Cut<'_> {
    fn drop(&mut self) {
        rule("del", self.0);
    }
}

fn rule(what: &str, ports: &[u16]) {
    for port in ports {
        for end in ["dport", "sport"] {
            let port = port.to_string();
            let status = Command::new("ip")
                .args(["rule", what, "pref", "1", "ipproto", "tcp", end, &port, "unreachable"])
                .status()
                .expect("ip is part of iproute2");
            assert!(status.success(), "ip rule {what} {end} {port}: {status}");
        }
    }
}
