//! The files of certificates that connections stand on: a point each with the days it still holds, and alarms before it ends.
//!
//! A file that several connections use is one point and one set of alarms. Limits (30 and 7 days) and times to respond:
//! common practice, no source; a renewal takes days where people of another team do it. Public authorities that come with
//! the agent are not watched. Files are not opened here. Never panics.

use std::path::Path;

use lapwing_engine::spec::Condition;
use lapwing_protocol::{ConditionKind, Decimal, Priority, Quantity};

use crate::config::settings::Settings;
use crate::plan::recipients::{Recipient, Way};
use crate::plan::{Certificate, Holds, Link, Redfish, Tls, Transport};
use crate::words::Own;

use super::alarms::Tables;
use super::own::{Texts, spec};
use super::{Points, health};

/// Days before its end: somebody should begin to renew it …
const SOON: i64 = 30;
/// … and nobody has.
const AT_ONCE: i64 = 7;
/// A file that is replaced may be missing for a look.
const UNREADABLE_MS: u32 = 150_000;

/// Adds the points.
pub(super) fn points(
    settings: &Settings,
    links: &[Link],
    recipients: &[Recipient],
    points: &mut Points,
) -> Vec<Certificate> {
    let mut found: Vec<Certificate> = Vec::new();
    let mut add = |name: String, path: &Path, holds: Holds| {
        if let Some(known) = found.iter_mut().find(|known| known.path == path && known.holds == holds) {
            known.used.push(name);
            return;
        }
        let point = health::add(points, &format!("agent/certificate/{name}"), Quantity::Time, "d", 0, &[]);
        found.push(Certificate { point, used: vec![name.clone()], name, path: path.to_path_buf(), holds });
    };
    if let Some(path) = &settings.mqtt.ca {
        add("mqtt/authority".into(), path, Holds::Authorities);
    }
    if let Some((path, _)) = &settings.mqtt.client_certificate {
        add("mqtt/client".into(), path, Holds::Chain);
    }
    if let Some((path, _)) = settings.http.tls.as_ref().filter(|_| settings.http.listen.is_some()) {
        add("page".into(), path, Holds::Chain);
    }
    for link in links {
        let Some(Tls { ca, client, .. }) = tls(&link.transport) else { continue };
        add(format!("link/{}/authority", link.name), ca, Holds::Authorities);
        if let Some((path, _)) = client {
            add(format!("link/{}/client", link.name), path, Holds::Chain);
        }
    }
    if let Some(path) = settings.mail.ca.as_ref().filter(|_| settings.mail.server.is_some()) {
        add("mail/authority".into(), path, Holds::Authorities);
    }
    for recipient in recipients {
        if let Way::Webhook(hook) = &recipient.way
            && let Some(path) = &hook.ca
        {
            add(format!("recipient/{}/authority", recipient.name), path, Holds::Authorities);
        }
    }
    found
}

const fn tls(transport: &Transport) -> Option<&Tls> {
    match transport {
        Transport::ModbusTls { tls, .. } | Transport::Redfish(Redfish { tls, .. }) => Some(tls),
        Transport::ModbusTcp { .. }
        | Transport::ModbusRtuTcp { .. }
        | Transport::Serial { .. }
        | Transport::Snmp { .. } => None,
    }
}

/// Adds the alarms.
pub(super) fn alarms(certificates: &[Certificate], own: &Own, tables: &mut Tables) {
    for Certificate { point, name, used, path, .. } in certificates {
        let (file, used) = (path.display().to_string(), used.join(", "));
        let gaps = [("file", file.as_str()), ("use", &used)];
        let day_min = 24 * 60;
        for (words, tail, limit, priority, days) in [
            (&own.certificate, "", SOON, Priority::Low, 14),
            (&own.certificate_ends, "/ends", AT_ONCE, Priority::Medium, 2),
        ] {
            let texts = Texts::of(words, format!("fault/certificate/{name}{tail}"), None, &gaps);
            let mut alarm = texts.about(*point, ConditionKind::Low, priority, days * day_min);
            alarm.limit = Some(Decimal::new(limit, 0));
            tables.push(alarm, spec(*point, Condition::Low { limit, deadband: 1 }, priority, 0));
        }
        let words = &own.certificate_unreadable;
        let texts = Texts::of(words, format!("fault/certificate/{name}/unreadable"), None, &gaps);
        let (condition, priority) = (Condition::BadMeasurement, Priority::Medium);
        tables.push(
            texts.about(*point, ConditionKind::BadMeasurement, priority, day_min),
            spec(*point, condition, priority, UNREADABLE_MS),
        );
    }
}
