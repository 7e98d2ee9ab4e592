//! The fuzzer's entry to the target `scenario`: what it demands stands in `lapwing_fuzz::targets`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: lapwing_fuzz::write_seeds("scenario"), |data: &[u8]| lapwing_fuzz::run("scenario", data));
