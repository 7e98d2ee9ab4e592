//! The fuzzer's entry to the target `rtu_reply`: what it demands stands in `lapwing_fuzz::targets`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: lapwing_fuzz::write_seeds("rtu_reply"), |data: &[u8]| lapwing_fuzz::run("rtu_reply", data));
