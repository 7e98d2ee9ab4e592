//! What `check` says of recipients: who is told of what, by which way, when, and who further.
//!
//! Never panics.

use lapwing_protocol::Priority;
use serde_json::{Value, json};

use crate::field::budget::spoken;
use crate::plan::Plan;
use crate::plan::recipients::{Hours, Recipient, WEEK, Way};

const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

/// A line a recipient; nothing if there is none.
pub(super) fn in_words(plan: &Plan) -> String {
    if plan.recipients.is_empty() {
        return String::new();
    }
    let mut text = String::from("\nPeople told directly:\n");
    for recipient in &plan.recipients {
        let then = recipient.then.and_then(|(after, next)| Some((after, plan.recipients.get(next)?)));
        let then = then.map(|(after, next)| format!("; unacknowledged for {}, then {}", spoken(after), next.name));
        let of = match recipient.priorities.as_slice() {
            [] => "what others pass on".to_owned(),
            some => some.iter().map(|priority| Priority::word(*priority)).collect::<Vec<_>>().join(", "),
        };
        text.push_str(&format!(
            "  {:<16} {}: {of}; {}{}\n",
            recipient.name,
            way(recipient),
            hours(&recipient.hours),
            then.unwrap_or_default()
        ));
    }
    text
}

/// The same for programs.
pub(super) fn in_json(plan: &Plan) -> Value {
    let all = plan.recipients.iter().map(|recipient| {
        json!({
            "recipient": recipient.name,
            "way": way(recipient),
            "priorities": recipient.priorities.iter().map(|priority| priority.word()).collect::<Vec<_>>(),
            "hours": hours(&recipient.hours),
            "then": recipient.then.and_then(|(_, next)| Some(plan.recipients.get(next)?.name.clone())),
            "unacknowledged_for_s": recipient.then.map(|(after, _)| after.as_secs()),
        })
    });
    all.collect()
}

fn way(recipient: &Recipient) -> String {
    match &recipient.way {
        Way::Email { address } => format!("mail to {address}"),
        Way::Webhook(hook) => format!("webhook at {} port {}", hook.host, hook.port),
    }
}

fn hours(hours: &Hours) -> String {
    if (0..WEEK).all(|minute| hours.has(minute)) {
        return "always".into();
    }
    let at = |minute: u16| format!("{:02}:{:02}", minute % 1440 / 60, minute % 60);
    let mut said: Vec<(String, Vec<&str>)> = Vec::new();
    for &(from, to) in &hours.0 {
        let to_text = if to % 1440 == 0 { "24:00".into() } else { at(to) };
        let times = format!("{}-{to_text}", at(from));
        let day = DAYS.get(usize::from(from / 1440)).copied().unwrap_or_default();
        match said.iter_mut().find(|(known, _)| *known == times) {
            Some((_, days)) => days.push(day),
            None => said.push((times, vec![day])),
        }
    }
    let each = said.into_iter().map(|(times, days)| format!("{} {times}", days.join(",")));
    each.collect::<Vec<_>>().join("; ")
}
