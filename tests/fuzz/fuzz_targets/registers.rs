//! The fuzzer's entry to the target `registers`: what it demands stands in `lapwing_fuzz::targets`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: lapwing_fuzz::write_seeds("registers"), |data: &[u8]| lapwing_fuzz::run("registers", data));
