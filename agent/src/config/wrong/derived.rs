//! Mistakes about derived points: functions, arguments, names in paths, circles.
//!
//! Part of `wrong`. Never panics.

use thiserror::Error;

use super::did_you_mean;

/// One kind of mistake or finding.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[rustfmt::skip]
pub(crate) enum OfDerived {
    #[error("no function is called `{name}`")]
    UnknownFunction { name: String, near: Option<String>, known: Vec<&'static str> },
    #[error("`{function}` has no argument `{argument}`")]
    UnknownArgument { function: String, argument: String, near: Option<String>, known: Vec<&'static str> },
    #[error("`{function}` needs the argument `{argument}`")]
    MissingArgument { function: String, argument: &'static str, why: &'static str },
    #[error("the argument `{argument}` is given twice, in `from` and in `with`")]
    ArgumentTwice { argument: String },
    #[error("`{argument}` takes {takes}")]
    ArgumentForm { argument: String, takes: String },
    #[error("`{argument}` of `{function}` is in {wanted}, the point `{point}` is in {unit}")]
    ArgumentUnit { function: String, argument: String, wanted: &'static str, point: String, unit: String },
    #[error("derived points need each other in a circle: {circle}")]
    Circle { circle: String },
    #[error("`{{{name}}}` in `path` is captured by no input, or not together with its other names")]
    NotCaptured { name: String },
    #[error("`{{{name}}}` is not in `path`")]
    NotInPath { name: String },
}

impl OfDerived {
    /// What would be right.
    #[rustfmt::skip]
    pub(super) fn mend(&self) -> String {
        match self {
            Self::UnknownFunction { near, known, .. } | Self::UnknownArgument { near, known, .. } => {
                did_you_mean(near.as_ref(), "choose one", known)
            }
            Self::MissingArgument { argument, why, .. } => format!("add {argument} to `from` (a point) or `with` (a constant): {why}"),
            Self::ArgumentTwice { .. } => "keep one of them".into(),
            Self::ArgumentForm { .. } => "correct its form".into(),
            Self::ArgumentUnit { wanted, .. } => format!("name a point whose unit converts to {wanted}"),
            Self::Circle { .. } => "break the circle: a derived point may only use points that do not need it".into(),
            Self::NotCaptured { name } => format!("capture {{{name}}}, with all other names of the path, in one input of `from`"),
            Self::NotInPath { name } => format!("write {{{name}}} in `path` too (a point for each), or * for any segment where many points are taken"),
        }
    }

    /// Stable code.
    pub(super) fn code(&self) -> &'static str {
        match self {
            Self::UnknownFunction { .. } => "unknown_function",
            Self::UnknownArgument { .. } => "unknown_argument",
            Self::MissingArgument { .. } => "missing_argument",
            Self::ArgumentTwice { .. } => "argument_twice",
            Self::ArgumentForm { .. } => "argument_form",
            Self::ArgumentUnit { .. } => "argument_unit",
            Self::Circle { .. } => "circle",
            Self::NotCaptured { .. } => "not_captured",
            Self::NotInPath { .. } => "not_in_path",
        }
    }
}
