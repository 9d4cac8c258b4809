//! Reader of `[broker]`: where it is, who we are to it, and how the link is encrypted.

use crate::fault::Fault;
use crate::files::{Files, reason};
use crate::keys::BROKER_TLS;
use crate::mqtt_settings::{BrokerSpec, Identity, Qos, TlsSpec};
use crate::section::{Optional, Section};
use crate::settings::Secret;
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

fn certificates(s: &mut Section<'_>, key: &str, base: &Path, files: &Files<'_>) -> Optional<String> {
    let Some(written) = s.optional(key, text)? else { return Some(None) };
    let fault = match (files.text)(&base.join(&written)) {
        Err(error) => {
            let message = format!("the file \"{written}\" can't be read: {}", reason(&error));
            Fault::new(message, "this file", "write the path of a PEM file that this user may read")
        }
        Ok(content) if !content.contains("-----BEGIN CERTIFICATE-----") => {
            let message = format!("the file \"{written}\" holds no certificate");
            Fault::new(
                message,
                "this file",
                "write the path of a PEM file: it has lines with BEGIN CERTIFICATE",
            )
        }
        Ok(content) => return Some(Some(content)),
    };
    s.fault(key, fault);
    None
}

/// What a secret's file holds is seen by nobody but the one it is for: it is in no problem and in no `Debug`.
fn secret(s: &mut Section<'_>, key: &str, what: &str, base: &Path, files: &Files<'_>) -> Optional<Secret> {
    let Some(written) = s.optional(key, text)? else { return Some(None) };
    let path = base.join(&written);
    let fault = match (files.text)(&path) {
        Err(error) => {
            let message = format!("the {what} \"{written}\" can't be read: {}", reason(&error));
            let help = format!(
                "write the path of a file that holds the {} and that this user may read",
                &what[..what.len() - 5]
            );
            Fault::new(message, "this file", help)
        }
        Ok(_) if (files.is_open_to_all)(&path) => {
            let message = format!("every user of this machine may read the {what} \"{written}\"");
            Fault::new(message, "open to all", "let only its owner and group read it: chmod 640, or 600")
        }
        Ok(content) if content.trim_end_matches(['\r', '\n']).is_empty() => {
            let message = format!("the {what} \"{written}\" is empty");
            Fault::new(message, "this file", "write the secret into it")
        }
        Ok(content) => return Some(Some(Secret::new(content.trim_end_matches(['\r', '\n']).to_owned()))),
    };
    s.fault(key, fault);
    None
}
