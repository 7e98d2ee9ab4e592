//! Decides whether tables and state fit together before the engine relies on it.
//!
//! Lengths, and that every reference stays inside its table and with its own point. Limits, delays and decoding are
//! the plan's own business. Knows no time. Never panics.

use super::stretch;
use crate::alarm::life::END;
use crate::spec::{Span, Tables};

/// Why tables and state do not fit together: a mistake of the caller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SetupError {
    /// As many point states as points are needed.
    #[error("{states} point states for {points} points: give one state a point")]
    Points {
        /// Points in the tables.
        points: usize,
        /// States given.
        states: usize,
    },
    /// As many alarm states as alarms are needed.
    #[error("{states} alarm states for {alarms} alarms: give one state an alarm")]
    Alarms {
        /// Alarms in the tables.
        alarms: usize,
        /// States given.
        states: usize,
    },
    /// As many window states as windows are needed.
    #[error("{states} windows for {windows} window specifications: give one each")]
    Windows {
        /// Windows in the tables.
        windows: usize,
        /// States given.
        states: usize,
    },
    /// More points or alarms than a u32 counts.
    #[error("more points or alarms than the engine can number")]
    TooMany,
    /// A point refers to alarms, a window or absent patterns that are not there, or to another point's alarms.
    #[error("point {point} refers to alarms, a window or absent patterns that are not its own")]
    Point {
        /// Index of the point.
        point: usize,
    },
    /// A condition of use that its point does not list, or that refers to alarms that are not there.
    #[error("condition of use {number} is not in the list of its point, or refers to alarms that are not there")]
    Use {
        /// Index of the condition.
        number: usize,
    },
    /// An alarm that its point does not list.
    #[error("alarm {alarm} is not in the list of its point")]
    Alarm {
        /// Index of the alarm.
        alarm: usize,
    },
}

/// Checks once what is never checked again.
pub(super) fn check(tables: &Tables<'_>, points: usize, alarms: usize, windows: usize) -> Result<(), SetupError> {
    if tables.points.len() != points {
        return Err(SetupError::Points { points: tables.points.len(), states: points });
    }
    if tables.alarms.len() != alarms {
        return Err(SetupError::Alarms { alarms: tables.alarms.len(), states: alarms });
    }
    if tables.windows.len() != windows {
        return Err(SetupError::Windows { windows: tables.windows.len(), states: windows });
    }
    // The last number is kept free: it ends the timer list.
    if points >= END as usize || alarms >= END as usize {
        return Err(SetupError::TooMany);
    }
    let within =
        |span: Span, len: usize| (span.first as usize).checked_add(span.count as usize).is_some_and(|end| end <= len);
    for (point, spec) in tables.points.iter().enumerate() {
        let own = stretch(tables.alarms, spec.alarms).iter().all(|alarm| alarm.point as usize == point);
        let window = spec.window.is_none_or(|window| (window as usize) < windows);
        if !own
            || !window
            || !within(spec.uses, tables.uses.len())
            || !within(spec.alarms, alarms)
            || !within(spec.decode.absent, tables.absent.len())
        {
            return Err(SetupError::Point { point });
        }
    }
    for (number, tested) in tables.uses.iter().enumerate() {
        let listed = tables.points.get(tested.point as usize).is_some_and(|point| {
            (number as u64).checked_sub(u64::from(point.uses.first)).is_some_and(|at| at < u64::from(point.uses.count))
        });
        let known = stretch(tables.use_alarms, tested.alarms).iter().all(|alarm| (*alarm as usize) < alarms);
        if !listed || !known || !within(tested.alarms, tables.use_alarms.len()) {
            return Err(SetupError::Use { number });
        }
    }
    for (alarm, spec) in tables.alarms.iter().enumerate() {
        if spec.only_while.is_some_and(|number| number as usize >= tables.uses.len()) {
            return Err(SetupError::Alarm { alarm });
        }
        let listed = tables.points.get(spec.point as usize).is_some_and(|point| {
            (alarm as u64)
                .checked_sub(u64::from(point.alarms.first))
                .is_some_and(|at| at < u64::from(point.alarms.count))
        });
        if !listed {
            return Err(SetupError::Alarm { alarm });
        }
    }
    Ok(())
}
