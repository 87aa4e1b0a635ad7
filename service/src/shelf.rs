//! Facts read back from the log for the rules, which keep their indices in memory and of the facts only some.
//!
//! An answer that does without a fact may say that nothing is open where something is. So where one cannot be read back,
//! nobody is answered: whoever asks ends with a panic, which takes their connection with it, and the service ends with the
//! reason, as it does when the log cannot be written.

use std::fmt;
use std::sync::Arc;

use rinsebook_proto::fact::Signed;
use rinsebook_proto::rules::ReadBack;
use tokio::sync::watch;

use crate::log::{self, LogReader};

/// Why the log cannot be read back, once it could not.
#[derive(Debug, Clone, Default)]
pub struct Unreadable(Arc<watch::Sender<Option<String>>>);

impl Unreadable {
    /// Waits until it cannot; why.
    pub async fn told(&self) -> String {
        let mut why = self.0.subscribe();
        // The sender lives as long as this does.
        let told = why.wait_for(Option::is_some).await.ok().and_then(|why| why.clone());
        told.unwrap_or_default()
    }
}

/// See the module.
pub struct Shelf {
    reader: LogReader,
    unreadable: Unreadable,
}

impl Shelf {
    /// What this reader reads; `unreadable` learns where it cannot.
    pub fn new(reader: LogReader, unreadable: Unreadable) -> Shelf {
        Shelf { reader, unreadable }
    }

    fn read(&self, index: u64) -> Result<Signed, String> {
        let data = self.reader.read(index).map_err(|e| e.to_string())?.ok_or("it is beyond the end of the log")?;
        let (found, fact) = log::fact_in(&data)?;
        if found == index { Ok(fact) } else { Err(format!("entry {found} stands there")) }
    }
}

impl fmt::Debug for Shelf {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Shelf").finish_non_exhaustive()
    }
}

impl ReadBack for Shelf {
    fn fact(&self, index: u64) -> Arc<Signed> {
        match self.read(index) {
            Ok(fact) => Arc::new(fact),
            Err(why) => {
                let why = format!("log entry {index} cannot be read back: {why}");
                tracing::error!(why, "no answer is given without it; the service ends");
                self.unreadable.0.send_replace(Some(why.clone()));
                panic!("{why}");
            }
        }
    }
}
