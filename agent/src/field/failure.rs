//! What can go wrong with one exchange, what that means for the device, and which status its readings get.
//!
//! Three steps: the transport's detail ([`Failure`]), its meaning ([`Meaning`]), the status number. Knows no link and
//! no time. Never panics. Exception codes: MODBUS Application Protocol V1.1b3 §7.

use lapwing_protocol::Status;
use thiserror::Error;

/// How one exchange failed.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum Failure {
    /// No answer within the time-out.
    #[error("no answer within {timeout_ms} ms: check power, address and cabling of the device")]
    Silence {
        /// How long was waited, ms.
        timeout_ms: u64,
    },
    /// The answer does not belong to the request or is damaged.
    #[error("answer not believed: {0}")]
    Garbled(Garble),
    /// The device refused, with an exception code.
    #[error("refused with exception {code:02X} ({})", exception_words(*.code))]
    Exception {
        /// The code.
        code: u8,
    },
    /// An SNMP agent refused the request as a whole.
    #[error("refused with SNMP error {0}: check community and object identifiers")]
    Refused(String),
    /// No answer to a user of SNMP version 3 within the time-out: an agent that refuses him says so in a way that anybody
    /// could forge, so it is not believed.
    #[error(
        "no answer within {timeout_ms} ms: check power, address and cabling of the device, and whether it knows the \
         user with these passwords and protocols"
    )]
    Unanswered {
        /// How long was waited, ms.
        timeout_ms: u64,
    },
    /// An SNMP agent does not take the user.
    #[error("the agent does not accept the user: {0}; check user, passwords and protocols on both sides")]
    Access(String),
    /// A service answered with an HTTP status that brings nothing.
    #[error("refused with HTTP status {status} ({})", http_words(*.status))]
    Http {
        /// The status.
        status: u16,
    },
    /// An SNMP agent reports an error of its own.
    #[error("the agent reports an error of its own (genErr)")]
    AgentFailure,
    /// The connection ended during the exchange.
    #[error("connection closed during the exchange: {0}")]
    Closed(String),
    /// There is no connection to ask over.
    #[error("{0}")]
    NoConnection(String),
    /// The plan asks what this link cannot carry.
    #[error("{0}")]
    Plan(&'static str),
}

/// Why an answer was not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum Garble {
    /// Check sum wrong.
    #[error("CRC wrong (noise, or two devices answering at once)")]
    Crc,
    /// Another unit answered.
    #[error("unit {got} answered instead of {asked}")]
    Unit {
        /// Asked.
        asked: u8,
        /// Got.
        got: u8,
    },
    /// Another function answered.
    #[error("function {got} came back instead of {asked}")]
    Function {
        /// Asked.
        asked: u8,
        /// Got.
        got: u8,
    },
    /// Wrong length.
    #[error("{got} values came back instead of {asked}")]
    Length {
        /// Asked, in registers, bytes of bits, or variables.
        asked: u16,
        /// Got.
        got: u16,
    },
    /// Ended too early.
    #[error("cut short after {got} bytes")]
    Short {
        /// Bytes received.
        got: u16,
    },
    /// More came than the answer.
    #[error("more bytes than the answer has")]
    Long,
    /// Our own request came back.
    #[error("our own request came back (an adapter that hears itself: turn its local echo off)")]
    Echo,
    /// It began before our request had ended.
    #[error("bytes arrived before the device could have answered (another master, or a late answer)")]
    Early,
    /// The rows of a table did not come in order.
    #[error("the rows of a table do not come in order, or without end")]
    Order,
    /// Its body is not what the standard says it is.
    #[error("the answer is no JSON, or too long")]
    Body,
    /// Its header does not belong to the request, or cannot be read at all.
    #[error("header does not belong to the request")]
    Header,
}

/// What a failure means for the device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// Nobody answers.
    Silent,
    /// Somebody answers, not believably.
    Garbled,
    /// It answers that it has no time.
    Busy,
    /// It answers that there is no such thing: the map does not fit.
    MapDoesNotFit,
    /// It answers that it is broken.
    Broken,
}

impl From<&Failure> for Meaning {
    fn from(failure: &Failure) -> Self {
        match failure {
            // Nothing is learnt of the device before the user is accepted: one alarm should say so, not one a point.
            Failure::Silence { .. }
            | Failure::Unanswered { .. }
            | Failure::Closed(_)
            | Failure::NoConnection(_)
            | Failure::Access(_) => Self::Silent,
            Failure::Garbled(_) => Self::Garbled,
            Failure::Exception { code } => Self::of_exception(*code),
            Failure::Refused(_) | Failure::Plan(_) => Self::MapDoesNotFit,
            Failure::Http { status } => Self::of_http(*status),
            Failure::AgentFailure => Self::Broken,
        }
    }
}

