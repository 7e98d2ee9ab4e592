//! Who may sign in: names, roles and hashed secrets in `accounts.toml` beside the event store.
//!
//! A file of its own, because the command that adds a person runs beside the agent, which holds the event store alone. It
//! is written whole to a new file that then takes the old one's place, readable by its owner only. Secrets are kept as
//! Argon2id (RFC 9106) in PHC string form, never as themselves. Never panics on a damaged file.

use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};
use serde::{Deserialize, Deserializer};

use crate::command::jws::{Key, key_from_text, key_text};
use crate::core::operator::Role;

/// File name in the data directory.
pub const FILE_NAME: &str = "accounts.toml";
/// Shortest PIN or password. A PIN is for a panel inside a locked module, where tries are limited.
pub const SECRET_LEAST: usize = 4;
const SECRET_MOST: usize = 256;

/// One person.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Account {
    /// Name, as said in every event of theirs.
    pub name: String,
    /// Role.
    #[serde(deserialize_with = "role")]
    pub role: Role,
    /// Argon2id, PHC string.
    secret: String,
    /// Public key of signed commands, Ed25519, base64url.
    #[serde(default)]
    key: Option<String>,
}

impl Account {
    /// The key that bears out signed commands.
    #[must_use]
    pub fn key(&self) -> Option<Key> {
        self.key.as_deref().and_then(key_from_text)
    }
}

/// All of them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct Accounts {
    schema: u32,
    #[serde(default, rename = "account")]
    list: Vec<Account>,
}

/// Why an account could not be read, added or removed.
#[derive(Debug, thiserror::Error)]
pub enum AccountError {
    /// The file cannot be read or written.
    #[error("{path}: {source}", path = path.display())]
    File {
        /// File.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The file is damaged.
    #[error("{path}: {why}; mend it, or remove it and add the accounts again", path = path.display())]
    Damaged {
        /// File.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The name is no name.
    #[error("'{0}' is no name: take 1 to 64 letters, digits, '.', '-', '_' or blanks, no blank at either end")]
    Name(String),
    /// The secret is too short or long.
    #[error("a PIN or password has {SECRET_LEAST} to {SECRET_MOST} characters, this one has {0}")]
    Secret(usize),
    /// No such account.
    #[error("there is no account '{name}'; there are: {}", if known.is_empty() { "none" } else { known })]
    Missing {
        /// Name asked for.
        name: String,
        /// Names there are.
        known: String,
    },
    /// The file holds no key.
    #[error("{path} holds no public Ed25519 key: give what `openssl pkey -pubout` writes, or a JWK", path = path.display())]
    Key {
        /// File.
        path: PathBuf,
    },
    /// It could not be hashed.
    #[error("the secret could not be hashed: {0}; please report this")]
    Hash(String),
}

fn role<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Role, D::Error> {
    let word = String::deserialize(deserializer)?;
    let unknown = || serde::de::Error::custom(format!("'{word}' is no role: observer, operator or engineer"));
    Role::from_word(&word).ok_or_else(unknown)
}

impl Accounts {
    /// The accounts in a data directory; none if there is no file.
    ///
    /// # Errors
    /// When the file cannot be read or is damaged.
    pub fn load(dir: &Path) -> Result<Self, AccountError> {
        let path = dir.join(FILE_NAME);
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Ok(Self { schema: 1, list: Vec::new() });
            }
            Err(source) => return Err(AccountError::File { path, source }),
        };
        let damaged = |why: String| AccountError::Damaged { path: path.clone(), why };
        let accounts: Self = toml::from_str(&text).map_err(|error| damaged(error.message().to_owned()))?;
        if accounts.schema != 1 {
            return Err(damaged(format!("it has schema {}, this version knows 1", accounts.schema)));
        }
        if let Some(bad) = accounts.list.iter().find(|account| PasswordHash::new(&account.secret).is_err()) {
            return Err(damaged(format!("the secret of '{}' is no PHC string", bad.name)));
        }
        if let Some(bad) = accounts.list.iter().find(|account| account.key.is_some() && account.key().is_none()) {
            return Err(damaged(format!("the key of '{}' is no base64url of 32 bytes", bad.name)));
        }
        Ok(accounts)
    }

