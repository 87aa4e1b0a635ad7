//! Folders as a whole.

use std::path::Path;

/// Copies all that lies in a folder; panics where it cannot, since a test goes on from nothing half copied.
pub fn copy_dir(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let (from, to) = (entry.path(), to.join(entry.file_name()));
        if from.is_dir() {
            copy_dir(&from, &to);
        } else {
            std::fs::copy(&from, &to).unwrap();
        }
    }
}
