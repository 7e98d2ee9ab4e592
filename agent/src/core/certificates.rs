//! How long the certificates last that connections stand on: what the files say, read again each minute.
//!
//! Decides one moment a file: of a chain that is shown to others the end of the certificate that ends first, for without
//! any of them nobody is convinced; of authorities the end of the one that ends first of those that still hold, for an old
//! one beside its successor is no fault. It verifies nothing and connects nowhere; names and keys are not looked at. Times
//! are seconds since the Unix epoch, by the wall clock, as TLS itself goes by it. Never panics. RFC 5280 §4.1.2.5, RFC 7468.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use x509_cert::der::Decode as _;

use crate::plan::{Certificate, Holds};

/// Files are read so often.
const EVERY: Duration = Duration::from_secs(60);
/// No file of certificates is larger.
const FILE_MAX: u64 = 4 << 20;

/// Why nothing can be said of a file.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CertificateError {
    /// It is not there, or may not be read.
    #[error("it cannot be read: {0}")]
    File(#[from] std::io::Error),
    /// It is far too large.
    #[error("it has {0} bytes, which no file of certificates has")]
    Large(u64),
    /// It is not PEM.
    #[error("it is not PEM: {0}")]
    Pem(rustls::pki_types::pem::Error),
    /// Nothing is in it.
    #[error("it holds no certificate")]
    Empty,
    /// What is in it is no certificate.
    #[error("certificate {place} of it cannot be understood: {source}")]
    Certificate {
        /// Which one, from 1.
        place: usize,
        /// Why.
        source: x509_cert::der::Error,
    },
}

/// The files that are watched, and what they said last.
#[derive(Debug, Default)]
pub(crate) struct Certificates {
    known: Mutex<Known>,
}

#[derive(Debug, Default)]
struct Known {
    files: Vec<(PathBuf, Holds)>,
    /// End of each file that could be read; `None` of one that could not.
    ends: HashMap<PathBuf, Option<i64>>,
    due: Option<Instant>,
}

impl Certificates {
    /// From now on these are watched.
    pub(crate) fn watch(&self, certificates: &[Certificate]) {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known.files = certificates.iter().map(|one| (one.path.clone(), one.holds)).collect();
        let Known { files, ends, due } = &mut *known;
        ends.retain(|path, _| files.iter().any(|(other, _)| other == path));
        *due = None;
    }

    /// Days until a file's certificate ends, begun ones not counted; an error if it cannot be read, nothing if it was not
    /// looked at yet.
    pub(crate) fn days_left(&self, path: &Path, now_ms: i64) -> Option<Result<i64, ()>> {
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let end = known.ends.get(path)?;
        Some(end.map(|end| end.saturating_sub(now_ms.div_euclid(1000)).div_euclid(86_400)).ok_or(()))
    }

    /// Reads the files if it is time.
    pub(crate) fn look(&self) {
        let files = {
            let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
            if known.due.is_some_and(|due| Instant::now() < due) {
                return;
            }
            known.due = Some(Instant::now() + EVERY);
            known.files.clone()
        };
        let now = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |now| now.as_secs());
        for (path, holds) in files {
            // Not while the lock is held: a file may lie on a disk that hangs.
            let end = read(&path).and_then(|pem| ends_at(&pem, holds, i64::try_from(now).unwrap_or(i64::MAX)));
            let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
            if let Err(error) = &end
                && !matches!(known.ends.get(&path), Some(None))
            {
                tracing::warn!("of the certificate {} nothing can be said: {error}", path.display());
            }
            if known.files.iter().any(|(other, _)| *other == path) {
                known.ends.insert(path, end.ok());
            }
        }
    }
}

fn read(path: &Path) -> Result<Vec<u8>, CertificateError> {
    let bytes = std::fs::metadata(path)?.len();
    if bytes > FILE_MAX {
        return Err(CertificateError::Large(bytes));
    }
    Ok(std::fs::read(path)?)
}

