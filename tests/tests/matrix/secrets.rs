//! What the service writes to its log while it is tested, so that it can be searched for what must not be there.

use std::io::Write;
use std::sync::{Mutex, Once};

static WRITTEN: Mutex<Vec<u8>> = Mutex::new(Vec::new());
static WATCHED: Once = Once::new();

struct Kept;

impl Write for Kept {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        WRITTEN.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// From now on everything of the service, and what its libraries say down to `debug`, is kept.
pub(super) fn watch_the_log() {
    WATCHED.call_once(|| {
        let filter = tracing_subscriber::EnvFilter::new("debug,rinsebook_service=trace");
        tracing_subscriber::fmt().with_env_filter(filter).with_ansi(false).with_writer(|| Kept).init();
    });
}

/// What was written so far.
pub(super) fn written() -> String {
    String::from_utf8_lossy(&WRITTEN.lock().unwrap()).into_owned()
}

/// Nothing of this secret stands in the log: neither all of it nor, of a token, its signature.
pub(super) fn assert_untold(secret: &str) {
    let log = written();
    let last = secret.rsplit('.').next().unwrap();
    for part in [secret, last].into_iter().filter(|part| part.len() > 16) {
        assert!(!log.contains(part), "the log tells a secret:\n{}", log.lines().find(|l| l.contains(part)).unwrap());
    }
}
