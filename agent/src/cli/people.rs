//! `lapwing account`: who may sign in at the page.
//!
//! Reads the secret from the terminal without showing it, or one line from standard input. Works beside the running agent,
//! which reads the accounts at each signing in. Never panics.

use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{End, check};
use crate::command::jws::key_from_file;
use crate::config;
use crate::core::operator::Role;
use crate::page::accounts::{AccountError, Accounts};

/// What to do with accounts.
#[derive(Clone, Debug, Subcommand)]
pub(super) enum AccountCommand {
    /// Adds a person, or gives a known one another role and PIN or password
    Add {
        /// Name, as it will stand in the log
        name: String,
        /// What the person may do
        #[arg(long, value_parser = role)]
        role: Role,
        #[command(flatten)]
        place: Place,
    },
    /// Gives a person the public key that bears out signed commands over MQTT
    Key {
        /// Name
        name: String,
        /// The key: PEM as `openssl pkey -pubout` writes it, or a JWK
        #[arg(long, value_name = "FILE", required_unless_present = "none")]
        file: Option<PathBuf>,
        /// Take the key away
        #[arg(long, conflicts_with = "file")]
        none: bool,
        #[command(flatten)]
        place: Place,
    },
    /// Removes a person
    Remove {
        /// Name
        name: String,
        #[command(flatten)]
        place: Place,
    },
    /// Lists everybody
    List {
        #[command(flatten)]
        place: Place,
    },
}

/// Where the accounts are.
#[derive(Clone, Debug, Args)]
#[group(required = true, multiple = false)]
pub(super) struct Place {
    /// The module's configuration file
    #[arg(long, value_name = "PATH")]
    config: Option<PathBuf>,
    /// The data directory itself (`dir` under `[store]`)
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
}

fn role(word: &str) -> Result<Role, String> {
    Role::from_word(word).ok_or_else(|| "a role is observer, operator or engineer".into())
}

/// Runs it.
pub(super) fn account(command: &AccountCommand) -> End {
    let (AccountCommand::Add { place, .. }
    | AccountCommand::Key { place, .. }
    | AccountCommand::Remove { place, .. }
    | AccountCommand::List { place }) = command;
    let dir = match (&place.data, &place.config) {
        (Some(dir), _) => dir.clone(),
        (None, Some(config)) => match config::load(config, config::environment(), &config::Overrides::default()) {
            Ok(loaded) => loaded.plan.store.dir,
            Err(mistakes) => return check::print_mistakes(&mistakes, false),
        },
        (None, None) => return End::NotTried,
    };
    match run(command, &dir) {
        Ok(()) => End::Done,
        Err(error) => {
            eprintln!("{error}");
            match error {
                AccountError::Missing { .. }
                | AccountError::Name(_)
                | AccountError::Secret(_)
                | AccountError::Key { .. } => End::No,
                AccountError::File { .. } | AccountError::Damaged { .. } | AccountError::Hash(_) => End::NotTried,
            }
        }
    }
}

fn run(command: &AccountCommand, dir: &std::path::Path) -> Result<(), AccountError> {
    let mut accounts = Accounts::load(dir)?;
    match command {
        AccountCommand::Add { name, role, .. } => {
            let secret = secret(name).map_err(|source| AccountError::File { path: "standard input".into(), source })?;
            accounts.put(name, *role, &secret)?;
            accounts.save(dir)?;
            println!("{name} may sign in as {}.", role.word());
        }
        AccountCommand::Key { name, file, .. } => {
            let key = match file {
                Some(path) => {
                    let text = std::fs::read_to_string(path)
                        .map_err(|source| AccountError::File { path: path.clone(), source })?;
                    Some(key_from_file(&text).ok_or_else(|| AccountError::Key { path: path.clone() })?)
                }
                None => None,
            };
            accounts.set_key(name, key.as_ref())?;
            accounts.save(dir)?;
            match key {
                Some(_) => println!("Commands that {name} has signed count where mqtt.commands = \"signed\"."),
                None => println!("{name} has no key any more; signed commands no longer count."),
            }
        }
        AccountCommand::Remove { name, .. } => {
            accounts.remove(name)?;
            accounts.save(dir)?;
            println!(
                "{name} may no longer sign in, nor act; a screen that is signed in may be looked at until its shift ends."
            );
        }
        AccountCommand::List { .. } => {
            if accounts.list().is_empty() {
                println!("There is no account yet.");
            }
            for account in accounts.list() {
                let key = if account.key().is_some() { ", with a key" } else { "" };
                println!("{:<24} {}{key}", account.name, account.role.word());
            }
        }
    }
    Ok(())
}

/// The secret, typed without being shown, or piped in as one line.
fn secret(name: &str) -> std::io::Result<String> {
    let input = std::io::stdin();
    let mut line = String::new();
    if input.is_terminal() {
        print!("PIN or password of {name} (at least 4 characters; it is not shown): ");
        std::io::stdout().flush()?;
        let shown = rustix::termios::tcgetattr(&input)?;
        let mut hidden = shown.clone();
        hidden.local_modes.remove(rustix::termios::LocalModes::ECHO);
        rustix::termios::tcsetattr(&input, rustix::termios::OptionalActions::Flush, &hidden)?;
        let read = input.lock().read_line(&mut line);
        rustix::termios::tcsetattr(&input, rustix::termios::OptionalActions::Flush, &shown)?;
        println!();
        read?;
    } else {
        input.lock().read_line(&mut line)?;
    }
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
