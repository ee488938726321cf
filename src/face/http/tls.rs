//! TLS from a certificate and a key in PEM.

use std::path::Path;
use std::sync::Arc;

use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::base::{Error, Result, system};
use crate::face::http::config::Tls;

/// Takes TLS connections; 1.2 and 1.3.
///
/// # Errors
/// `Input` when certificate or key cannot be read or do not belong together; `Usage` when others may read the key.
pub fn acceptor(tls: &Tls) -> Result<TlsAcceptor> {
    only_ours(&tls.key)?;
    let wrong = |what: &str, path: &Path, error: String| {
        Error::input(what).at(path).because(std::io::Error::other(error)).help("it must be PEM")
    };
    let chain = CertificateDer::pem_file_iter(&tls.certificate)
        .and_then(Iterator::collect::<std::result::Result<Vec<_>, _>>)
        .map_err(|error| wrong("cannot read the certificate", &tls.certificate, error.to_string()))?;
    if chain.is_empty() {
        return Err(Error::input("there is no certificate in this file").at(&tls.certificate));
    }
    let key = PrivateKeyDer::from_pem_file(&tls.key)
        .map_err(|error| wrong("cannot read the key", &tls.key, error.to_string()))?;
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, key))
        .map_err(|error| {
            wrong("certificate and key do not fit together", &tls.certificate, error.to_string())
        })?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}

fn only_ours(key: &Path) -> Result<()> {
    let others = system::others_may_read(key);
    if others.map_err(|error| Error::io("cannot look at the key", key, error))? {
        return Err(Error::usage("others may read the key")
            .at(key)
            .help(format!("chmod 600 {}", key.display())));
    }
    Ok(())
}
