//! What can go wrong with one exchange, what that means for the device, and which status its readings get.
//!
//! Three steps: the transport's detail ([`Failure`]), its meaning ([`Meaning`]), the status number. What is said of it, in
//! which language, is `why`'s. Knows no link and no time. Never panics. Exception codes: MODBUS Application Protocol
//! V1.1b3 §7.

use lapwing_protocol::Status;

use super::why::Unreached;

/// How one exchange failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Failure {
    /// No answer within the time-out.
    Silence {
        /// How long was waited, ms.
        timeout_ms: u64,
    },
    /// The answer does not belong to the request or is damaged.
    Garbled(Garble),
    /// The device refused, with an exception code.
    Exception {
        /// The code.
        code: u8,
    },
    /// An SNMP agent refused the request as a whole.
    Refused(String),
    /// No answer to a user of SNMP version 3 within the time-out: an agent that refuses him says so in a way that anybody
    /// could forge, so it is not believed.
    Unanswered {
        /// How long was waited, ms.
        timeout_ms: u64,
    },
    /// An SNMP agent does not take the user.
    Access(String),
    /// A service answered with an HTTP status that brings nothing.
    Http {
        /// The status.
        status: u16,
    },
    /// An SNMP agent reports an error of its own.
    AgentFailure,
    /// The connection ended during the exchange.
    Closed(End),
    /// There is no connection to ask over.
    NoConnection(Unreached),
    /// The plan asks what this link cannot carry.
    Plan(&'static str),
}

/// How a connection ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum End {
    /// The other side ended it without a word: inside TLS it may have wanted another certificate, for TLS 1.3 tells a client
    /// so only after its handshake, and not every server tells.
    Wordless,
    /// The other side ended it.
    ByOther,
    /// As the system or a library says it.
    Told(crate::cause::Cause),
}

/// Why an answer was not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Garble {
    /// Check sum wrong.
    Crc,
    /// Another unit answered.
    Unit {
        /// Asked.
        asked: u8,
        /// Got.
        got: u8,
    },
    /// Another function answered.
    Function {
        /// Asked.
        asked: u8,
        /// Got.
        got: u8,
    },
    /// Wrong length.
    Length {
        /// Asked, in registers, bytes of bits, or variables.
        asked: u16,
        /// Got.
        got: u16,
    },
    /// Ended too early.
    Short {
        /// Bytes received.
        got: u16,
    },
    /// More came than the answer.
    Long,
    /// Our own request came back.
    Echo,
    /// It began before our request had ended.
    Early,
    /// The rows of a table did not come in order.
    Order,
    /// Its body is not what the standard says it is.
    Body,
    /// Its header does not belong to the request, or cannot be read at all.
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
    }
}
