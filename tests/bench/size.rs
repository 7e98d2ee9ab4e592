//! Size of the binary that goes onto an edge box: stripped, without the demo.
//!
//! Builds it with cargo into a directory of its own, so that the demo's binary stays as it is.

use std::path::PathBuf;
use std::process::Command;

use lapwing_tests::place::repository;

use crate::report;

/// Goal for the stripped binary.
const GOAL_MB: f64 = 9.0;

/// The release profile.
pub(crate) fn release() {
    measure("release", "binary_release");
}

/// The profile of the package: fat link-time optimisation.
pub(crate) fn edge() {
    measure("edge", "binary_edge");
}

fn measure(profile: &str, name: &str) {
    let target =
        std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| repository().join("target"), PathBuf::from).join("deploy");
    let built = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
        .current_dir(repository())
        .args([
            "build",
            "--locked",
            "--quiet",
            "-p",
            "lapwing",
            "--no-default-features",
            "--profile",
            profile,
            "--target-dir",
        ])
        .arg(&target)
        .status()
        .expect("cargo runs");
    assert!(built.success(), "cargo ended with {built}");
    let file = target.join(profile).join("lapwing");
    let bytes = std::fs::metadata(&file).expect("the binary is there").len();
    report(name, bytes as f64 / 1e6, "MB", "goal", Some(GOAL_MB));
}
