//! What a function remembers for one derived point from one computation to the next: energy so far, a countdown, a window.
//!
//! Each function has a type of its own for it, empty at the start. It is kept by the core beside the point, lives as long
//! as the agent runs and is not saved: a function must say for itself what it answers before it has seen enough. Knows no
//! clock: functions take the time from their inputs. Never panics.

use std::any::Any;
use std::fmt;

/// The memory of one function for one point.
#[derive(Default)]
pub struct Memory(Option<Box<dyn Any + Send>>);

impl Memory {
    /// It as the function's own type, made if there is none.
    pub fn of<T: Default + Any + Send>(&mut self) -> &mut T {
        if !self.0.as_ref().is_some_and(|kept| kept.is::<T>()) {
            self.0 = None;
        }
        self.0
            .get_or_insert_with(|| Box::<T>::default())
            .downcast_mut()
            .expect("invariant: what is of another type was thrown away above")
    }
}

impl fmt::Debug for Memory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.0.is_some() { "Memory(kept)" } else { "Memory(empty)" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_keeps_one_type_and_begins_empty() {
        let mut memory = Memory::default();
        assert_eq!(format!("{memory:?}"), "Memory(empty)");
        *memory.of::<u32>() += 2;
        *memory.of::<u32>() += 3;
        assert_eq!(*memory.of::<u32>(), 5);
        assert_eq!(*memory.of::<u64>(), 0, "another type begins anew");
        assert_eq!(*memory.of::<u32>(), 0);
    }
}