impl From<Meaning> for Status {
    fn from(meaning: Meaning) -> Self {
        match meaning {
            Meaning::Silent => Self::BAD_NO_COMMUNICATION,
            Meaning::Garbled | Meaning::Busy => Self::BAD_COMMUNICATION_ERROR,
            Meaning::MapDoesNotFit => Self::BAD_NOT_FOUND,
            Meaning::Broken => Self::BAD_DEVICE_FAILURE,
        }
    }
}

impl Meaning {
    /// RFC 9110 §15. A user that is not accepted learns nothing: one alarm should say so, not one a point.
    const fn of_http(status: u16) -> Self {
        match status {
            401 | 403 => Self::Silent,
            408 | 429 | 503 => Self::Busy,
            300..=499 => Self::MapDoesNotFit,
            500..=599 => Self::Broken,
            _ => Self::Garbled,
        }
    }

    /// Whether the device is alive all the same: it understood the request and answered it in its own name.
    ///
    /// A device that only ever says it is busy is not: its readings do not come, and one alarm should say so.
    #[must_use]
    pub const fn is_alive(self) -> bool {
        match self {
            Self::MapDoesNotFit | Self::Broken => true,
            Self::Silent | Self::Garbled | Self::Busy => false,
        }
    }

    /// Whether a smaller request may be answered: the device has no such address, or not so many.
    #[must_use]
    pub const fn may_fit_in_pieces(failure: &Failure) -> bool {
        matches!(failure, Failure::Exception { code: 2 | 3 })
    }

    /// Codes 0A and 0B come from a gateway in the name of a device that does not answer it. A code unknown to the
    /// standard is the device's own and says nothing about the map.
    const fn of_exception(code: u8) -> Self {
        match code {
            0x01..=0x03 => Self::MapDoesNotFit,
            0x05 | 0x06 => Self::Busy,
            0x0A | 0x0B => Self::Silent,
            _ => Self::Broken,
        }
    }
}

impl Failure {
    /// Whether a gateway said it, in the name of a device behind it.
    #[must_use]
    pub const fn is_of_gateway(&self) -> bool {
        matches!(self, Self::Exception { code: 0x0A | 0x0B })
    }

    /// The status its readings get.
    #[must_use]
    pub fn status(&self) -> Status {
        match self {
            // Ours, not the device's.
            Self::Plan(_) => Status::BAD_CONFIGURATION_ERROR,
            Self::Silence { .. }
            | Self::Unanswered { .. }
            | Self::Garbled(_)
            | Self::Exception { .. }
            | Self::Refused(_)
            | Self::Access(_)
            | Self::Http { .. }
            | Self::AgentFailure
            | Self::Closed(_)
            | Self::NoConnection(_) => Meaning::from(self).into(),
        }
    }
}

/// What an HTTP status says, in words.
#[must_use]
pub const fn http_words(status: u16) -> &'static str {
    match status {
        300..=399 => "it points elsewhere, which is not followed: correct the map's resource",
        401 | 403 => "it does not accept the user: check user, password and the user's role",
        404 | 410 => "there is no such resource: check the map",
        408 | 429 | 503 => "it has no time",
        400..=499 => "it does not take the request: check the map's resource",
        500..=599 => "it reports a failure of its own",
        _ => "a status without meaning here",
    }
}

/// What an exception code says, in words.
#[must_use]
pub const fn exception_words(code: u8) -> &'static str {
    match code {
        0x01 => "the device does not know this function: check the table in the map",
        0x02 => "the device has no such address: check the map's registers",
        0x03 => "the device does not take this quantity: set `max_registers`",
        0x04 => "the device reports a failure of its own",
        0x05 => "the device has accepted the request and is still at work",
        0x06 => "the device is busy",
        0x08 => "the device found its memory damaged",
        0x0A => "the gateway has no path to the device",
        0x0B => "the gateway got no answer from the device",
        _ => "a code of the device's own",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_exception_has_a_status_and_only_gateway_codes_mean_silence() {
        for code in 0..=u8::MAX {
            let failure = Failure::Exception { code };
            let expected = match code {
                1..=3 => Status::BAD_NOT_FOUND,
                5 | 6 => Status::BAD_COMMUNICATION_ERROR,
                10 | 11 => Status::BAD_NO_COMMUNICATION,
                _ => Status::BAD_DEVICE_FAILURE,
            };
            assert_eq!(failure.status(), expected, "{code:02X}");
            assert_eq!(Meaning::from(&failure).is_alive(), !matches!(code, 5 | 6 | 10 | 11));
        }
    }

    #[test]
    fn silence_and_garble_are_told_apart() {
        assert_eq!(Failure::Silence { timeout_ms: 300 }.status(), Status::BAD_NO_COMMUNICATION);
        assert_eq!(Failure::Garbled(Garble::Crc).status(), Status::BAD_COMMUNICATION_ERROR);
        assert!(Failure::Exception { code: 2 }.to_string().contains("check the map's registers"));
    }
}
