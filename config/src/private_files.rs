//! Files beside the configuration that hold what must not stand in it: passwords, keys; and certificates.

use crate::fault::Fault;
use crate::files::{Files, reason};
use crate::section::{Optional, Section};
use crate::settings::Secret;
use crate::values::text;
use std::path::Path;

/// Certificates (PEM) from the file that `key` names.
pub(crate) fn certificates(
    s: &mut Section<'_>,
    key: &str,
    base: &Path,
    files: &Files<'_>,
) -> Optional<String> {
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
pub(crate) fn secret(
    s: &mut Section<'_>,
    key: &str,
    what: &str,
    base: &Path,
    files: &Files<'_>,
) -> Optional<Secret> {
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
