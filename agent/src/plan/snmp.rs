//! What the Plan says of SNMP: who asks, and what is asked beyond plain variables.
//!
//! Secrets are read from their files when the Plan is made and never shown: `Debug` hides them. Knows no wire. Never
//! panics. RFC 3414 and RFC 7860 (authentication), RFC 3826 (AES), RFC 3433 (entity sensors).

use std::fmt;
use std::net::SocketAddr;

/// `[snmp]`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Snmp {
    /// Where traps and informs are received; `None`: nowhere.
    pub notifications: Option<SocketAddr>,
}

/// In whose name an agent is asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Access {
    /// A community, which is no secret on the network.
    Community {
        /// With version 1 instead of 2c.
        version_1: bool,
        /// The community.
        community: Secret,
    },
    /// A user of version 3.
    User(User),
}

/// A user of version 3; always authenticated.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct User {
    /// Its name.
    pub name: String,
    /// How messages are authenticated, and the password.
    pub auth: (AuthProtocol, Secret),
    /// How they are encrypted, and the password; `None`: not at all.
    pub privacy: Option<(PrivacyProtocol, Secret)>,
}

/// How messages are authenticated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs)] // the names are the configuration's words
pub enum AuthProtocol {
    Md5,
    Sha1,
    Sha224,
    Sha256,
    Sha384,
    Sha512,
}

/// How messages are encrypted. Of AES with 192 and 256 bits there are two key extensions; neither became a standard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs)] // the names are the configuration's words
pub enum PrivacyProtocol {
    Des,
    Aes128,
    /// Key extension of the Blumenthal draft.
    Aes192,
    /// Key extension of the Reeder draft.
    Aes192Reeder,
    /// Key extension of the Blumenthal draft.
    Aes256,
    /// Key extension of the Reeder draft.
    Aes256Reeder,
}

impl AuthProtocol {
    /// Each with its word.
    pub const WORDS: [(&'static str, Self); 6] = [
        ("md5", Self::Md5),
        ("sha1", Self::Sha1),
        ("sha224", Self::Sha224),
        ("sha256", Self::Sha256),
        ("sha384", Self::Sha384),
        ("sha512", Self::Sha512),
    ];

    /// Whether it should be replaced: weaker than SHA-256.
    #[must_use]
    pub const fn is_weak(self) -> bool {
        match self {
            Self::Md5 | Self::Sha1 | Self::Sha224 => true,
            Self::Sha256 | Self::Sha384 | Self::Sha512 => false,
        }
    }
}

impl PrivacyProtocol {
    /// Each with its word.
    pub const WORDS: [(&'static str, Self); 6] = [
        ("des", Self::Des),
        ("aes128", Self::Aes128),
        ("aes192", Self::Aes192),
        ("aes192-reeder", Self::Aes192Reeder),
        ("aes256", Self::Aes256),
        ("aes256-reeder", Self::Aes256Reeder),
    ];
}

/// A text that is not shown.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Secret(String);

impl Secret {
    /// The text itself.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl From<&str> for Secret {
    fn from(text: &str) -> Self {
        Self(text.to_owned())
    }
}

impl From<String> for Secret {
    fn from(text: String) -> Self {
        Self(text)
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

/// A row that is found by its label, because its number may change.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct LabelledRow {
    /// Column of the labels.
    pub column: Vec<u32>,
    /// The label.
    pub equals: String,
}

/// One value of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cell {
    /// The row, by its place among the transaction's; `None`: `oid` is a whole instance.
    pub row: Option<u32>,
    /// Column, or whole instance.
    pub oid: Vec<u32>,
    /// It is an `entPhySensorValue` (RFC 3433): what it means stands in the columns beside it.
    pub sensor: Option<SensorKind>,
}

/// What an entity sensor must measure for its point to be believed: `EntitySensorDataType` of RFC 3433.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs)] // the words of the standard
pub enum SensorKind {
    Volts,
    Amperes,
    Watts,
    Hertz,
    Celsius,
    PercentRh,
    Rpm,
    CubicMetresPerMinute,
    TruthValue,
    /// The point's quantity has no counterpart there: any type will do.
    Any,
}

/// `entPhySensorValue`, column 4 of the table of RFC 3433.
pub const SENSOR_VALUE: [u32; 11] = [1, 3, 6, 1, 2, 1, 99, 1, 1, 1, 4];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_are_not_shown() {
        let access = Access::User(User {
            name: "lapwing".into(),
            auth: (AuthProtocol::Sha256, "hush-hush".into()),
            privacy: Some((PrivacyProtocol::Aes128, "hush-hush".into())),
        });
        let community = Access::Community { version_1: false, community: "hush-hush".into() };
        assert!(!format!("{access:?} {community:?}").contains("hush"));
    }
}
