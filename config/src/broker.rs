//! Reader of `[broker]`: where it is, who we are to it, and how the link is encrypted.

use crate::fault::Fault;
use crate::files::Files;
use crate::keys::BROKER_TLS;
use crate::mqtt_settings::{BrokerSpec, Identity, Qos, TlsSpec};
use crate::private_files::{certificates, secret};
use crate::section::Section;
use crate::topics::{host_of, is_this_machine, qos};
use crate::values::{address, text};
use std::path::Path;

/// The broker.
pub(crate) fn broker(s: &mut Section<'_>, slug: &str, base: &Path, files: &Files<'_>) -> Option<BrokerSpec> {
    let address = s.required("address", "\"127.0.0.1:1883\"", address);
    let client = s.or("client", format!("kvarden-{slug}"), text);
    let username = s.optional("username", text);
    let password = secret(s, "password_file", "password file", base, files);
    if s.has("password_file") && !s.has("username") {
        let message = "`password_file` is given without `username`".to_owned();
        s.fault("password_file", Fault::new(message, "of no use alone", "add `username`, or leave both out"));
    }
    let qos = s.or("qos", Qos::AtLeastOnce, qos);
    let tls = s.table("tls", &BROKER_TLS, |s| tls(s, base, files));
    if let (Some(address), false) = (&address, s.has("tls"))
        && !is_this_machine(host_of(address))
    {
        let message =
            format!("the broker \"{address}\" is beyond this machine, but the link to it is not encrypted");
        let help = "add tls = { ca_file = \"…\" } with the certificate of the broker's authority, or tls = {} if the \
            system trusts it; or use a broker on this machine";
        s.fault("address", Fault::new(message, "needs `tls`", help));
    }
    Some(BrokerSpec {
        address: address?,
        client: client?,
        username: username?,
        password: password?,
        qos: qos?,
        tls: tls?,
    })
}

fn tls(s: &mut Section<'_>, base: &Path, files: &Files<'_>) -> Option<TlsSpec> {
    let authority = certificates(s, "ca_file", base, files);
    let certificates = certificates(s, "certificate_file", base, files);
    let key = secret(s, "key_file", "key file", base, files);
    for (key, other) in [("certificate_file", "key_file"), ("key_file", "certificate_file")] {
        if s.has(key) && !s.has(other) {
            let message = format!("`{key}` is given without `{other}`");
            s.fault(key, Fault::new(message, "of no use alone", format!("add `{other}`, or leave both out")));
        }
    }
    let key = match key? {
        Some(key) if !key.expose().contains("PRIVATE KEY-----") || key.expose().contains("ENCRYPTED") => {
            let message = "the key file holds no private key that can be used".to_owned();
            let help = "write the path of a PEM file with a private key that has no passphrase";
            s.fault("key_file", Fault::new(message, "this file", help));
            return None;
        }
        key => key,
    };
    let server_name = s.optional("server_name", text);
    let identity = certificates?.zip(key).map(|(certificates, key)| Identity { certificates, key });
    Some(TlsSpec { authority: authority?, identity, server_name: server_name? })
}
