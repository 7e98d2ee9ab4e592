//! Why a request got no answer: a word for programs, a sentence with the mend for people, the HTTP status.
//!
//! Every error of the interface is one of these and looks the same on the wire (`API.md`). Never panics.

use axum::Json;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;

/// A refusal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Trouble {
    /// The request makes no sense.
    Malformed(String),
    /// Nobody is signed in.
    NotSignedIn,
    /// This is not for that person, or not from there.
    Forbidden(String),
    /// No such thing.
    Missing(String),
    /// The rules forbid it now.
    Refused(String),
    /// Too much at once.
    TooMany {
        /// What.
        text: String,
        /// When to try again, s.
        retry_after_s: u64,
    },
    /// The body is longer than any that is meant.
    TooLarge {
        /// The longest, bytes.
        most: usize,
    },
    /// It cannot be had now.
    Unavailable(String),
}

/// What an error looks like.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct ErrorBody {
    /// `malformed`, `not_signed_in`, `forbidden`, `missing`, `refused`, `too_large`, `too_many`, `unavailable`.
    pub error: String,
    /// What is wrong, and how to mend it.
    pub text: String,
    /// When to try again, seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retry_after_s: Option<u64>,
}

impl Trouble {
    fn parts(self) -> (StatusCode, ErrorBody) {
        let body = |error: &str, text: String| ErrorBody { error: error.into(), text, retry_after_s: None };
        match self {
            Self::Malformed(text) => (StatusCode::BAD_REQUEST, body("malformed", text)),
            Self::NotSignedIn => {
                (StatusCode::UNAUTHORIZED, body("not_signed_in", "Sign in first: POST /api/sign-in.".into()))
            }
            Self::Forbidden(text) => (StatusCode::FORBIDDEN, body("forbidden", text)),
            Self::Missing(text) => (StatusCode::NOT_FOUND, body("missing", text)),
            Self::Refused(text) => (StatusCode::CONFLICT, body("refused", text)),
            Self::TooMany { text, retry_after_s } => (
                StatusCode::TOO_MANY_REQUESTS,
                ErrorBody { error: "too_many".into(), text, retry_after_s: Some(retry_after_s) },
            ),
            Self::TooLarge { most } => (
                StatusCode::PAYLOAD_TOO_LARGE,
                body("too_large", format!("The body has more than {most} bytes: say it shorter.")),
            ),
            Self::Unavailable(text) => (StatusCode::SERVICE_UNAVAILABLE, body("unavailable", text)),
        }
    }
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        let (status, body) = self.parts();
        let retry = body.retry_after_s;
        let mut response = (status, Json(body)).into_response();
        if let Some(seconds) = retry
            && let Ok(value) = seconds.to_string().parse()
        {
            response.headers_mut().insert(header::RETRY_AFTER, value);
        }
        response
    }
}

impl From<crate::store::StoreError> for Trouble {
    fn from(error: crate::store::StoreError) -> Self {
        Self::Unavailable(format!("The event store does not answer: {error}."))
    }
}
