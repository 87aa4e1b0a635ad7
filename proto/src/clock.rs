//! Where the time comes from: a seam, so that the demonstration and the tests can script it.
//!
//! Nothing else in this crate reads a clock: rules and checks take the time as an argument.

use std::sync::atomic::{AtomicU64, Ordering};

/// The two clocks of a machine.
pub trait Clock: Send + Sync + 'static {
    /// Wall clock, Unix milliseconds, UTC; it can be set, and so can jump.
    fn wall_ms(&self) -> u64;
    /// Milliseconds since the machine booted, sleep included; it never jumps.
    fn boot_ms(&self) -> u64;
}

/// The machine's own clocks.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn wall_ms(&self) -> u64 {
        u64::try_from(chrono::Utc::now().timestamp_millis()).unwrap_or(0)
    }

    fn boot_ms(&self) -> u64 {
        let t = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        u64::try_from(t.tv_sec).unwrap_or(0) * 1000 + u64::try_from(t.tv_nsec).unwrap_or(0) / 1_000_000
    }
}

/// A clock that stands still until it is moved; wall and boot clock move together unless the wall clock is set apart.
#[derive(Debug, Default)]
pub struct ScriptedClock {
    wall_ms: AtomicU64,
    boot_ms: AtomicU64,
}

impl ScriptedClock {
    /// Begins at this wall time.
    pub fn at(wall_ms: u64) -> ScriptedClock {
        ScriptedClock { wall_ms: wall_ms.into(), boot_ms: wall_ms.into() }
    }

    /// Time goes on, or back, to this wall time.
    pub fn set(&self, wall_ms: u64) {
        let before_ms = self.wall_ms.swap(wall_ms, Ordering::SeqCst);
        let moved = |boot_ms: u64| Some(boot_ms.wrapping_add(wall_ms.wrapping_sub(before_ms)));
        let _ = self.boot_ms.fetch_update(Ordering::SeqCst, Ordering::SeqCst, moved);
    }

    /// Somebody sets the wall clock; the boot clock knows nothing of it.
    pub fn set_wall_alone(&self, wall_ms: u64) {
        self.wall_ms.store(wall_ms, Ordering::SeqCst);
    }
}

impl Clock for ScriptedClock {
    fn wall_ms(&self) -> u64 {
        self.wall_ms.load(Ordering::SeqCst)
    }

    fn boot_ms(&self) -> u64 {
        self.boot_ms.load(Ordering::SeqCst)
    }
}
