//! The fuzzer's entry to the target `messages`: what it demands stands in `lapwing_fuzz::targets`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: lapwing_fuzz::write_seeds("messages"), |data: &[u8]| lapwing_fuzz::run("messages", data));
