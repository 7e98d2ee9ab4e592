//! `lapwing replay`: recorded readings judged by other alarm settings: what would have been raised, against what was.
//!
//! Reads the files of the data directory and never asks the agent, so it works while one runs; of a running agent the last
//! minute may not be on disk yet. Progress goes to standard error when that is a terminal. Never panics.

use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use lapwing_protocol::{Mode, Vocabulary as _};

use super::{End, check};
use crate::config::{self, Overrides};
use crate::replay::{self, Wanted};
use crate::store::history::Reader;

/// Arguments of `replay`.
#[derive(Clone, Debug, Args)]
pub(super) struct ReplayArgs {
    /// Data directory, as `dir` under `[store]` names it
    #[arg(long, value_name = "DIR")]
    data: PathBuf,
    /// The configuration file to judge by
    #[arg(long, value_name = "PATH")]
    config: PathBuf,
    /// First moment, RFC 3339: 2026-11-25T14:00:00Z; the begin of the history unless given
    #[arg(long, value_name = "TIME")]
    from: Option<jiff::Timestamp>,
    /// First moment that is not wanted any more, RFC 3339
    #[arg(long, value_name = "TIME")]
    to: Option<jiff::Timestamp>,
    /// Readings are played from so many seconds before --from, so that delays and rates are known by then; unless given a
    /// quarter of an hour, longer where the settings look back further
    #[arg(long, value_name = "SECONDS", requires = "from", value_parser = seconds)]
    lead: Option<Duration>,
    /// One JSON object a line on standard output
    #[arg(long)]
    json: bool,
}

fn seconds(text: &str) -> Result<Duration, String> {
    let number: f64 = text.parse().map_err(|_| format!("{text} is no number of seconds; 900 or 2.5 would be"))?;
    Duration::try_from_secs_f64(number).map_err(|_| format!("{text} seconds cannot be; 900 or 2.5 could"))
}

/// Replays.
pub(super) fn replay(args: &ReplayArgs) -> End {
    // People are told by the mode of then; of the newest start, if there were several.
    let mode = Reader::new(&args.data).starts().ok().and_then(|starts| Mode::from_word(&starts.last()?.mode));
    let overrides = Overrides { mode, ..Overrides::default() };
    let loaded = match config::load(&args.config, config::environment(), &overrides) {
        Ok(loaded) => loaded,
        Err(mistakes) => return check::print_mistakes(&mistakes, args.json),
    };
    let wanted = Wanted {
        data: args.data.clone(),
        plan: &loaded.plan,
        config: args.config.clone(),
        from: args.from.map(jiff::Timestamp::as_millisecond),
        to: args.to.map(jiff::Timestamp::as_millisecond),
        lead: args.lead,
    };
    let shown = std::io::stderr().is_terminal();
    let mut tell = |done: usize, of: usize| {
        if shown && of > 0 {
            eprint!("\r{:3} % ", done * 100 / of);
        }
    };
    let outcome = replay::replay(&wanted, &mut tell);
    if shown {
        eprint!("\r      \r");
    }
    match outcome {
        Ok(replayed) if args.json => {
            for line in replay::in_json(&replayed, &args.config) {
                println!("{line}");
            }
            End::Done
        }
        Ok(replayed) => {
            print!("{}", replay::in_words(&replayed, &args.config));
            End::Done
        }
        Err(error) => {
            eprintln!("Nothing was replayed: {error}");
            End::NotTried
        }
    }
}
