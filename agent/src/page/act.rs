//! What a signed-in person does: each request goes through the core's one door and comes back with what came of it.
//!
//! Decides nothing about alarms; it proves who asks and puts the request into the core's words. Durations are seconds on the
//! wire. Never panics.

use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use lapwing_protocol::{Mode, Vocabulary};
use schemars::JsonSchema;
use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::answer::Done;
use super::trouble::Trouble;
use super::{Shared, person};
use crate::core::Message;
use crate::core::operator::{Action, Answer, Refused, Reply, Request};

/// The core answers within a step; longer means that it hangs.
const ANSWER: Duration = Duration::from_secs(5);

/// Body of an action that needs nothing more.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Nothing {}

/// Body with a reason that may be left out.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Why {
    /// Why, in the person's words.
    #[schemars(length(max = 500))]
    pub reason: Option<String>,
}

/// Body of what is done to what a person has seen.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Seen {
    /// The occurrence they saw: if another one stands by now, nothing is done. Without it whichever stands is meant.
    pub occurrence: Option<u32>,
}

/// Body of a shelf.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Shelf {
    /// For how long, seconds.
    #[schemars(range(min = 1, max = 4_000_000))]
    pub for_s: Option<u32>,
    /// Until it returns to normal instead.
    #[serde(default)]
    pub one_shot: bool,
    /// Why.
    #[schemars(length(max = 500))]
    pub reason: Option<String>,
}

/// Body of a suppression that a person starts.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Suppression {
    /// For how long, seconds; as long as the rule allows when not given.
    #[schemars(range(min = 1, max = 4_000_000))]
    pub for_s: Option<u32>,
    /// Why.
    #[schemars(length(max = 500))]
    pub reason: Option<String>,
}

/// Body of a change of mode.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct NewMode {
    /// `live`, `test` or `maintenance`.
    pub mode: String,
    /// For how long, seconds; the configured mode needs none.
    #[schemars(range(min = 1, max = 4_000_000))]
    pub for_s: Option<u32>,
    /// Why.
    #[schemars(length(max = 500))]
    pub reason: Option<String>,
}

/// Body of a note.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Note {
    /// The note.
    #[schemars(length(min = 1, max = 500))]
    pub text: String,
    /// The alarm it is about.
    pub alarm: Option<String>,
}

/// Body of acknowledging several.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Several {
    /// Alarms, by id, or with the occurrence that was seen.
    #[schemars(length(min = 1, max = 500))]
    pub alarms: Vec<OneOfSeveral>,
}

/// One of them.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(untagged)]
pub(super) enum OneOfSeveral {
    /// Whichever occurrence stands.
    Any(String),
    /// The one that was seen.
    Seen {
        /// Alarm, by id.
        alarm: String,
        /// Its occurrence.
        occurrence: u32,
    },
}

/// What is asked for, which occurrence it is meant for, and why.
type Asked = (Action, Option<u32>, Option<String>);

type Body<T> = Result<Json<T>, JsonRejection>;
type Outcome = Result<Json<Done>, Trouble>;

pub(super) async fn acknowledge(s: State<Arc<Shared>>, id: Path<String>, h: HeaderMap, b: Body<Seen>) -> Outcome {
    on_alarm(s, id, h, b, |body: Seen| Ok((Action::Acknowledge, body.occurrence, None)), "Acknowledged.").await
}

pub(super) async fn reset(s: State<Arc<Shared>>, id: Path<String>, h: HeaderMap, b: Body<Seen>) -> Outcome {
    on_alarm(s, id, h, b, |body: Seen| Ok((Action::Reset, body.occurrence, None)), "Reset.").await
}

pub(super) async fn unshelve(s: State<Arc<Shared>>, id: Path<String>, h: HeaderMap, b: Body<Nothing>) -> Outcome {
    on_alarm(s, id, h, b, |_: Nothing| Ok((Action::Unshelve, None, None)), "The shelf is ended.").await
}

