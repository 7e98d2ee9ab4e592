//! Servers that take messages to people: aiosmtpd inside TLS, and an HTTPS server whose signatures a library of others checks.
//!
//! Certificates are made for each start, for 127.0.0.1. Panics when the peer does not come up or is not installed.

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use serde_json::Value;

use crate::place::{TempDir, python, sources};
use crate::process::Process;

/// Name and password at the mail server, and the secret of the webhook.
pub const USER: &str = "m1";
/// Password at the mail server.
pub const PASSWORD: &str = "mail-and-long";
/// Secret of the webhook.
pub const SECRET: &str = "signed-and-long";

/// Both servers.
#[derive(Debug)]
pub struct Receivers {
    home: TempDir,
    process: Process,
    /// Port of the mail server.
    pub mail: u16,
    /// Port of the HTTPS server.
    pub https: u16,
}

impl Receivers {
    /// Starts them; mail by TLS from the first byte, or by STARTTLS.
    ///
    /// # Panics
    /// When they do not come up.
    #[must_use]
    pub fn start(starttls: bool) -> Self {
        let home = TempDir::new("receivers");
        certificates(&home);
        for (file, secret) in [("mail-password", PASSWORD), ("webhook-secret", SECRET), ("wrong-secret", "another")] {
            home.write(file, &format!("{secret}\n"));
        }
        let mut command = Command::new(python());
        command
            .arg(sources().join("peers/message_receivers.py"))
            .arg("--certificate")
            .arg(home.join("server.pem"))
            .arg("--key")
            .arg(home.join("server.key"))
            .args(["--secret", SECRET, "--user", USER, "--password", PASSWORD]);
        if starttls {
            command.arg("--starttls");
        }
        let process = Process::start("message receivers", &mut command);
        let first = process.out.find(0, Duration::from_secs(20), |line| serde_json::from_str::<Value>(&line.text).ok());
        let Some(first) = first else { panic!("the receivers did not start:\n{}", process.err.tail()) };
        let port = |which: &str| first[which].as_u64().and_then(|port| u16::try_from(port).ok()).expect("a port");
        Self { mail: port("mail"), https: port("https"), home, process }
    }

    /// A file of theirs: `ca.pem`, `mail-password`, `webhook-secret`, `wrong-secret`.
    #[must_use]
    pub fn file(&self, name: &str) -> PathBuf {
        self.home.join(name)
    }

    /// Changes how the next messages are answered, as `mail refuse`.
    ///
    /// # Panics
    /// When they do not confirm it.
    pub fn answer(&mut self, how: &str) {
        let mark = self.process.out.mark();
        self.process.tell(how);
        self.wait("confirmation", mark, |said| said.get("answers").map(|_| ()));
    }

    /// Mark for later searches.
    #[must_use]
    pub fn mark(&self) -> usize {
        self.process.out.mark()
    }

    /// The first thing received since a mark for which `wanted` gives something.
    ///
    /// # Panics
    /// When nothing comes within half a minute.
    pub fn wait<T>(&self, what: &str, mark: usize, mut wanted: impl FnMut(&Value) -> Option<T>) -> T {
        let within = Duration::from_secs(30);
        self.process.out.wait(what, mark, within, |line| wanted(&serde_json::from_str(&line.text).ok()?)).0
    }

    /// Everything received since a mark that was accepted.
    #[must_use]
    pub fn accepted(&self, mark: usize) -> Vec<Value> {
        let read = |text: &str| serde_json::from_str::<Value>(text).ok();
        let all = self.process.out.since(mark).into_iter().filter_map(|line| read(&line.text));
        all.filter(|said| said.get("by").is_some() && said.get("refused").is_none() && said.get("silent").is_none())
            .collect()
    }

    /// `[mail]` and recipients with ways to these servers: `{mail}`, `{hook}`, `{secret}`, `{ca}` in a text are filled in.
    #[must_use]
    pub fn fill(&self, text: &str) -> String {
        let path = |name: &str| self.file(name).display().to_string();
        text.replace("{mail}", &format!("127.0.0.1:{}", self.mail))
            .replace("{hook}", &format!("https://127.0.0.1:{}/m1", self.https))
            .replace("{secret}", &path("webhook-secret"))
            .replace("{wrong}", &path("wrong-secret"))
            .replace("{password}", &path("mail-password"))
            .replace("{ca}", &path("ca.pem"))
    }
}

fn certificates(home: &TempDir) {
    let script = "set -e; ec='-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes'
        openssl req -x509 $ec -keyout ca.key -out ca.pem -days 400 -subj /CN=authority
        openssl req $ec -keyout server.key -out server.csr -subj /CN=server
        printf 'subjectAltName=IP:127.0.0.1\\nbasicConstraints=CA:FALSE\\n' > ext
        openssl x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -out server.pem -days 400 -extfile ext";
    let made = Command::new("sh").arg("-c").arg(script).current_dir(home.path()).stderr(Stdio::null()).status();
    assert!(made.expect("sh is there").success(), "openssl is installed (apt install openssl)");
}
