//! `lapwing tell --config PATH [NAME…]`: sends a test message to recipients, whether the agent runs or not.
//!
//! Exit code 1 when one did not get through, 2 when the configuration cannot be used or names no such recipient. It reads
//! the same settings, secrets and certificates as the agent. Never panics.

use std::path::PathBuf;

use clap::Args;

use super::{End, check};
use crate::config;

/// Options of `tell`.
#[derive(Clone, Debug, Args)]
pub(super) struct TellArgs {
    /// The module's configuration file
    #[arg(long, value_name = "PATH")]
    config: PathBuf,
    /// Recipients, by name; all when none is given
    names: Vec<String>,
}

/// Sends test messages.
pub(super) fn tell(args: &TellArgs) -> End {
    let loaded = match config::load(&args.config, config::environment(), &config::Overrides::default()) {
        Ok(loaded) => loaded,
        Err(mistakes) => return check::print_mistakes(&mistakes, false),
    };
    let plan = &loaded.plan;
    let known = || plan.recipients.iter().map(|recipient| recipient.name.as_str());
    if plan.recipients.is_empty() {
        eprintln!("The configuration names no [[recipient]].");
        return End::NotTried;
    }
    let mut chosen = Vec::new();
    for name in &args.names {
        match plan.recipients.iter().find(|recipient| recipient.name == *name) {
            Some(recipient) => chosen.push(recipient),
            None => {
                let near = config::nearest_name(name, known());
                let near = near.map(|near| format!("; did you mean `{near}`?")).unwrap_or_default();
                eprintln!(
                    "No recipient is called `{name}`{near} There are: {}.",
                    known().collect::<Vec<_>>().join(", ")
                );
                return End::NotTried;
            }
        }
    }
    if chosen.is_empty() {
        chosen = plan.recipients.iter().collect();
    }
    let mut end = End::Done;
    for recipient in chosen {
        match crate::notify::send_test(plan, recipient) {
            Ok(()) => println!("{}: the message got through.", recipient.name),
            Err(why) => {
                println!("{}: the message did not get through: {why}.", recipient.name);
                end = End::No;
            }
        }
    }
    end
}
