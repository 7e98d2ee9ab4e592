//! Why something of this machine or beyond it does not work: for programs and logs in English as the system says it, for
//! people in the module's language.
//!
//! A cause that is known has a code in `words` (`[cause]`) and gaps; one that is not is quoted as system or library say it.
//! Sorts errors of the system, of SQLite and of TLS by what a person would do about them. Decides nothing. Never panics.

use std::fmt;
use std::io;

use rustls::{AlertDescription, CertificateError};

use crate::plan::Language;
use crate::words::{Words, filled};

/// A part of a sentence, without its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cause {
    /// As system, library or device say it.
    Quoted(String),
    /// One that has its own words.
    Known {
        /// Code of the sentence.
        code: &'static str,
        /// What is said in it.
        gaps: Vec<(&'static str, Cause)>,
        /// What system or library say of it, for programs and logs.
        raw: Option<String>,
    },
}

impl Cause {
    /// A known cause.
    #[must_use]
    pub fn known(code: &'static str, gaps: &[(&'static str, &dyn fmt::Display)]) -> Self {
        let gaps = gaps.iter().map(|(gap, value)| (*gap, Self::Quoted(value.to_string()))).collect();
        Self::Known { code, gaps, raw: None }
    }

    /// The same with another cause in it.
    #[must_use]
    pub fn because(mut self, gap: &'static str, cause: Self) -> Self {
        if let Self::Known { gaps, .. } = &mut self {
            gaps.push((gap, cause));
        }
        self
    }

    /// The same with what programs and logs are told.
    #[must_use]
    pub fn told(mut self, error: &dyn fmt::Display) -> Self {
        if let Self::Known { raw, .. } = &mut self {
            *raw = Some(error.to_string());
        }
        self
    }

    /// In a language.
    #[must_use]
    pub fn said(&self, words: &Words) -> String {
        match self {
            Self::Quoted(text) => text.clone(),
            Self::Known { code, gaps, .. } => {
                let said: Vec<(&str, String)> = gaps.iter().map(|(gap, cause)| (*gap, cause.said(words))).collect();
                let gaps: Vec<(&str, &str)> = said.iter().map(|(gap, text)| (*gap, text.as_str())).collect();
                filled(words.cause(code), &gaps)
            }
        }
    }

    /// What the system says.
    #[must_use]
    pub fn io(error: &io::Error) -> Self {
        use io::ErrorKind as Kind;
        if let Some(tls) = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()) {
            return Self::tls(tls);
        }
        let code = match error.kind() {
            Kind::NotFound => "io_not_there",
            Kind::PermissionDenied => "io_denied",
            Kind::ConnectionRefused => "io_refused",
            Kind::HostUnreachable | Kind::NetworkUnreachable | Kind::NetworkDown => "io_no_route",
            Kind::ConnectionReset | Kind::ConnectionAborted | Kind::BrokenPipe | Kind::UnexpectedEof => "io_closed",
            Kind::TimedOut => "io_time_out",
            Kind::AddrInUse | Kind::ResourceBusy => "io_in_use",
            Kind::AddrNotAvailable => "io_no_such_address",
            Kind::StorageFull | Kind::QuotaExceeded => "io_full",
            Kind::ReadOnlyFilesystem => "io_read_only",
            // The system has no kind for these: 5 is EIO; a name's failed look-up is a text of the standard library.
            _ if error.raw_os_error() == Some(5) => "io_failed",
            _ if error.to_string().starts_with("failed to lookup address information") => "io_no_name",
            _ => return Self::Quoted(error.to_string()),
        };
        Self::known(code, &[]).told(error)
    }

    /// What SQLite says.
    #[must_use]
    pub fn sql(error: &rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        let code = match error.sqlite_error_code() {
            Some(Code::DiskFull) => "io_full",
            Some(Code::SystemIoFailure) => "io_failed",
            Some(Code::ReadOnly) => "io_read_only",
            Some(Code::CannotOpen) => "io_not_opened",
            Some(Code::PermissionDenied) => "io_denied",
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => "io_in_use",
            _ => return Self::Quoted(error.to_string()),
        };
        Self::known(code, &[]).told(error)
    }

    /// What TLS says.
    #[must_use]
    pub fn tls(error: &rustls::Error) -> Self {
        use AlertDescription as Alert;
        use CertificateError as Bad;
        let code = match error {
            rustls::Error::InvalidCertificate(bad) => match bad {
                Bad::Expired | Bad::ExpiredContext { .. } => "certificate_expired",
                Bad::NotValidYet | Bad::NotValidYetContext { .. } => "certificate_early",
                Bad::UnknownIssuer => "certificate_unknown",
                Bad::NotValidForName | Bad::NotValidForNameContext { .. } => "certificate_name",
                _ => return Self::known("certificate_bad", &[("why", error)]).told(error),
            },
            rustls::Error::AlertReceived(
                Alert::CertificateRequired
                | Alert::BadCertificate
                | Alert::UnsupportedCertificate
                | Alert::CertificateRevoked
                | Alert::CertificateExpired
                | Alert::CertificateUnknown
                | Alert::UnknownCA
                | Alert::AccessDenied
                | Alert::NoCertificate,
            ) => "certificate_ours",
            _ => return Self::Quoted(error.to_string()),
        };
        Self::known(code, &[]).told(error)
    }
}

