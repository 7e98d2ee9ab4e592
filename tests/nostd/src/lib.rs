//! Links protocol and engine into a static library with its own panic handler: if std came in anywhere, there would be
//! two handlers and the build would fail.
//!
//! Proves nothing about behaviour and is never run. With the feature `alloc` the whole protocol is linked over an
//! allocator that has nothing to give. The only unsafe code is what the language asks of an entry point and an
//! allocator.

#![no_std]

#[cfg(feature = "leak")]
extern crate std;

use lapwing_engine::spec::{Millis, Raw, Tables};
use lapwing_engine::{AlarmState, Effect, Engine, PointState, Window};
use lapwing_protocol::Decimal;

/// Instantiates the whole path from raw words to transitions for this target.
// SAFETY: no other symbol of this library has the name.
#[unsafe(no_mangle)]
pub extern "C" fn lapwing_judge(now_ms: u64, word: u16) -> u32 {
    let (mut points, mut alarms, mut windows): ([PointState; 0], [AlarmState; 0], [Window; 0]) = ([], [], []);
    let tables = Tables { points: &[], alarms: &[], windows: &[], absent: &[], uses: &[], use_alarms: &[] };
    let mut told = 0;
    let mut count = |effect: Effect| told += u32::from(matches!(effect, Effect::Alarm(_)));
    let now = Millis(now_ms);
    let Ok(mut engine) = Engine::new(tables, &mut points, &mut alarms, &mut windows) else { return u32::MAX };
    let raw = Raw::Words { words: [word; 8], len: 1, scale_factor: 0 };
    engine.poll(now, &mut count);
    engine.read(now, 0, &raw, now, &mut count);
    let dew = lapwing_engine::physics::air::dew_point(f64::from(word), 0.5).unwrap_or_default();
    told + u32::from(Decimal::quantise(dew, -1).is_ok())
}

#[cfg(feature = "alloc")]
mod nothing {
    use core::alloc::{GlobalAlloc, Layout};

    struct Nothing;

    // SAFETY: null is a lawful answer to every request, and nothing given is never given back.
    unsafe impl GlobalAlloc for Nothing {
        unsafe fn alloc(&self, _: Layout) -> *mut u8 {
            core::ptr::null_mut()
        }
        unsafe fn dealloc(&self, _: *mut u8, _: Layout) {}
    }

    #[global_allocator]
    static NOTHING: Nothing = Nothing;
}

#[panic_handler]
fn stop(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}
