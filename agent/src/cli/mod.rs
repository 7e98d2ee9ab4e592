//! The command line: one file a command; this one names them and turns their ends into exit codes.
//!
//! Exit codes: 0 done, 1 the answer is no (a criterion failed, a finding that forbids running), 2 could not be tried
//! (usage, configuration, I/O). Answers go to standard output, everything else to standard error. Knows no rule of the
//! agent. Never panics.

mod account;
mod alarms;
mod calc;
mod check;
mod checkout;
#[cfg(feature = "demo")]
mod demo;
mod export;
mod output;
mod people;
mod replay;
mod run;
mod schema;
#[cfg(feature = "demo")]
mod simulate;
mod stop;
#[cfg(feature = "notify")]
mod tell;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Done.
    Done,
    /// The answer is no.
    No,
    /// Could not be tried.
    NotTried,
}

impl From<End> for ExitCode {
    fn from(end: End) -> Self {
        match end {
            End::Done => Self::SUCCESS,
            End::No => Self::from(1),
            End::NotTried => Self::from(2),
        }
    }
}

/// Telemetry and alarm agent for a prefabricated data-centre module. It monitors; it never controls.
#[derive(Debug, Parser)]
#[command(name = "lapwing", version, arg_required_else_help = true)]
struct Line {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// A simulated module, a broker and the agent together, without any set-up
    #[cfg(feature = "demo")]
    Demo(DemoArgs),
    /// Only the simulated module's devices, for other clients
    #[cfg(feature = "demo")]
    Simulate(DemoArgs),
    /// The agent
    Run(RunArgs),
    /// Every mistake of a configuration, its poll plan, how late its alarms may be, and what to question in them
    Check(RunArgs),
    /// All alarms with every setting as CSV, and a list that came back compared with them
    Alarms(alarms::AlarmsArgs),
    /// Point-to-point checkout: what is read against what the sensor shows, with a sign-off sheet
    Checkout(CheckoutArgs),
    /// Readings of a range of time as CSV or Parquet, or everything about one incident
    Export(export::ExportArgs),
    /// Recorded readings judged by other alarm settings: what would have been raised, against what was
    Replay(replay::ReplayArgs),
    /// JSON Schema of what is published
    Schema {
        /// One of the names listed when none is given
        name: Option<String>,
    },
    /// One engineering function, or many
    Calc(CalcArgs),
    /// A test message to recipients
    #[cfg(feature = "notify")]
    Tell(tell::TellArgs),
    /// Who may sign in at the page
    #[command(subcommand)]
    Account(people::AccountCommand),
}

/// Options of `demo` and `simulate`.
#[derive(Clone, Debug, Args)]
pub struct DemoArgs {
    /// What happens: a scenario's name, or the path of a scenario file
    #[arg(long, default_value = "calm")]
    scenario: String,
    /// End by itself after this time
    #[arg(long, value_name = "N")]
    seconds: Option<u64>,
    /// The same seed gives the same run
    #[arg(long, default_value_t = 1, value_name = "N")]
    seed: u64,
    /// Keep data here instead of in a directory removed at the end
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Language of what people are told by the demo
    #[arg(long, value_name = "LANGUAGE", value_parser = crate::plan::Language::WORDS)]
    language: Option<String>,
    /// One JSON object a line on standard output
    #[arg(long)]
    json: bool,
}

/// Options of `run` and `check`.
#[derive(Clone, Debug, Args)]
pub struct RunArgs {
    /// The module's configuration file
    #[arg(long, value_name = "PATH")]
    config: PathBuf,
    /// One JSON object a line on standard output
    #[arg(long)]
    json: bool,
}

/// Options of `checkout`.
#[derive(Clone, Debug, Args)]
pub struct CheckoutArgs {
    /// The module's configuration file
    #[arg(long, value_name = "PATH")]
    config: PathBuf,
    /// Only this link
    #[arg(long, value_name = "NAME")]
    link: Option<String>,
    /// Only this device
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Only points that match: `*` within a segment, `**` for any number of them
    #[arg(long, value_name = "PATTERN")]
    point: Option<String>,
    /// Progress and sign-off sheet are kept here; checkout-SITE-MODULE unless given
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Expected values from a CSV file (path,expected,initials,note) instead of being asked
    #[arg(long, value_name = "FILE")]
    answers: Option<PathBuf>,
    /// Look on for so many seconds before the first point: a longer look measures the refresh better
    #[arg(long, default_value_t = 0, value_name = "N")]
    look: u64,
    /// How long `w VALUE` waits for the sensor, seconds
    #[arg(long, default_value_t = 60, value_name = "N")]
    wait: u64,
    /// Also the points that were decided before
    #[arg(long)]
    again: bool,
    /// Tell the broker nothing
    #[arg(long)]
    silent: bool,
    /// One JSON object a line on standard output
    #[arg(long)]
    json: bool,
}

/// Options of `calc`.
#[derive(Clone, Debug, Args)]
pub struct CalcArgs {
    /// The function; all are listed when none is given
    name: Option<String>,
    /// Inputs as key=value, numbers or lists as JSON, words as they are
    inputs: Vec<String>,
    /// Read one request a line from standard input
    #[arg(long, conflicts_with_all = ["name", "about"])]
    jsonl: bool,
    /// What is known of the function: formula, range, source, uncertainty, examples
    #[arg(long, requires = "name", conflicts_with = "inputs")]
    about: bool,
}

/// Reads the command line, does it, and says how it ended.
#[must_use]
pub fn main() -> ExitCode {
    let line = match Line::try_parse() {
        Ok(line) => line,
        Err(error) => {
            // Help and version are answers; everything else could not be tried.
            let end = if error.use_stderr() { End::NotTried } else { End::Done };
            // Nothing can be said when the terminal is gone.
            let _gone = error.print();
            return end.into();
        }
    };
    let end = match line.command {
        #[cfg(feature = "demo")]
        Command::Demo(args) => demo::demo(&args),
        #[cfg(feature = "demo")]
        Command::Simulate(args) => simulate::simulate(&args),
        Command::Run(args) => run::run(&args),
        Command::Check(args) => check::check(&args),
        Command::Alarms(args) => alarms::alarms(&args),
        Command::Checkout(args) => checkout::checkout(&args),
        Command::Schema { name } => schema::schema(name.as_deref()),
        Command::Export(args) => export::export(&args),
        Command::Replay(args) => replay::replay(&args),
        Command::Calc(args) => calc::calc(&args),
        #[cfg(feature = "notify")]
        Command::Tell(args) => tell::tell(&args),
        Command::Account(command) => people::account(&command),
    };
    end.into()
}

/// Sends the program's own log to standard error, by the configured filter or `LAPWING_LOG`.
fn start_log(level: &str) {
    use tracing_subscriber::EnvFilter;
    let filter = std::env::var("LAPWING_LOG").ok().unwrap_or_else(|| level.to_owned());
    let filter = EnvFilter::try_new(&filter).unwrap_or_else(|_| EnvFilter::new("info"));
    // A second subscriber can only come from a test in the same process.
    let _set =
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false).try_init();
}