    /// Writes them back.
    ///
    /// # Errors
    /// When the directory or file cannot be written.
    pub fn save(&self, dir: &Path) -> Result<(), AccountError> {
        let path = dir.join(FILE_NAME);
        let failed = |source| AccountError::File { path: path.clone(), source };
        std::fs::create_dir_all(dir).map_err(failed)?;
        let mut text = String::from("# Who may sign in. Change it with `lapwing account`.\nschema = 1\n");
        for account in &self.list {
            // Neither names nor roles nor PHC strings hold what TOML would escape.
            let quoted = |text: &str| format!("\"{text}\"");
            text.push_str(&format!(
                "\n[[account]]\nname = {}\nrole = {}\nsecret = {}\n",
                quoted(&account.name),
                quoted(account.role.word()),
                quoted(&account.secret)
            ));
            if let Some(key) = &account.key {
                text.push_str(&format!("key = {}\n", quoted(key)));
            }
        }
        let new = dir.join(format!(".{FILE_NAME}-{}", std::process::id()));
        let written = (|| {
            let mut file =
                std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&new)?;
            file.write_all(text.as_bytes())?;
            file.sync_all()?;
            std::fs::rename(&new, &path)?;
            std::fs::File::open(dir)?.sync_all()
        })();
        written.map_err(failed)
    }

    /// Adds a person, or gives a known one another role and secret.
    ///
    /// # Errors
    /// When name or secret do not do.
    pub fn put(&mut self, name: &str, role: Role, secret: &str) -> Result<(), AccountError> {
        let fits = |c: char| c.is_alphanumeric() || ['.', '-', '_', ' '].contains(&c);
        if name.is_empty() || name.chars().count() > 64 || !name.chars().all(fits) || name.trim() != name {
            return Err(AccountError::Name(name.to_owned()));
        }
        let long = secret.chars().count();
        if !(SECRET_LEAST..=SECRET_MOST).contains(&long) {
            return Err(AccountError::Secret(long));
        }
        let mut salt = [0_u8; 16];
        getrandom::fill(&mut salt).map_err(|error| AccountError::Hash(error.to_string()))?;
        let hash: PasswordHash = Argon2::default()
            .hash_password_with_salt(secret.as_bytes(), &salt)
            .map_err(|error| AccountError::Hash(error.to_string()))?;
        match self.list.iter_mut().find(|known| known.name == name) {
            Some(known) => (known.role, known.secret) = (role, hash.to_string()),
            None => {
                let secret = hash.to_string();
                self.list.push(Account { name: name.to_owned(), role, secret, key: None });
            }
        }
        Ok(())
    }

    /// Gives a person the key that bears out signed commands, or takes it away.
    ///
    /// # Errors
    /// When there is none of that name.
    pub fn set_key(&mut self, name: &str, key: Option<&Key>) -> Result<(), AccountError> {
        let known: Vec<&str> = self.list.iter().map(|account| account.name.as_str()).collect();
        let missing = AccountError::Missing { name: name.to_owned(), known: known.join(", ") };
        let account = self.list.iter_mut().find(|account| account.name == name).ok_or(missing)?;
        account.key = key.map(key_text);
        Ok(())
    }

    /// Removes a person.
    ///
    /// # Errors
    /// When there is none of that name.
    pub fn remove(&mut self, name: &str) -> Result<(), AccountError> {
        let before = self.list.len();
        self.list.retain(|account| account.name != name);
        if self.list.len() == before {
            let known: Vec<&str> = self.list.iter().map(|account| account.name.as_str()).collect();
            return Err(AccountError::Missing { name: name.to_owned(), known: known.join(", ") });
        }
        Ok(())
    }

    /// Everybody.
    #[must_use]
    pub fn list(&self) -> &[Account] {
        &self.list
    }

    /// The person of this name and secret. It takes as long when there is nobody of that name.
    #[must_use]
    pub fn verify(&self, name: &str, secret: &str) -> Option<&Account> {
        // Costs what a true one costs; no secret has it.
        const NOBODY: &str =
            "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5bm9ib2R5$0000000000000000000000000000000000000000000";
        let known = self.list.iter().find(|account| account.name == name);
        let hash = PasswordHash::new(known.map_or(NOBODY, |account| &account.secret)).ok()?;
        let fits = Argon2::default().verify_password(secret.as_bytes(), &hash).is_ok();
        known.filter(|_| fits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::tests::TestDir;

    #[test]
    fn an_account_survives_its_file_and_only_its_secret_opens_it() {
        let dir = TestDir::new("accounts");
        let mut accounts = Accounts::load(dir.path()).expect("no file is no account");
        accounts.put("ada", Role::Operator, "4711").expect("added");
        accounts.put("b o'b-1", Role::Observer, "a \"long\" one\\").expect_err("an apostrophe is no letter");
        accounts.save(dir.path()).expect("saved");
        let read = Accounts::load(dir.path()).expect("read");
        assert_eq!(read, accounts);
        assert_eq!(read.verify("ada", "4711").map(|account| account.role), Some(Role::Operator));
        assert!(read.verify("ada", "4712").is_none() && read.verify("eve", "4711").is_none());
        let text = std::fs::read_to_string(dir.path().join(FILE_NAME)).expect("a file");
        assert!(!text.contains("4711") && text.contains("$argon2id$"));
        use std::os::unix::fs::PermissionsExt as _;
        let mode = std::fs::metadata(dir.path().join(FILE_NAME)).expect("a file").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }

    #[test]
    fn a_known_name_is_changed_and_an_unknown_one_is_not_removed() {
        let mut accounts = Accounts { schema: 1, list: Vec::new() };
        accounts.put("ada", Role::Operator, "4711").expect("added");
        accounts.put("ada", Role::Engineer, "9999").expect("changed");
        assert_eq!(accounts.list().len(), 1);
        assert!(accounts.verify("ada", "4711").is_none());
        assert!(accounts.remove("eve").expect_err("unknown").to_string().contains("ada"));
        accounts.set_key("ada", Some(&[7; 32])).expect("known");
        accounts.put("ada", Role::Operator, "4711").expect("changed");
        assert_eq!(accounts.list()[0].key(), Some([7; 32]), "a new secret leaves the key");
        let dir = TestDir::new("accounts-key");
        accounts.save(dir.path()).expect("saved");
        assert_eq!(Accounts::load(dir.path()).expect("read"), accounts);
        accounts.set_key("ada", None).expect("known");
        assert_eq!(accounts.list()[0].key(), None);
        assert!(accounts.set_key("eve", None).is_err());
        accounts.remove("ada").expect("removed");
        assert!(matches!(accounts.put("x", Role::Observer, "123"), Err(AccountError::Secret(3))));
    }

    #[test]
    fn a_damaged_file_is_refused_with_its_path() {
        let dir = TestDir::new("accounts-damaged");
        for text in [
            "schema = 2",
            "schema = 1\n[[account]]\nname = 'a'\nrole = 'boss'\nsecret = 'x'",
            "schema = 1\n[[account]]\nname = 'a'\nrole = 'operator'\nsecret = 'plain'",
            "schema = 1\n[[account]]\nname = 'a'\nrole = 'operator'\nsecret = '$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5bm9ib2R5$0000000000000000000000000000000000000000000'\nkey = 'AAAA'",
            "\u{0}",
        ] {
            std::fs::write(dir.path().join(FILE_NAME), text).expect("written");
            let error = Accounts::load(dir.path()).expect_err("damaged").to_string();
            assert!(error.contains(FILE_NAME), "{error}");
        }
    }
}
