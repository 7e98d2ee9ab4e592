//! Brings the requests and the memory layout to where the firmware's build finds them.
//!
//! `LAPWING_REQUESTS` names a file of requests, one JSON object a line as for `lapwing calc --jsonl`; without it there is
//! one request, so that the example builds by itself. Panics when a file cannot be read or written: a build stops then.

use std::path::PathBuf;
use std::{env, fs};

const ALONE: &str = r#"{"id": "alone", "function": "dew_point", "inputs": {"t_c": 25, "rh": 0.5}}"#;

fn main() {
    println!("cargo::rerun-if-env-changed=LAPWING_REQUESTS");
    println!("cargo::rerun-if-changed=memory.x");
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("cargo says where"));
    let requests = env::var_os("LAPWING_REQUESTS").map_or_else(
        || ALONE.to_owned(),
        |path| {
            println!("cargo::rerun-if-changed={}", PathBuf::from(&path).display());
            fs::read_to_string(&path).expect("LAPWING_REQUESTS names a file of requests")
        },
    );
    fs::write(out.join("requests.jsonl"), requests).expect("the output directory takes files");
    fs::copy("memory.x", out.join("memory.x")).expect("the output directory takes files");
    println!("cargo::rustc-link-search={}", out.display());
    println!("cargo::rustc-link-arg-bins=-Tlink.x");
}
