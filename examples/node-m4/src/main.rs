//! Firmware that answers engineering requests on a Cortex-M4F and prints each answer for the host to compare.
//!
//! Requests are built in (`build.rs`). A line of output is `{"id": …, "value": …}`, with `why` where there is no number;
//! `missing` names a function this node has none for. Numbers are f64 in software, through `libm`, as on every other
//! target. Prints by semihosting: for an emulator or a debugger, not for the field. A panic ends the emulator with an
//! error.

#![no_std]
#![no_main]

extern crate alloc;

mod answer;
mod decoded;
mod sequence;
mod slope;

use core::panic::PanicInfo;

use cortex_m_semihosting::{debug, hprintln};
use embedded_alloc::LlffHeap as Heap;
use serde_json::{Map, Value, json};

#[global_allocator]
static HEAP: Heap = Heap::empty();

/// One request at a time is little; the longest is a table of a few hundred numbers.
const HEAP_BYTES: usize = 256 * 1024;

const REQUESTS: &str = include_str!(concat!(env!("OUT_DIR"), "/requests.jsonl"));

#[cortex_m_rt::entry]
fn main() -> ! {
    // SAFETY: the macro's own: called once, before anything allocates.
    unsafe {
        embedded_alloc::init!(HEAP, HEAP_BYTES);
    }
    for line in REQUESTS.lines().filter(|line| !line.trim().is_empty()) {
        hprintln!("{}", reply(line));
    }
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}

fn reply(line: &str) -> Value {
    let request: Value = serde_json::from_str(line).unwrap_or(Value::Null);
    let none = Map::new();
    let inputs = request["inputs"].as_object().unwrap_or(&none);
    let function = request["function"].as_str().unwrap_or_default();
    match answer::answer(function, &answer::Inputs(inputs)) {
        Some(Ok(value)) => json!({ "id": request["id"], "value": value }),
        Some(Err(none)) => json!({ "id": request["id"], "value": none.word, "why": none.why }),
        None => json!({ "id": request["id"], "missing": function }),
    }
}

#[panic_handler]
fn stop(info: &PanicInfo<'_>) -> ! {
    hprintln!("{}", info);
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}
