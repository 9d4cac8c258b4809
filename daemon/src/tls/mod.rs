//! Encrypted links: who is trusted, who we are, and the tunnel through which a client that knows nothing of all this
//! speaks to the other side.
//!
//! That the other side's certificate is valid, comes from a trusted authority and bears its name is always checked;
//! there is no way to go on without.

mod ends;
mod tunnel;
mod words;

pub use ends::Ends;
pub use tunnel::{SHAKE_DEADLINE, Tunnel, reason};
pub use words::words;

use ends::end_of;
use kvarden_config::TlsSpec;
use kvarden_core::input::Certificate;
use kvarden_core::time::EventTime;
use std::io;
use std::sync::Arc;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::crypto::{CryptoProvider, ring};
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

/// Why no link can be encrypted with what is configured.
#[derive(Debug, thiserror::Error)]
pub enum Unusable {
    /// A file of certificates.
    #[error("`{key}` holds no certificate that can be read")]
    Certificates {
        /// Its key in the configuration.
        key: &'static str,
    },
    /// The private key.
    #[error("`key_file` holds no private key that can be read")]
    Key,
    /// Certificate and key.
    #[error("`certificate_file` and `key_file` do not belong together: {0}")]
    Identity(String),
    /// The name.
    #[error("\"{0}\" is neither a host name nor an IP address: give the broker's name as `server_name`")]
    Name(String),
    /// Nothing is trusted.
    #[error("this system trusts no authority: name the broker's own with `ca_file`")]
    NobodyTrusted,
    /// The versions of the protocol.
    #[error("TLS can't be set up: {0}")]
    Versions(String),
}

/// Makes the one provider of cryptography that of the whole process. To be called first thing.
pub fn install_provider() {
    // A second call finds the first one's, which is the same.
    let _ = CryptoProvider::install_default(ring::default_provider());
}

/// One end of encrypted links: ours, to one other side.
#[derive(Clone)]
pub struct Client {
    connector: TlsConnector,
    name: ServerName<'static>,
    /// When our certificate and those that we trust end.
    ends: Vec<(Certificate, EventTime)>,
}

impl std::fmt::Debug for Client {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Client").field("name", &self.name).finish_non_exhaustive()
    }
}

impl Client {
    /// For links to `host`.
    ///
    /// # Errors
    /// See [`Unusable`].
    pub fn new(spec: &TlsSpec, host: &str) -> Result<Self, Unusable> {
        let name = spec.server_name.as_deref().unwrap_or(host);
        let server = ServerName::try_from(name.to_owned()).map_err(|_| Unusable::Name(name.to_owned()))?;
        let mut ends = Vec::new();
        let mut note = |whose, certificates: &[CertificateDer<'_>]| {
            ends.extend(certificates.iter().filter_map(end_of).max().map(|end| (whose, end)));
        };
        let mut trusted = RootCertStore::empty();
        if let Some(authority) = &spec.authority {
            let certificates = certificates("ca_file", authority)?;
            note(Certificate::Authority, &certificates);
            for certificate in certificates {
                trusted.add(certificate).map_err(|_| Unusable::Certificates { key: "ca_file" })?;
            }
        } else {
            trusted.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        }
        if trusted.is_empty() {
            return Err(Unusable::NobodyTrusted);
        }
        let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .map_err(|error| Unusable::Versions(error.to_string()))?
            .with_root_certificates(trusted);
        let config = match &spec.identity {
            None => config.with_no_client_auth(),
            Some(identity) => {
                let own = certificates("certificate_file", &identity.certificates)?;
                note(Certificate::Own, &own[..1]);
                let key = PrivateKeyDer::from_pem_slice(identity.key.expose().as_bytes())
                    .map_err(|_| Unusable::Key)?;
                config.with_client_auth_cert(own, key).map_err(|error| Unusable::Identity(words(&error)))?
            }
        };
        Ok(Self { connector: TlsConnector::from(Arc::new(config)), name: server, ends })
    }

    /// Agrees on an encrypted link over a stream. The caller sets the deadline.
    ///
    /// # Errors
    /// What went wrong, for [`reason`].
    pub async fn secure<S: AsyncRead + AsyncWrite + Unpin>(&self, stream: S) -> io::Result<TlsStream<S>> {
        self.connector.connect(self.name.clone(), stream).await
    }
}

fn certificates(key: &'static str, pem: &str) -> Result<Vec<CertificateDer<'static>>, Unusable> {
    let all: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem.as_bytes()).collect();
    all.ok().filter(|all| !all.is_empty()).ok_or(Unusable::Certificates { key })
}
