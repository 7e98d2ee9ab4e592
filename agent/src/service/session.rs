//! What the agent says of itself over MQTT: presence, catalogue, the form of what is sent in a damaged event's place.
//!
//! Made from plan and store before anything runs, and again when log or mode change. Never panics.

use super::*;

/// The session and the catalogue's hash.
pub(crate) fn session(plan: &Plan, opened: &Opened, ids: &[u32]) -> Result<(Session, String), StartError> {
    let points = plan.catalogue(ids);
    let hash = catalogue::hash(&points);
    let encoding = encoding(plan);
    let pages = catalogue::pages(points, encoding)?;
    let mut written = Vec::with_capacity(pages.len());
    for page in &pages {
        written.push((format!("catalogue/{hash}/{}", page.page), encoding.to_vec(page)?.into()));
    }
    let topics = Topics::new(&plan.mqtt.base, &plan.module.site, &plan.module.name)?;
    let base = topics.presence();
    let presence = |state| presence(plan.module.mode, &opened.log, opened.boot, &hash, state);
    let session = Session {
        base: base.strip_suffix("/presence").unwrap_or(&base).to_owned(),
        presence_topic: "presence".into(),
        online: presence(PresenceState::Online)?,
        offline: presence(PresenceState::Offline)?,
        catalogue: written,
        event_topic: "event".into(),
        last_topic: "event/last".into(),
        last: |log, seq, t| serde_json::to_vec(&EventLast { log: log.to_owned(), seq, t }).unwrap_or_default(),
        lost: lost(plan, opened.boot),
    };
    Ok((session, hash))
}

/// What is sent in the place of an event that is damaged on disk: its number must not be missing.
fn lost(plan: &Plan, boot: u64) -> Lost {
    let words = Words::of(plan.module.language);
    let (site, module, mode) = (plan.module.site.clone(), plan.module.name.clone(), Word::from(plan.module.mode));
    Arc::new(move |log, seq, t| {
        let text = filled(&words.store.event_damaged, &[("seq", &seq.to_string())]);
        let detail = StoreChange {
            change: "event damaged".into(),
            log_before: None,
            seq_before: None,
            reason: Some("its checksum is wrong".into()),
        };
        let event = Event {
            schema: SCHEMA,
            log: log.to_owned(),
            seq,
            boot,
            t,
            time: rfc3339(t),
            clock_synced: false,
            mode: mode.clone(),
            site: site.clone(),
            module: module.clone(),
            text,
            durable: true,
            detail: Detail::Store(detail),
        };
        event.to_bytes()
    })
}

fn presence(mode: Mode, log: &str, boot: u64, hash: &str, state: PresenceState) -> Result<Vec<u8>, EncodingError> {
    let presence = Presence {
        schema: SCHEMA,
        state: Word::from(state),
        mode: Word::from(mode),
        log: log.to_owned(),
        boot,
        version: env!("CARGO_PKG_VERSION").into(),
        catalogue: hash.to_owned(),
    };
    lapwing_protocol::Encoding::Json.to_vec(&presence)
}

/// Presence names another log or mode, the will too: by a new connection, or with the next one if events may not wait
/// for it.
pub(super) fn renewed(
    mode: Mode,
    session: &Session,
    publisher: &Publisher,
    (log, anew): (&str, bool),
    boot: u64,
    hash: &str,
) -> Result<(), StartError> {
    let said = |state| presence(mode, log, boot, hash, state);
    let session =
        Session { online: said(PresenceState::Online)?, offline: said(PresenceState::Offline)?, ..session.clone() };
    if anew { publisher.session(session) } else { publisher.presence(session) }?;
    Ok(())
}