/// When what a file holds ends, seconds since the epoch.
///
/// # Errors
/// When it is not PEM, or holds no certificate or one that cannot be understood.
pub(crate) fn ends_at(pem: &[u8], holds: Holds, now_s: i64) -> Result<i64, CertificateError> {
    let mut ends = Vec::new();
    for (place, der) in (1..).zip(CertificateDer::pem_slice_iter(pem)) {
        let der = der.map_err(CertificateError::Pem)?;
        let certificate =
            x509_cert::Certificate::from_der(&der).map_err(|source| CertificateError::Certificate { place, source })?;
        let end = certificate.tbs_certificate().validity().not_after.to_unix_duration().as_secs();
        ends.push(i64::try_from(end).unwrap_or(i64::MAX));
    }
    let first = ends.iter().copied().min();
    let end = match holds {
        Holds::Chain => first,
        Holds::Authorities => ends.iter().copied().filter(|end| *end > now_s).min().or(ends.iter().copied().max()),
    };
    end.ok_or(CertificateError::Empty)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tls::testing::ending;

    const DAY: i64 = 86_400;

    fn now_s() -> i64 {
        SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_secs().cast_signed()
    }

    #[test]
    fn the_end_of_what_is_shown_is_the_first_and_of_authorities_the_first_that_still_holds() {
        let now = now_s();
        let (soon, late, over) =
            (ending("soon", now + 9 * DAY), ending("late", now + 3000 * DAY), ending("over", now - DAY));
        for (pems, chain, authorities) in [
            (vec![&soon], 9, 9),
            (vec![&late, &soon], 9, 9),
            (vec![&over, &late], -1, 3000),
            (vec![&late, &soon, &over], -1, 9),
            (vec![&over], -1, -1),
        ] {
            let text: Vec<u8> = pems.iter().flat_map(|pem| pem.iter().copied()).collect();
            let end = |holds| ends_at(&text, holds, now).expect("made by openssl");
            assert_eq!((end(Holds::Chain), end(Holds::Authorities)), (now + chain * DAY, now + authorities * DAY));
        }
    }

    #[test]
    fn what_is_no_certificate_is_said_to_be_none() {
        let now = now_s();
        let pem = ending("whole", now + DAY);
        assert!(matches!(ends_at(b"", Holds::Chain, now), Err(CertificateError::Empty)));
        assert!(matches!(ends_at(b"secret", Holds::Chain, now), Err(CertificateError::Empty)));
        let text = String::from_utf8(pem.clone()).expect("PEM is text");
        let key = text.replace("CERTIFICATE", "PRIVATE KEY");
        assert!(matches!(ends_at(key.as_bytes(), Holds::Chain, now), Err(CertificateError::Empty)));
        let noise = "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n";
        let wrong = ends_at(format!("{text}{noise}").as_bytes(), Holds::Authorities, now);
        assert!(matches!(wrong, Err(CertificateError::Certificate { place: 2, .. })), "{wrong:?}");
        for length in 0..pem.len() - 1 {
            // A cut in the last line's dashes or line feed loses nothing.
            let cut = ends_at(&pem[..length], Holds::Chain, now);
            assert!(cut.as_ref().ok().is_none_or(|end| *end == now + DAY), "cut at {length}: {cut:?}");
        }
        let der = CertificateDer::from_pem_slice(&pem).expect("PEM").to_vec();
        for bit in 0..der.len() * 8 {
            let mut bad = der.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            // No signature is checked: a flipped bit may be another certificate, but never a panic.
            let _any = x509_cert::Certificate::from_der(&bad);
        }
        for length in 0..der.len() {
            assert!(x509_cert::Certificate::from_der(&der[..length]).is_err(), "{length} bytes");
        }
    }

    #[test]
    fn a_file_is_looked_at_and_a_lost_one_is_told() {
        let dir = crate::store::tests::TestDir::new("certificates");
        let (path, now) = (dir.path().join("client.pem"), now_s());
        let certificates = Certificates::default();
        let one = Certificate {
            point: 0,
            name: "mqtt/client".into(),
            used: Vec::new(),
            path: path.clone(),
            holds: Holds::Chain,
        };
        assert_eq!(certificates.days_left(&path, now * 1000), None);
        certificates.watch(std::slice::from_ref(&one));
        certificates.look();
        assert_eq!(certificates.days_left(&path, now * 1000), Some(Err(())), "it is not there");
        std::fs::write(&path, ending("renewed", now + 20 * DAY)).expect("written");
        certificates.look();
        assert_eq!(certificates.days_left(&path, now * 1000), Some(Err(())), "a minute has not passed");
        certificates.watch(&[one]);
        certificates.look();
        assert_eq!(certificates.days_left(&path, now * 1000), Some(Ok(20)));
        assert_eq!(certificates.days_left(&path, (now + 21 * DAY) * 1000), Some(Ok(-1)));
        certificates.watch(&[]);
        assert_eq!(certificates.days_left(&path, now * 1000), None);
    }
}