impl fmt::Display for Cause {
    /// For programs and logs: in English, as system and libraries say it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Quoted(text) | Self::Known { raw: Some(text), .. } => f.write_str(text),
            Self::Known { code, gaps, raw: None } => {
                let said: Vec<(&str, String)> = gaps.iter().map(|(gap, cause)| (*gap, cause.to_string())).collect();
                let gaps: Vec<(&str, &str)> = said.iter().map(|(gap, text)| (*gap, text.as_str())).collect();
                f.write_str(&filled(Words::of(Language::English).cause(code), &gaps))
            }
        }
    }
}

impl From<String> for Cause {
    fn from(text: String) -> Self {
        Self::Quoted(text)
    }
}

impl From<&str> for Cause {
    fn from(text: &str) -> Self {
        Self::Quoted(text.to_owned())
    }
}

impl From<io::Error> for Cause {
    fn from(error: io::Error) -> Self {
        Self::io(&error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_system_says_has_words() {
        let german = Words::of(Language::German);
        for code in [1, 2, 5, 13, 28, 30, 32, 98, 99, 101, 103, 104, 110, 111, 113, 122] {
            let error = io::Error::from_raw_os_error(code);
            let cause = Cause::io(&error);
            assert_eq!(cause.to_string(), error.to_string(), "programs read what the system says");
            assert!(matches!(cause, Cause::Known { .. }), "{code} ({error}) has no words");
            assert!(
                !cause.said(german).contains("os error")
                    && cause.said(german) != cause.said(Words::of(Language::English))
            );
        }
        let odd = io::Error::from_raw_os_error(71);
        assert_eq!(Cause::io(&odd).said(german), odd.to_string(), "what has none is quoted");
    }

    #[test]
    fn a_cause_in_a_cause_is_said_in_one_language() {
        let full = Cause::io(&io::Error::from_raw_os_error(28));
        let cause = Cause::known("broker_other", &[("at", &"127.0.0.1:1883")]).because("why", full);
        assert_eq!(cause.said(Words::of(Language::German)), "127.0.0.1:1883: der Datenträger ist voll");
        assert!(cause.to_string().starts_with("127.0.0.1:1883: No space left"), "{cause}");
    }

    #[test]
    fn a_certificate_that_is_not_accepted_says_why() {
        let of = |error: rustls::Error| Cause::io(&io::Error::other(error));
        let expired = of(rustls::Error::InvalidCertificate(CertificateError::Expired));
        assert_eq!(expired, Cause::known("certificate_expired", &[]).told(&expired));
        let ours = of(rustls::Error::AlertReceived(AlertDescription::UnknownCA));
        assert!(matches!(ours, Cause::Known { code: "certificate_ours", .. }));
        assert!(expired.to_string().contains("Expired"), "{expired}");
    }

    /// A code without a sentence would be said itself, a sentence without its code never.
    #[test]
    fn every_sentence_has_its_code_and_every_code_its_sentence() {
        let sources = [
            include_str!("cause.rs"),
            include_str!("tls.rs"),
            include_str!("store/error.rs"),
            include_str!("store/mod.rs"),
            include_str!("store/telling.rs"),
            include_str!("store/writer.rs"),
            include_str!("store/history/error.rs"),
            include_str!("publish/access.rs"),
            include_str!("publish/connection.rs"),
            include_str!("notify/mod.rs"),
            include_str!("notify/mail.rs"),
            include_str!("notify/webhook.rs"),
            include_str!("page/health.rs"),
            include_str!("page/links.rs"),
        ]
        .concat();
        let file: toml::Table = toml::from_str(include_str!("words/en.toml")).expect("TOML");
        let table = file["cause"].as_table().expect("a table");
        for code in table.keys() {
            assert!(sources.contains(&format!("\"{code}\"")), "nothing says {code}");
        }
        for code in sources.split("Cause::known(\"").chain(sources.split("of(\"")).skip(1) {
            let code = code.split('"').next().unwrap_or_default();
            let is_code = code.contains('_') && code.chars().all(|c| c.is_ascii_lowercase() || c == '_');
            assert!(!is_code || table.contains_key(code), "{code} has no sentence");
        }
    }
}
