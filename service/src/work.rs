//! Where work is done that waits for a disk or computes for long: on threads beside the runtime. On a runtime of a single
//! thread it is done in place, so that the runtime alone decides what happens in which order, and a story that begins
//! alike goes on alike.

use tokio::runtime::{Handle, RuntimeFlavor};
use tokio::task::{JoinError, spawn_blocking};

/// Whether everything happens on one thread.
pub(crate) fn alone() -> bool {
    Handle::current().runtime_flavor() == RuntimeFlavor::CurrentThread
}

/// As [`alone`], for whoever may be on no runtime at all: then it is not.
pub(crate) fn is_alone() -> bool {
    Handle::try_current().is_ok_and(|here| here.runtime_flavor() == RuntimeFlavor::CurrentThread)
}

/// Does work that blocks; an error where it panicked on a thread of its own.
pub(crate) async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, JoinError> {
    if alone() { Ok(work()) } else { spawn_blocking(work).await }
}