pub(super) async fn shelve(s: State<Arc<Shared>>, id: Path<String>, h: HeaderMap, b: Body<Shelf>) -> Outcome {
    let action = |body: Shelf| {
        let action = match (body.for_s, body.one_shot) {
            (Some(seconds), false) => Action::Shelve { for_ms: ms(seconds)? },
            (None, true) => Action::ShelveOnce,
            (None, false) | (Some(_), true) => {
                return Err(Trouble::Malformed(
                    "Give either for_s or one_shot: nothing is hidden without an end.".into(),
                ));
            }
        };
        Ok((action, None, body.reason))
    };
    on_alarm(s, id, h, b, action, "Shelved.").await
}

pub(super) async fn remove(s: State<Arc<Shared>>, id: Path<String>, h: HeaderMap, b: Body<Why>) -> Outcome {
    on_alarm(s, id, h, b, |body: Why| Ok((Action::RemoveFromService, None, body.reason)), "Removed from service.").await
}

pub(super) async fn put_back(s: State<Arc<Shared>>, id: Path<String>, h: HeaderMap, b: Body<Why>) -> Outcome {
    on_alarm(s, id, h, b, |body: Why| Ok((Action::ReturnToService, None, body.reason)), "Returned to service.").await
}

/// Acknowledges several; what cannot be acknowledged any more is named, the rest is done.
pub(super) async fn acknowledge_several(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    body: Body<Several>,
) -> Outcome {
    let session = person::signed_in_to_act(&shared, &headers)?;
    let Json(body) = body.map_err(person::malformed)?;
    if body.alarms.is_empty() || body.alarms.len() > 500 {
        return Err(Trouble::Malformed("Name 1 to 500 alarms.".into()));
    }
    let (mut done, mut refused) = (0_usize, Vec::new());
    for one in body.alarms {
        let (alarm, occurrence) = match one {
            OneOfSeveral::Any(alarm) => (alarm, None),
            OneOfSeveral::Seen { alarm, occurrence } => (alarm, Some(occurrence)),
        };
        match through(&shared, &session, Some(alarm.clone()), (Action::Acknowledge, occurrence, None)).await {
            Ok(_) => done += 1,
            Err(Trouble::Unavailable(why)) => return Err(Trouble::Unavailable(why)),
            Err(_) => refused.push(alarm),
        }
    }
    if done == 0 {
        return Err(Trouble::Refused(format!("Nothing to acknowledge on {}.", refused.join(", "))));
    }
    let rest =
        if refused.is_empty() { String::new() } else { format!(" Nothing to acknowledge on {}.", refused.join(", ")) };
    let count = if done == 1 { "1 alarm".to_owned() } else { format!("{done} alarms") };
    Ok(Json(Done { done: true, text: format!("{count} acknowledged.{rest}") }))
}

pub(super) async fn suppress(
    State(shared): State<Arc<Shared>>,
    Path(rule): Path<String>,
    headers: HeaderMap,
    body: Body<Suppression>,
) -> Outcome {
    let session = person::signed_in_to_act(&shared, &headers)?;
    let Json(body) = body.map_err(person::malformed)?;
    let for_ms = body.for_s.map(ms).transpose()?;
    through(&shared, &session, None, (Action::Suppress { rule, for_ms }, None, body.reason)).await?;
    Ok(Json(Done { done: true, text: "The suppression holds.".into() }))
}

pub(super) async fn release(
    State(shared): State<Arc<Shared>>,
    Path(rule): Path<String>,
    headers: HeaderMap,
    body: Body<Why>,
) -> Outcome {
    let session = person::signed_in_to_act(&shared, &headers)?;
    let Json(body) = body.map_err(person::malformed)?;
    through(&shared, &session, None, (Action::Release { rule }, None, body.reason)).await?;
    Ok(Json(Done { done: true, text: "The suppression is ended.".into() }))
}

pub(super) async fn confirm(
    State(shared): State<Arc<Shared>>,
    Path(device): Path<String>,
    headers: HeaderMap,
    body: Body<Why>,
) -> Outcome {
    let session = person::signed_in_to_act(&shared, &headers)?;
    let Json(body) = body.map_err(person::malformed)?;
    through(&shared, &session, None, (Action::ConfirmDevice { device }, None, body.reason)).await?;
    Ok(Json(Done { done: true, text: "Confirmed; the device is asked again who it is.".into() }))
}

