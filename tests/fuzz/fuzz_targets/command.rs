//! The fuzzer's entry to the target `command`: what it demands stands in `lapwing_fuzz::targets`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: lapwing_fuzz::write_seeds("command"), |data: &[u8]| lapwing_fuzz::run("command", data));
