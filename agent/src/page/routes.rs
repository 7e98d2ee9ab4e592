//! The table of routes: the router and the OpenAPI description are both made from it, so neither can say what the other
//! does not do.
//!
//! Decides which handler a path has; knows nothing of what they do. Never panics.

use axum::Router;
use axum::middleware::{from_fn_with_state, map_response};
use axum::response::{IntoResponse as _, Response};
use axum::routing::{MethodRouter, get, post};
use schemars::{Schema, SchemaGenerator};

use super::{
    Current, act, answer, assets, guard, health, links, live, log, openapi, person, read, readings, rules, topology,
    trouble,
};

/// Largest body a request may have: a note and its reason fit.
pub(super) const BODY_MOST: usize = 16 * 1024;

/// One operation of the interface.
#[derive(Clone, Copy)]
pub(super) struct Route {
    /// `get` or `post`.
    pub(super) method: &'static str,
    /// Path, with `{name}` for what it captures.
    pub(super) path: &'static str,
    /// What it does, in a sentence.
    pub(super) says: &'static str,
    /// Schema of the query, as an object of its parameters.
    pub(super) query: Option<fn(&mut SchemaGenerator) -> Schema>,
    /// Schema of the body.
    pub(super) body: Option<fn(&mut SchemaGenerator) -> Schema>,
    /// Media type and schema of the answer.
    pub(super) answer: (&'static str, fn(&mut SchemaGenerator) -> Schema),
    /// Another media type it may answer with, as text.
    pub(super) also: Option<&'static str>,
    /// HTTP statuses of its refusals.
    pub(super) refusals: &'static [u16],
    handler: fn() -> MethodRouter<Current>,
}

const JSON: &str = "application/json";

fn of<T: schemars::JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

/// Every operation.
pub(super) const ROUTES: &[Route] = &[
    route("/api/about", "Who the agent is, and which points its drawing shows.", (JSON, of::<answer::About>), || {
        get(read::about)
    }),
    route("/api/points", "Every point, in scan order, with its alarms.", (JSON, of::<answer::Points>), || {
        get(read::points)
    }),
    route("/api/now", "Every point's present value.", (JSON, of::<answer::Now>), || get(read::now)),
    route("/api/alarms", "Every alarm's present record, and the figures.", (JSON, of::<answer::Alarms>), || {
        get(read::alarms)
    }),
    Route {
        query: Some(of::<log::EventsQuery>),
        refusals: &[400, 503],
        ..route("/api/events", "Events of the log, oldest first.", (JSON, of::<answer::Events>), || get(log::events))
    },
    Route {
        query: Some(of::<readings::ReadingsQuery>),
        also: Some("text/csv"),
        refusals: &[400, 404, 503],
        ..route("/api/readings", "Readings of history, in buckets or as CSV.", (JSON, of::<readings::Readings>), || {
            get(readings::readings)
        })
    },
    route("/api/links", "Links, devices and the poll plan.", (JSON, of::<answer::Links>), || get(links::links)),
    Route {
        refusals: &[503],
        ..route("/api/live", "The live stream, server-sent events.", ("text/event-stream", of::<String>), || {
            get(live::live)
        })
    },
    Route {
        refusals: &[503],
        ..route("/api/health", "How the agent is.", (JSON, of::<answer::Health>), || get(health::health))
    },
    Route {
        refusals: &[503],
        ..route("/health", "How the agent is.", (JSON, of::<answer::Health>), || get(health::health))
    },
    route("/metrics", "Figures as OpenMetrics text.", ("application/openmetrics-text", of::<String>), || {
        get(health::metrics)
    }),
    route("/api/topology", "The power path, tier by tier.", (JSON, of::<topology::TopologyAnswer>), || {
        get(topology::topology)
    }),
    Route {
        answer: (JSON, of::<person::SignedIn>),
        refusals: &[400, 403, 415, 422, 429, 503],
        ..action("/api/sign-in", "Signs a person in for a shift.", of::<person::SignIn>, || post(person::sign_in))
    },
    action("/api/sign-out", "Signs out.", of::<act::Nothing>, || post(person::sign_out)),
    action("/api/alarms/acknowledge", "Acknowledges several alarms.", of::<act::Several>, || {
        post(act::acknowledge_several)
    }),
    action("/api/alarms/{id}/acknowledge", "Acknowledges an alarm.", of::<act::Nothing>, || post(act::acknowledge)),
    action("/api/alarms/{id}/reset", "Resets a latched alarm.", of::<act::Nothing>, || post(act::reset)),
    action("/api/alarms/{id}/shelve", "Shelves an alarm; a reason is needed.", of::<act::Shelf>, || post(act::shelve)),
    action("/api/alarms/{id}/unshelve", "Ends a shelf.", of::<act::Nothing>, || post(act::unshelve)),
    action(
        "/api/alarms/{id}/remove-from-service",
        "Removes an alarm from service; a reason is needed.",
        of::<act::Why>,
        || post(act::remove),
    ),
    action("/api/alarms/{id}/return-to-service", "Returns an alarm to service.", of::<act::Why>, || {
        post(act::put_back)
    }),
    route("/api/suppress", "The declared suppressions and which are in force.", (JSON, of::<rules::Rules>), || {
        get(rules::rules)
    }),
    action(
        "/api/suppress/{rule}",
        "Starts a declared suppression; a reason is needed.",
        of::<act::Suppression>,
        || post(act::suppress),
    ),
    action("/api/suppress/{rule}/release", "Ends it.", of::<act::Why>, || post(act::release)),
    action(
        "/api/devices/{device}/confirm",
        "Confirms a device that shows another identity; a reason is needed.",
        of::<act::Why>,
        || post(act::confirm),
    ),
    action("/api/mode", "Sets the mode; a reason is needed.", of::<act::NewMode>, || post(act::mode)),
    action("/api/notes", "Writes a note into the log.", of::<act::Note>, || post(act::note)),
    route("/api/openapi.json", "This description.", (JSON, of::<serde_json::Value>), || get(openapi::description)),
];

const fn route(
    path: &'static str,
    says: &'static str,
    answer: (&'static str, fn(&mut SchemaGenerator) -> Schema),
    handler: fn() -> MethodRouter<Current>,
) -> Route {
    Route { method: "get", path, says, query: None, body: None, answer, also: None, refusals: &[], handler }
}

/// Something a person does.
const fn action(
    path: &'static str,
    says: &'static str,
    body: fn(&mut SchemaGenerator) -> Schema,
    handler: fn() -> MethodRouter<Current>,
) -> Route {
    Route {
        method: "post",
        path,
        says,
        query: None,
        body: Some(body),
        answer: (JSON, of::<answer::Done>),
        also: None,
        refusals: &[400, 401, 403, 404, 409, 413, 415, 422, 503],
        handler,
    }
}

/// The limit's own answer is no JSON; every error of the interface is.
async fn too_large(response: Response) -> Response {
    if response.status() == axum::http::StatusCode::PAYLOAD_TOO_LARGE {
        return trouble::Trouble::TooLarge { most: BODY_MOST }.into_response();
    }
    response
}

/// All routes, guarded.
pub(super) fn router(current: Current) -> Router {
    let mut router = Router::new().route("/", get(assets::index)).route("/assets/{*path}", get(assets::asset));
    for route in ROUTES {
        router = router.route(route.path, (route.handler)());
    }
    router
        .fallback(|| async { trouble::Trouble::Missing("There is no such route; /api/openapi.json lists all.".into()) })
        .method_not_allowed_fallback(|| async {
            (
                axum::http::StatusCode::METHOD_NOT_ALLOWED,
                axum::Json(trouble::ErrorBody {
                    error: "malformed".into(),
                    text: "This route takes another method; /api/openapi.json lists all.".into(),
                    retry_after_s: None,
                }),
            )
        })
        .layer(tower_http::limit::RequestBodyLimitLayer::new(BODY_MOST))
        .layer(map_response(too_large))
        .layer(from_fn_with_state(current.clone(), guard::guard))
        .with_state(current)
}
