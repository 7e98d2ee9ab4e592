//! What TLS needs, made from files: for a client the one trusted authority, and a certificate of its own if it has one; for
//! the page's server its certificate and key.
//!
//! rustls on ring, versions 1.2 and 1.3; a client's configured authority is its only root, where none is the public ones are. Files are read at every call, so that
//! a renewed certificate is used without a restart. It does not connect. Never panics. RFC 7468 (PEM).

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::RootCertStore;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::cause::Cause;

/// Why TLS cannot be set up.
#[derive(Debug, thiserror::Error)]
pub(crate) enum TlsError {
    #[error("{what} {path} cannot be read: {source}")]
    File { what: &'static str, path: PathBuf, source: std::io::Error },
    #[error("{what} {path} is not usable PEM: {source}")]
    Pem { what: &'static str, path: PathBuf, source: rustls::pki_types::pem::Error },
    #[error("the certificate authority file {path} holds no certificate")]
    NoAuthority { path: PathBuf },
    #[error("TLS cannot be set up with these certificates: {0}")]
    Unusable(#[from] rustls::Error),
}

impl TlsError {
    /// For people too.
    pub(crate) fn cause(&self) -> Cause {
        let of = |code: &'static str, path: &Path| Cause::known(code, &[("path", &path.display())]);
        let cause = match self {
            Self::File { path, source, .. } => of("tls_file", path).because("why", Cause::io(source)),
            Self::Pem { path, source, .. } => of("tls_pem", path).because("why", Cause::from(source.to_string())),
            Self::NoAuthority { path } => of("tls_no_authority", path),
            Self::Unusable(error) => Cause::known("tls_unusable", &[]).because("why", Cause::tls(error)),
        };
        cause.told(self)
    }
}

/// Settings of a client that trusts one authority.
///
/// # Errors
/// Every variant of [`TlsError`].
pub(crate) fn client_config(
    authority: &Path,
    client: Option<(&Path, &Path)>,
) -> Result<rustls::ClientConfig, TlsError> {
    let builder = trusting(roots(authority)?)?;
    let Some((chain, key)) = client else { return Ok(builder.with_no_client_auth()) };
    let chain = certificates("the client certificate", chain)?;
    Ok(builder.with_client_auth_cert(chain, private_key("the client key", key)?)?)
}

/// Settings of a server that shows a certificate and asks for none; HTTP/1.1 by name (RFC 7301).
///
/// # Errors
/// When a file cannot be read or does not fit.
pub(crate) fn server_config(certificate: &Path, key: &Path) -> Result<rustls::ServerConfig, TlsError> {
    let chain = certificates("the page's certificate", certificate)?;
    let key = private_key("the page's key", key)?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut config = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(chain, key)?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(config)
}

fn private_key(what: &'static str, path: &Path) -> Result<PrivateKeyDer<'static>, TlsError> {
    let bytes = read(what, path)?;
    PrivateKeyDer::from_pem_slice(&bytes).map_err(|source| TlsError::Pem { what, path: path.to_path_buf(), source })
}

/// Settings of a client without a certificate of its own that trusts one authority, or the public ones.
///
/// # Errors
/// Every variant of [`TlsError`].
#[cfg(feature = "notify")]
pub(crate) fn public_or(authority: Option<&Path>) -> Result<rustls::ClientConfig, TlsError> {
    let roots = match authority {
        Some(authority) => roots(authority)?,
        None => RootCertStore { roots: webpki_roots::TLS_SERVER_ROOTS.to_vec() },
    };
    Ok(trusting(roots)?.with_no_client_auth())
}

fn roots(authority: &Path) -> Result<RootCertStore, TlsError> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates("the certificate authority file", authority)? {
        roots.add(certificate)?;
    }
    if roots.is_empty() {
        return Err(TlsError::NoAuthority { path: authority.to_path_buf() });
    }
    Ok(roots)
}

fn trusting(
    roots: RootCertStore,
) -> Result<rustls::ConfigBuilder<rustls::ClientConfig, rustls::client::WantsClientCert>, TlsError> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = rustls::ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions()?;
    Ok(builder.with_root_certificates(roots))
}

fn certificates(what: &'static str, path: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let bytes = read(what, path)?;
    CertificateDer::pem_slice_iter(&bytes).collect::<Result<_, _>>().map_err(|source| TlsError::Pem {
        what,
        path: path.to_path_buf(),
        source,
    })
}

fn read(what: &'static str, path: &Path) -> Result<Vec<u8>, TlsError> {
    std::fs::read(path).map_err(|source| TlsError::File { what, path: path.to_path_buf(), source })
}

#[cfg(test)]
pub(crate) mod testing {
    //! Certificates for tests, made by openssl in a directory of their own that goes with them.

    use super::*;

    /// An authority, a server's certificate for 127.0.0.1, a client's.
    pub(crate) struct Certificates(PathBuf);

    impl Certificates {
        pub(crate) fn new(name: &str) -> Self {
            let dir = std::env::temp_dir().join(format!("lapwing-tls-{name}-{}", std::process::id()));
            std::fs::create_dir_all(&dir).expect("a directory");
            let script = "set -e; ec='-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes'
                openssl req -x509 $ec -keyout ca.key -out ca.pem -days 2 -subj /CN=authority
                for who in server client; do
                    openssl req $ec -keyout $who.key -out $who.csr -subj /CN=$who
                    printf 'subjectAltName=IP:127.0.0.1\\nbasicConstraints=CA:FALSE\\n' > ext
                    openssl x509 -req -in $who.csr -CA ca.pem -CAkey ca.key -CAcreateserial -out $who.pem -days 2 -extfile ext
                done";
            let mut made = std::process::Command::new("sh");
            let made = made.arg("-c").arg(script).current_dir(&dir).stderr(std::process::Stdio::null()).status();
            assert!(made.expect("sh is there").success(), "openssl is installed (apt install openssl)");
            Self(dir)
        }

        pub(crate) fn file(&self, name: &str) -> PathBuf {
            self.0.join(name)
        }

        pub(crate) fn authority(&self) -> PathBuf {
            self.file("ca.pem")
        }
    }

    impl Drop for Certificates {
        fn drop(&mut self) {
            let _gone = std::fs::remove_dir_all(&self.0);
        }
    }

    /// A certificate, PEM, that ends at a moment, seconds since the epoch.
    pub(crate) fn ending(name: &str, end_s: i64) -> Vec<u8> {
        let dir = std::env::temp_dir().join(format!("lapwing-ending-{name}-{}-{end_s}", std::process::id()));
        std::fs::create_dir_all(&dir).expect("a directory");
        let end = jiff::Timestamp::from_second(end_s).expect("a moment").strftime("%Y%m%d%H%M%SZ").to_string();
        let script = "set -e
            printf '[ca]\ndefault_ca=d\n[d]\ndatabase=index\nserial=serial\nnew_certs_dir=.\ndefault_md=sha256\npolicy=p\n[p]\ncommonName=supplied\n' > conf
            : > index; echo 01 > serial
            openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -keyout key -out csr -subj /CN=$1
            openssl ca -batch -selfsign -notext -config conf -keyfile key -in csr -out pem -startdate 20200101000000Z -enddate $2";
        let mut made = std::process::Command::new("sh");
        made.args(["-c", script, "sh", name, &end]).current_dir(&dir);
        let made = made.stdout(std::process::Stdio::null()).stderr(std::process::Stdio::null()).status();
        assert!(made.expect("sh is there").success(), "openssl is installed (apt install openssl)");
        let pem = std::fs::read(dir.join("pem")).expect("written");
        std::fs::remove_dir_all(&dir).expect("removed");
        pem
    }

    pub(crate) fn chain(path: &Path) -> Vec<CertificateDer<'static>> {
        certificates("a certificate", path).expect("made by openssl")
    }

    pub(crate) fn key(path: &Path) -> PrivateKeyDer<'static> {
        PrivateKeyDer::from_pem_file(path).expect("made by openssl")
    }
}