pub(super) async fn mode(State(shared): State<Arc<Shared>>, headers: HeaderMap, body: Body<NewMode>) -> Outcome {
    let session = person::signed_in_to_act(&shared, &headers)?;
    let Json(body) = body.map_err(person::malformed)?;
    let Some((_, mode)) = <Mode as Vocabulary>::WORDS.iter().find(|(word, _)| *word == body.mode) else {
        return Err(Trouble::Malformed(format!(
            "mode is '{}'; it is live, test or maintenance.",
            body.mode.escape_default()
        )));
    };
    let for_ms = body.for_s.map(ms).transpose()?;
    through(&shared, &session, None, (Action::SetMode { mode: *mode, for_ms }, None, body.reason)).await?;
    Ok(Json(Done { done: true, text: format!("The mode is {}.", body.mode) }))
}

pub(super) async fn note(State(shared): State<Arc<Shared>>, headers: HeaderMap, body: Body<Note>) -> Outcome {
    let session = person::signed_in_to_act(&shared, &headers)?;
    let Json(body) = body.map_err(person::malformed)?;
    through(&shared, &session, body.alarm, (Action::Note, None, Some(body.text))).await?;
    Ok(Json(Done { done: true, text: "The note is in the log.".into() }))
}

async fn on_alarm<T: DeserializeOwned>(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    headers: HeaderMap,
    body: Body<T>,
    action: impl FnOnce(T) -> Result<Asked, Trouble>,
    said: &str,
) -> Outcome {
    let session = person::signed_in_to_act(&shared, &headers)?;
    let Json(body) = body.map_err(person::malformed)?;
    let asked = action(body)?;
    through(&shared, &session, Some(id), asked).await?;
    Ok(Json(Done { done: true, text: said.to_owned() }))
}

/// Through the core's door and back.
async fn through(
    shared: &Shared,
    session: &super::sessions::Session,
    alarm: Option<String>,
    (action, occurrence, reason): Asked,
) -> Result<(), Trouble> {
    let (answer, wait) = tokio::sync::oneshot::channel::<Answer>();
    let reply = Reply::to(move |said| {
        // The person may have gone away meanwhile; the events tell.
        let _gone = answer.send(said);
    });
    let request =
        Request { who: session.name.clone(), role: session.role, action, alarm, occurrence, reason, once: None, reply };
    shared.door.hand_in(Message::Operator(Box::new(request)));
    match tokio::time::timeout(ANSWER, wait).await {
        Ok(Ok(Ok(_done))) => Ok(()),
        Ok(Ok(Err(refused))) => Err(refusal(&refused)),
        Ok(Err(_)) | Err(_) => Err(Trouble::Unavailable(
            "The agent did not answer in time; look whether it was done before trying again.".into(),
        )),
    }
}

fn refusal(refused: &Refused) -> Trouble {
    let text = crate::words::sentence(&refused.to_string());
    match refused {
        Refused::NotAllowed { .. } => Trouble::Forbidden(text),
        Refused::UnknownAlarm { .. } | Refused::UnknownRule { .. } | Refused::UnknownDevice { .. } => {
            Trouble::Missing(text)
        }
        Refused::NoName | Refused::NoReason | Refused::BadReason | Refused::NoAlarm | Refused::NoDuration => {
            Trouble::Malformed(text)
        }
        Refused::HoldsByItself { .. }
        | Refused::NotInForce { .. }
        | Refused::InForce { .. }
        | Refused::AcknowledgedElsewhere
        | Refused::OtherOccurrence { .. }
        | Refused::Repeated { .. }
        | Refused::Old { .. }
        | Refused::TooMany { .. }
        | Refused::NothingToConfirm { .. }
        | Refused::TooLong { .. }
        | Refused::State(_) => Trouble::Refused(text),
    }
}

fn ms(seconds: u32) -> Result<u32, Trouble> {
    seconds
        .checked_mul(1000)
        .ok_or_else(|| Trouble::Malformed(format!("for_s is {seconds} s; nothing holds longer than 4000000 s.")))
}
