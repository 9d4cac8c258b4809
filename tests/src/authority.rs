//! Authorities and certificates of our own, with any names and dates.

use crate::wait::free_port;
use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair,
    KeyUsagePurpose, date_time_ymd,
};
use std::path::{Path, PathBuf};

/// A year, month and day in UTC.
pub type Day = (i32, u8, u8);
/// Long before any test.
pub const LONG_AGO: Day = (2020, 1, 1);
/// Long after any test.
pub const FAR_OFF: Day = (2090, 1, 1);

/// An authority that issues certificates.
#[derive(Debug)]
pub struct Authority {
    issuer: Issuer<'static, KeyPair>,
    pem: String,
}

/// A certificate and its key, as PEM.
#[derive(Debug, Clone)]
pub struct Issued {
    /// The certificate.
    pub certificate: String,
    /// The key.
    pub key: String,
}

impl Authority {
    /// A new one that holds longer than any test.
    pub fn new() -> Self {
        Self::until(FAR_OFF)
    }

    /// A new one that holds until this day.
    pub fn until(day: Day) -> Self {
        let mut params = CertificateParams::new(Vec::new()).expect("no names, so none that is wrong");
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.distinguished_name.push(DnType::CommonName, format!("Larkspur Cannery {}", free_port()));
        params.key_usages.extend([KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign]);
        params.not_before = date_time_ymd(LONG_AGO.0, LONG_AGO.1, LONG_AGO.2);
        params.not_after = date_time_ymd(day.0, day.1, day.2);
        let key = KeyPair::generate().expect("the machine has randomness");
        let own = params.self_signed(&key).expect("the parameters are whole");
        Self { pem: own.pem(), issuer: Issuer::new(params, key) }
    }

    /// Its own certificate, as PEM.
    pub fn pem(&self) -> &str {
        &self.pem
    }

    /// A certificate for `common_name`, for these host names and addresses, that holds from one day to another. It may
    /// be used by a server and by a client.
    pub fn issue(&self, common_name: &str, names: &[&str], from: Day, until: Day) -> Issued {
        let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
        let mut params = CertificateParams::new(names).expect("the tests give names that are right");
        params.distinguished_name.push(DnType::CommonName, common_name);
        params.use_authority_key_identifier_extension = true;
        params.key_usages.push(KeyUsagePurpose::DigitalSignature);
        params
            .extended_key_usages
            .extend([ExtendedKeyUsagePurpose::ServerAuth, ExtendedKeyUsagePurpose::ClientAuth]);
        params.not_before = date_time_ymd(from.0, from.1, from.2);
        params.not_after = date_time_ymd(until.0, until.1, until.2);
        let key = KeyPair::generate().expect("the machine has randomness");
        let certificate = params.signed_by(&key, &self.issuer).expect("the parameters are whole").pem();
        Issued { certificate, key: key.serialize_pem() }
    }
}

impl Default for Authority {
    fn default() -> Self {
        Self::new()
    }
}

impl Issued {
    /// Writes `name.pem` and `name.key`, the key with this mode; gives both paths.
    pub fn write(&self, folder: &Path, name: &str, mode: u32) -> (PathBuf, PathBuf) {
        let (certificate, key) = (folder.join(format!("{name}.pem")), folder.join(format!("{name}.key")));
        std::fs::write(&certificate, &self.certificate).expect("a file can be written");
        std::fs::write(&key, &self.key).expect("a file can be written");
        std::fs::set_permissions(&key, std::os::unix::fs::PermissionsExt::from_mode(mode))
            .expect("it is ours");
        (certificate, key)
    }
}
