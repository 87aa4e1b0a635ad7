//! Where work is done that waits for a disk or computes for long: on threads beside the runtime. On a runtime of a single
//! thread it is done in place, so that the runtime alone decides what happens in which order, and a story that begins
//! alike goes on alike.

use std::panic::AssertUnwindSafe;

use tokio::runtime::{Handle, RuntimeFlavor};
use tokio::sync::oneshot;
use tokio::task::{JoinError, spawn_blocking};

/// A computation panicked.
#[derive(Debug)]
pub(crate) struct Panicked;

/// Whether everything happens on one thread.
pub(crate) fn alone() -> bool {
    Handle::current().runtime_flavor() == RuntimeFlavor::CurrentThread
}

/// As [`alone`], for whoever may be on no runtime at all: then it is not.
pub(crate) fn is_alone() -> bool {
    Handle::try_current().is_ok_and(|here| here.runtime_flavor() == RuntimeFlavor::CurrentThread)
}

/// Computes on the threads that check signatures, behind what they have to do already; an error where it panicked.
pub(crate) async fn computing<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Panicked> {
    if alone() {
        return Ok(work());
    }
    let (reply, answer) = oneshot::channel();
    rayon::spawn(move || {
        // Where it panics, nobody is answered and nobody else is harmed; the panic itself was said where it happened.
        let done = std::panic::catch_unwind(AssertUnwindSafe(work));
        let _ = done.map(|done| reply.send(done));
    });
    answer.await.map_err(|_| Panicked)
}

/// Does work that blocks; an error where it panicked on a thread of its own.
pub(crate) async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, JoinError> {
    if alone() { Ok(work()) } else { spawn_blocking(work).await }
}
