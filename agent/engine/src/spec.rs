//! The plan as the engine sees it: flat tables of points, conditions and windows, in scan order.
//!
//! The agent fills `Vec`s, a microcontroller fills const tables; the engine only borrows them. Limits and values are
//! integers at the point's exponent (`value × 10^exponent`). Everything here was checked when the plan was made: indexes
//! are in range, alarms of one point stand together. Times are milliseconds of the caller's monotonic clock. Knows no rule and holds no state. Never panics.

use lapwing_protocol::{Decimal, Priority};

/// A moment on the caller's monotonic clock, in milliseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Millis(pub u64);

impl Millis {
    /// No moment: later than any clock gets.
    pub const NEVER: Self = Self(u64::MAX);

    /// Milliseconds since an earlier moment; 0 if it is not earlier.
    #[must_use]
    pub const fn since(self, earlier: Self) -> u64 {
        self.0.saturating_sub(earlier.0)
    }

    /// The moment this many milliseconds later.
    #[must_use]
    pub const fn plus(self, ms: u64) -> Self {
        Self(self.0.saturating_add(ms))
    }

    /// The same moment on a clock whose `to` is this clock's `from`; the ends saturate, `NEVER` stays.
    #[must_use]
    pub const fn moved(self, from: Self, to: Self) -> Self {
        if self.0 == u64::MAX {
            self
        } else if self.0 >= from.0 {
            to.plus(self.0 - from.0)
        } else {
            Self(to.0.saturating_sub(from.0 - self.0))
        }
    }
}

/// A stretch of a flat table: first element and how many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Span {
    /// Index of the first element.
    pub first: u32,
    /// Number of elements.
    pub count: u32,
}

/// What came from the field for one point, before anyone has believed it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Raw {
    /// Registers in address order, `len` of them; text is packed two bytes a register. `scale_factor` is what the
    /// point's scale-factor register held in the same transaction, if it has one.
    Words {
        /// The registers, high byte first as on the wire.
        words: [u16; 8],
        /// How many of them are used.
        len: u8,
        /// Power of ten from the scale-factor register (0 when there is none).
        scale_factor: i16,
    },
    /// A single bit.
    Bit(bool),
    /// A whole number, already decoded by its protocol (SNMP).
    Whole(i64),
    /// A floating number, already decoded by its protocol.
    Real(f64),
    /// No value, and why.
    Fault(lapwing_protocol::Status),
}

/// How the raw form of a number is laid out (the map's `as`).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs)] // the names are the map's words
pub enum Layout {
    #[default]
    U16,
    I16,
    U32,
    I32,
    U48,
    I48,
    U64,
    I64,
    F32,
    F64,
    /// One bit.
    Bit,
    /// Several bits, taken out by mask and shift.
    Bits,
    /// A number whose values have names.
    Enum,
    /// Binary-coded decimal, four digits a register.
    Bcd,
    /// Registers of four decimal digits each, most significant first (times 10 000).
    Modulo10000,
    /// Digits as text.
    TextNumber,
    /// A count that only rises and wraps; as unsigned of the given registers.
    Counter,
}

/// Order of the registers of a value of several.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WordOrder {
    /// Most significant register first.
    #[default]
    Big,
    /// Least significant register first.
    Little,
}

/// Order of the two bytes inside a register.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ByteOrder {
    /// High byte first, as the standard says.
    #[default]
    Big,
    /// Low byte first.
    Little,
}

/// How a raw value becomes the point's integer.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Decode {
    /// Layout of the raw number.
    pub layout: Layout,
    /// Order of its registers.
    pub word_order: WordOrder,
    /// Order of the bytes in each register.
    pub byte_order: ByteOrder,
    /// Bits to keep, before shifting; `None` keeps all.
    pub mask: Option<u64>,
    /// Right shift after masking.
    pub shift: u8,
    /// Bits and single bits only: the opposite is meant.
    pub invert: bool,
    /// Multiplied first (1 when the map gives none: mantissa 1, exponent 0; a zero mantissa counts as 1).
    pub scale: Decimal,
    /// Added after scaling, in the point's unit.
    pub offset: Decimal,
    /// Raw bit patterns (before mask and scaling) by which the device says "nothing here": a stretch of `Plan::absent`.
    pub absent: Span,
}

/// One point.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PointSpec {
    /// How its raw value is read.
    pub decode: Decode,
    /// Power of ten of its integer.
    pub exponent: i8,
    /// Lowest and highest believable value; outside it the sensor has failed.
    pub valid: Option<(i64, i64)>,
    /// Lowest and highest value the sensor promises, within `valid`: outside it the reading is uncertain.
    pub sure: Option<(i64, i64)>,
    /// Fastest believable change, integer steps a second; a faster one makes the reading uncertain.
    pub rate_max: Option<i64>,
    /// A reading older than this is out of date; 0 means it cannot age (derived by event, own state).
    pub max_age_ms: u32,
    /// Its alarms: a stretch of `Plan::alarms`.
    pub alarms: Span,
    /// Its trend window: index into `Plan::windows`.
    pub window: Option<u32>,
    /// Conditions of use that test it: a stretch of `Plan::uses`.
    pub uses: Span,
}

