//! Why nothing is recorded, if nothing is: an older state was put back. Said in a file, so that no restart forgets it; it
//! ends with a custodian's fact that opens another epoch. Reading goes on all the while.

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::error::ServiceError;

/// See the module.
#[derive(Debug, Clone)]
pub struct Standstill {
    file: PathBuf,
    why: Option<String>,
}

impl Standstill {
    /// Reads the file below the data folder, where there is one.
    pub fn open(data: &Path) -> Result<Standstill, ServiceError> {
        let file = data.join("not-recording");
        match std::fs::read_to_string(&file) {
            Ok(why) => Ok(Standstill { file, why: Some(why.trim_end().to_owned()) }),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Standstill { file, why: None }),
            Err(source) => Err(ServiceError::File { what: format!("cannot read {}", file.display()), source }),
        }
    }

    /// Why nothing is recorded.
    pub fn why(&self) -> Option<&str> {
        self.why.as_deref()
    }

    /// From here on nothing is recorded.
    pub fn begin(&mut self, why: &str) {
        if self.why.is_some() {
            return;
        }
        tracing::error!(why, "nothing is recorded from here on; reading goes on");
        self.why = Some(why.to_owned());
        let write = || {
            let mut file = std::fs::File::create(&self.file)?;
            writeln!(file, "{why}")?;
            file.sync_all()
        };
        if let Err(error) = write() {
            // What is in memory holds until the next start, which asks the witnesses and hears the stations again.
            tracing::error!(file = %self.file.display(), %error, "the reason cannot be kept");
        }
    }

    /// An epoch was opened, and is on disk.
    pub fn end(&mut self) {
        if self.why.take().is_some()
            && let Err(error) = std::fs::remove_file(&self.file)
        {
            tracing::error!(file = %self.file.display(), %error, "remove this file: recording goes on");
        }
    }
}
