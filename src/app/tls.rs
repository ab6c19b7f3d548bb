//! The certificate that the pages are served with: from files, and read again when those change.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use anyhow::Context;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tracing::{info, warn};

use crate::config::access::CertificateFiles;

/// How often the files are looked at, at most.
const LOOK_EVERY: Duration = Duration::from_secs(10);

/// What connections are served with.
#[derive(Clone)]
pub struct Certificates(Arc<Kept>);

struct Kept {
    files: CertificateFiles,
    now: Mutex<Loaded>,
}

struct Loaded {
    acceptor: TlsAcceptor,
    /// When the files were written that it is from.
    written: [Option<SystemTime>; 2],
    looked: Instant,
}

impl Certificates {
    /// Reads the files.
    ///
    /// # Errors
    /// If there is no certificate or key in them, or they do not go together.
    pub fn read(files: CertificateFiles) -> anyhow::Result<Self> {
        let written = written(&files);
        let acceptor = load(&files)?;
        let now = Mutex::new(Loaded { acceptor, written, looked: Instant::now() });
        Ok(Self(Arc::new(Kept { files, now })))
    }

    /// What the next connection is served with. Files that changed are read again; where they make no sense, as in
    /// the middle of being written, what was there before goes on.
    pub(super) fn acceptor(&self) -> TlsAcceptor {
        let mut now = self.0.now.lock().unwrap_or_else(PoisonError::into_inner);
        if now.looked.elapsed() >= LOOK_EVERY {
            now.looked = Instant::now();
            self.look_again(&mut now);
        }
        now.acceptor.clone()
    }

    fn look_again(&self, now: &mut Loaded) {
        let written = written(&self.0.files);
        if written == now.written {
            return;
        }
        match load(&self.0.files) {
            Ok(acceptor) => {
                info!("the certificate was read anew from {}", self.0.files.certificate.display());
                (now.acceptor, now.written) = (acceptor, written);
            }
            Err(fault) => warn!("the certificate of before is used on: {fault:#}"),
        }
    }
}

fn written(files: &CertificateFiles) -> [Option<SystemTime>; 2] {
    let of = |path: &PathBuf| std::fs::metadata(path).and_then(|file| file.modified()).ok();
    [of(&files.certificate), of(&files.key)]
}

fn load(files: &CertificateFiles) -> anyhow::Result<TlsAcceptor> {
    let CertificateFiles { certificate, key } = files;
    let chain =
        CertificateDer::pem_file_iter(certificate)
            .and_then(Iterator::collect::<Result<Vec<_>, _>>)
            .with_context(|| format!("no certificate (PEM) can be read from {}", certificate.display()))?;
    anyhow::ensure!(!chain.is_empty(), "there is no certificate (PEM) in {}", certificate.display());
    let key = PrivateKeyDer::from_pem_file(key)
        .with_context(|| format!("no private key (PEM) can be read from {}", key.display()))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .context("the certificate and the key do not go together")?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}
