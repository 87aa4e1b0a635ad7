//! Passphrases and the keys they open. A passphrase is asked for on the terminal, unseen, or read from a file or from
//! standard input; never from a flag, where everybody on the machine could read it.

use std::io::{BufRead, Read, Write};
use std::path::Path;

use rinsebook_proto::key::{self, SigningKey};
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use zeroize::Zeroizing;

use crate::ClientError;
use crate::home::{read, write_new};

/// The passphrase from a file, from standard input (`-`), or asked for.
pub fn passphrase(file: Option<&Path>) -> Result<Zeroizing<String>, ClientError> {
    let text = match file {
        None => ask("Passphrase: ")?,
        Some(file) if file == Path::new("-") => {
            let mut text = Zeroizing::new(String::new());
            std::io::stdin().read_to_string(&mut text).map_err(ClientError::file("cannot read standard input"))?;
            text
        }
        Some(file) => Zeroizing::new(read(file)?),
    };
    let trimmed = text.trim_end_matches(['\r', '\n']);
    if trimmed.is_empty() {
        return Err(ClientError::Usage("the passphrase is empty; choose one that only you know".to_owned()));
    }
    Ok(Zeroizing::new(trimmed.to_owned()))
}

/// A passphrase for a new key; asked for twice, since nobody sees what they type.
pub fn new_passphrase(file: Option<&Path>) -> Result<Zeroizing<String>, ClientError> {
    let first = passphrase(file)?;
    if file.is_none() && *ask("The same again: ")? != *first {
        return Err(ClientError::Usage("the two were not the same; no key was made".to_owned()));
    }
    Ok(first)
}

/// Makes a key and writes it, encrypted; an existing file is never overwritten.
pub fn new_key(file: &Path, passphrase: &str) -> Result<SigningKey, ClientError> {
    let signer = key::generate();
    let pem = key::to_pem(&signer, passphrase.as_bytes()).map_err(|e| bad(file, e))?;
    write_new(file, pem.as_bytes())?;
    Ok(signer)
}

/// Opens a key file.
pub fn open_key(file: &Path, passphrase_file: Option<&Path>) -> Result<SigningKey, ClientError> {
    // The file first: nobody should type a passphrase for a key that is not there.
    let pem = read(file)?;
    key::from_pem(&pem, passphrase(passphrase_file)?.as_bytes()).map_err(|e| bad(file, e))
}

fn bad(file: &Path, error: key::KeyError) -> ClientError {
    ClientError::Key { what: file.display().to_string(), why: error.to_string() }
}

/// Asks on the terminal itself, so that what is piped in or out does not get in the way.
fn ask(prompt: &str) -> Result<Zeroizing<String>, ClientError> {
    let no_terminal = "there is no terminal to ask on; give --passphrase-file FILE, or - for standard input";
    let terminal = std::fs::OpenOptions::new().read(true).write(true).open("/dev/tty");
    let terminal = terminal.map_err(|_| ClientError::Usage(no_terminal.to_owned()))?;
    let failed = || ClientError::file("cannot ask for the passphrase");
    (&terminal).write_all(prompt.as_bytes()).map_err(failed())?;
    let mut line = Zeroizing::new(String::new());
    {
        let _unseen = Unseen::begin(&terminal).map_err(failed())?;
        std::io::BufReader::new(&terminal).read_line(&mut line).map_err(failed())?;
    }
    (&terminal).write_all(b"\n").map_err(failed())?;
    let typed = line.trim_end_matches(['\r', '\n']).to_owned();
    Ok(Zeroizing::new(typed))
}

/// While it lives the terminal shows nothing that is typed.
struct Unseen<'t> {
    terminal: &'t std::fs::File,
    before: Termios,
}

impl Unseen<'_> {
    fn begin(terminal: &std::fs::File) -> std::io::Result<Unseen<'_>> {
        let before = tcgetattr(terminal)?;
        let mut unseen = before.clone();
        unseen.local_modes.remove(LocalModes::ECHO);
        tcsetattr(terminal, OptionalActions::Flush, &unseen)?;
        Ok(Unseen { terminal, before })
    }
}

impl Drop for Unseen<'_> {
    fn drop(&mut self) {
        // Nothing can be done about a terminal that is gone.
        let _ = tcsetattr(self.terminal, OptionalActions::Now, &self.before);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_opens_with_its_passphrase_alone_and_its_file_is_never_overwritten() {
        let dir = tempfile::tempdir().unwrap();
        let (file, right, wrong) = (dir.path().join("k.pem"), dir.path().join("right"), dir.path().join("wrong"));
        std::fs::write(&right, "a long one\n").unwrap();
        std::fs::write(&wrong, "another one\n").unwrap();
        let made = new_key(&file, &passphrase(Some(&right)).unwrap()).unwrap();
        assert_eq!(open_key(&file, Some(&right)).unwrap().verifying_key(), made.verifying_key());
        assert!(matches!(open_key(&file, Some(&wrong)), Err(ClientError::Key { .. })));
        assert!(matches!(new_key(&file, "x"), Err(ClientError::File { .. })));
        assert_eq!(open_key(&file, Some(&right)).unwrap().verifying_key(), made.verifying_key());
    }

    #[test]
    fn an_empty_passphrase_is_turned_away() {
        let dir = tempfile::tempdir().unwrap();
        let empty = dir.path().join("empty");
        std::fs::write(&empty, "\n").unwrap();
        assert!(passphrase(Some(&empty)).unwrap_err().to_string().contains("empty"));
    }
}