/// A trend window for rate of change.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct WindowSpec {
    /// Length of the window.
    pub over_ms: u32,
    /// Expected distance of two readings, the point's scan period; a gap of more than three starts the window anew.
    /// 0: not known, then a gap of more than half the window does.
    pub spacing_ms: u32,
}

/// What an alarm watches for; limits are integers at its point's exponent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Condition {
    /// Value above `limit`; cleared below `limit − deadband`.
    High {
        /// The limit.
        limit: i64,
        /// Distance back before it clears, not negative.
        deadband: i64,
    },
    /// Value below `limit`; cleared above `limit + deadband`.
    Low {
        /// The limit.
        limit: i64,
        /// Distance back before it clears, not negative.
        deadband: i64,
    },
    /// Least-squares slope over the point's window above `per_min`.
    Rise {
        /// Integer steps a minute, positive.
        per_min: i64,
        /// Distance back before it clears, steps a minute.
        deadband: i64,
    },
    /// Slope below minus `per_min`.
    Fall {
        /// Integer steps a minute, positive.
        per_min: i64,
        /// Distance back before it clears, steps a minute.
        deadband: i64,
    },
    /// Value is one of the states whose bit is set (values 0–63).
    State {
        /// Bit n set: value n is an alarm.
        states: u64,
    },
    /// No believable reading for a reason that is the sensor's own; a failed exchange is the link's or device's alarm.
    BadMeasurement,
    /// Farther from zero than `limit`, either way; cleared nearer than `limit − deadband`. For differences.
    Beyond {
        /// The limit, not negative.
        limit: i64,
        /// Distance back before it clears, not negative.
        deadband: i64,
    },
    /// At the slope over the point's window `limit` is reached within `within_ms`, or has been; cleared when it is more
    /// than twice as far away, or no longer approached. A slope below twice its standard error is no approach.
    TimeToLimit {
        /// The limit.
        limit: i64,
        /// It is approached from below.
        rising: bool,
        /// Time left.
        within_ms: u32,
    },
    /// The same value as at the reading before: with an on-delay, a reading that never changes.
    Frozen,
    /// Not shown to be in one of the states whose bit is set (values 0–63): in another one, or without a believable
    /// reading. For what must be proved, such as a protection that is armed.
    NotIn {
        /// Bit n set: value n is the proof.
        states: u64,
    },
}

impl Condition {
    /// Whether it watches the rate of change rather than the value.
    #[must_use]
    #[inline]
    pub const fn is_rate(&self) -> bool {
        matches!(self, Self::Rise { .. } | Self::Fall { .. } | Self::TimeToLimit { .. })
    }
}

/// A test of another point's value, at that point's exponent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Test {
    /// It is one of the states whose bit is set (values 0–63).
    States(u64),
    /// It is above this.
    Above(i64),
    /// It is below this.
    Below(i64),
}

impl Test {
    /// Whether a value passes.
    #[must_use]
    #[inline]
    pub fn holds(&self, value: i64) -> bool {
        match *self {
            Self::States(states) => has_state(states, value),
            Self::Above(limit) => value > limit,
            Self::Below(limit) => value < limit,
        }
    }
}

/// Whether a value's bit is set; values beyond 63 have no bit.
#[must_use]
#[inline]
pub fn has_state(states: u64, value: i64) -> bool {
    u32::try_from(value).ok().and_then(|state| states.checked_shr(state)).is_some_and(|bits| bits & 1 == 1)
}

/// A condition of use: alarms that count only while another point says so.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UseSpec {
    /// Index of the point that is tested; those of one point stand together.
    pub point: u32,
    /// The test. While the point's reading is bad, the alarms count.
    pub test: Test,
    /// The alarms: a stretch of `Plan::use_alarms`.
    pub alarms: Span,
}

/// One alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AlarmSpec {
    /// Index of its point.
    pub point: u32,
    /// What it watches for.
    pub condition: Condition,
    /// The condition must hold this long before the alarm is raised.
    pub on_delay_ms: u32,
    /// It must be gone this long before the alarm clears.
    pub off_delay_ms: u32,
    /// Held after it cleared until a person resets it.
    pub latching: bool,
    /// How urgent.
    pub priority: Priority,
    /// Longest time it may be shelved.
    pub max_shelf_ms: u32,
    /// It counts only while this condition of use holds: index into `Plan::uses`.
    pub only_while: Option<u32>,
}

/// All tables together, borrowed.
#[derive(Clone, Copy, Debug)]
pub struct Tables<'a> {
    /// Points in scan order.
    pub points: &'a [PointSpec],
    /// Alarms, those of one point together, in point order.
    pub alarms: &'a [AlarmSpec],
    /// Trend windows.
    pub windows: &'a [WindowSpec],
    /// Absent patterns of all points.
    pub absent: &'a [u64],
    /// Conditions of use, in point order.
    pub uses: &'a [UseSpec],
    /// Alarms that hang on them, those of one together.
    pub use_alarms: &'a [u32],
}
