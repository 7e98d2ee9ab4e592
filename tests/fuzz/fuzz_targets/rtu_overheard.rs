//! The fuzzer's entry to the target `rtu_overheard`: what it demands stands in `lapwing_fuzz::targets`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(init: lapwing_fuzz::write_seeds("rtu_overheard"), |data: &[u8]| lapwing_fuzz::run("rtu_overheard", data));
