//! The demo's own configuration, pointed at a simulator that runs as another process.
//!
//! Only the addresses of links, the broker, the data directory and the page are changed; everything else is as shipped.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::place::{TempDir, repository};

const TRANSPORTS: [&str; 4] = ["modbus_tcp", "modbus_rtu_tcp", "serial", "snmp"];

/// Copies the demo's configuration into `home` with the simulator's addresses: `{"plant": "127.0.0.1:PORT", …}`.
///
/// # Panics
/// When the configuration cannot be read, or a link of it has no address.
#[must_use]
pub fn configure(home: &TempDir, links: &Value, broker: &str) -> PathBuf {
    let shipped = repository().join("examples/saltmarsh");
    copy_folders(&shipped, home);
    let text = std::fs::read_to_string(shipped.join("module.toml")).expect("the demo's configuration is there");
    let mut out = Vec::new();
    let mut section = String::new();
    let mut link = None;
    for line in text.lines() {
        let trimmed = line.trim();
        if trimmed.starts_with('[') {
            section = trimmed.split('#').next().unwrap_or("").trim().to_owned();
            link = None;
        }
        let key = trimmed.split('=').next().unwrap_or("").trim();
        let value = || trimmed.split('"').nth(1).unwrap_or("").to_owned();
        match (section.as_str(), key) {
            ("[[link]]", "name") => {
                link = Some(value());
                out.push(line.to_owned());
            }
            ("[[link]]", transport) if TRANSPORTS.contains(&transport) => {
                let name = link.as_deref().expect("a link's name stands before its address");
                let address =
                    links[name].as_str().unwrap_or_else(|| panic!("the simulator has no link {name}: {links}"));
                out.push(format!("{transport} = \"{address}\""));
            }
            ("[mqtt]", "broker") => out.push(format!("broker = \"{broker}\"")),
            ("[store]", "dir") => out.push(format!("dir = \"{}\"", home.join("data").display())),
            ("[http]", "listen") => out.push("listen = \"127.0.0.1:0\"".into()),
            _ => out.push(line.to_owned()),
        }
    }
    home.write("module.toml", &(out.join("\n") + "\n"))
}

fn copy_folders(shipped: &Path, home: &TempDir) {
    for folder in ["maps", "translations"] {
        for entry in std::fs::read_dir(shipped.join(folder)).expect("the demo has it").flatten() {
            let text = std::fs::read_to_string(entry.path()).expect("a file is text");
            home.write(&format!("{folder}/{}", entry.file_name().to_string_lossy()), &text);
        }
    }
}
