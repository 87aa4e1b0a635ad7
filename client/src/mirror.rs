//! The station's own copy of the log, so that what is open can be derived here while the service cannot be reached.
//!
//! `mirror/entries` holds each entry behind its length (u32, big-endian); `mirror/checkpoint` the checkpoint that they
//! were proved by. Nothing is believed for lying in the folder: each opening checks every entry, the chain through them,
//! every signature and the root, as a verifier does. What does not hold is put away, and copied again at the next sync.
//!
//! Entries go to disk first and the checkpoint after them: what a broken-off copy left behind is cut off.

use std::io::Write;
use std::sync::Arc;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::{Entry, EntryChain};
use rinsebook_proto::fact::{Kind, MAX_SERVICE_ENVELOPE_BYTES, Seen, Signed};
use rinsebook_proto::key::VerifyingKey;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::rules::{History, Recorded, SignatureState};
use rinsebook_proto::tree::Edge;
use rinsebook_proto::v1;

use crate::ClientError;
use crate::brought::Brought;
use crate::home::Home;
use crate::outbox::Outbox;
use crate::remote::Channel;
use crate::rpc::{ledger_client::LedgerClient, records_client::RecordsClient};
use crate::station::{self, Receipt, Station};

const FOLDER: &str = "mirror";
const ENTRIES: &str = "mirror/entries";
const CHECKPOINT: &str = "mirror/checkpoint";

/// See the module.
pub struct Mirror {
    home: Home,
    taken: Taken,
    /// Bytes of `entries` that the checkpoint covers.
    good_bytes: u64,
    put_away: Option<String>,
}

/// Entries that were checked one after another; whether their root is the log's is for the checkpoint to say.
#[derive(Clone, Default)]
struct Taken {
    chain: EntryChain,
    edge: Edge,
    history: History,
    record: Hash,
}

impl Mirror {
    /// Opens the folder and checks all that it holds. What does not hold is put away: see [`Mirror::put_away`].
    pub fn open(home: &Home) -> Result<Mirror, ClientError> {
        let mut mirror = Mirror { home: home.clone(), taken: Taken::default(), good_bytes: 0, put_away: None };
        match mirror.read() {
            Ok(Some((taken, good_bytes))) => (mirror.taken, mirror.good_bytes) = (taken, good_bytes),
            Ok(None) => {}
            Err(why) => mirror.begin_again(why)?,
        }
        Ok(mirror)
    }

    /// How many entries it holds.
    pub fn size(&self) -> u64 {
        self.taken.chain.next_index()
    }

    /// What the entries add up to.
    pub fn history(&self) -> &History {
        &self.taken.history
    }

    /// Why the copy that lay here was not believed; none where it was.
    pub fn put_away(&self) -> Option<&str> {
        self.put_away.as_deref()
    }

    /// The history with what this station signed and the copy does not hold yet behind it, at the next indices: as
    /// received when it was recorded. What was refused is left out. What another tablet showed comes first.
    pub fn with_own(&self, station: &Station, brought: &Brought) -> History {
        let mut history = self.taken.history.clone();
        brought.join(&mut history);
        for item in station.outbox_items() {
            let refused = matches!(station.receipt(&item.hash()), Some(Receipt::Refused(_)));
            if refused || history.by_hash(&item.hash()).is_some() {
                continue;
            }
            let Some(fact) = Outbox::fact(item) else { continue };
            let recorded = Recorded {
                index: history.size(),
                received_ms: fact.header().recorded_ms,
                clock_unsure: false,
                fact: Arc::new(fact),
                signature: SignatureState::Unchecked,
            };
            history.add(recorded, &|digest| self.home.blob(digest).map(|blob| blob.content));
        }
        history
    }

    /// Copies what the log has more, up to the checkpoint that the station has just proved.
    pub async fn advance(&mut self, station: &Station, channel: Channel) -> Result<(), ClientError> {
        let seen = station.seen();
        if self.is_at(&seen) {
            return Ok(());
        }
        if self.size() > 0
            && let Err(why) = self.copy(station, &seen, channel.clone()).await
        {
            // A link that broke off says nothing against the copy.
            if !matches!(why, ClientError::Diverged(_)) {
                return Err(why);
            }
            self.begin_again(why.to_string())?;
        }
        if self.is_at(&seen) { Ok(()) } else { self.copy(station, &seen, channel).await }
    }

    fn is_at(&self, seen: &Seen) -> bool {
        self.size() == seen.size && (seen.size == 0 || self.taken.edge.root() == seen.root)
    }

    /// Nothing of it is kept unless all of it holds.
    async fn copy(&mut self, station: &Station, seen: &Seen, channel: Channel) -> Result<(), ClientError> {
        let mut taken = self.taken.clone();
        let mut more = Vec::new();
        let from_index = self.size();
        if seen.size > from_index {
            let request = v1::ReadEntriesRequest { from_index, limit: seen.size - from_index, roster_only: false };
            let mut entries = LedgerClient::new(channel.clone()).read_entries(request).await?.into_inner();
            while let Some(answer) = entries.message().await? {
                for data in &answer.entries {
                    fetch_text(station, data, channel.clone()).await?;
                    taken.take(data, &self.home).map_err(ClientError::Diverged)?;
                    push(&mut more, data);
                }
            }
        }
        if taken.chain.next_index() != seen.size || taken.edge.root() != seen.root {
            return Err(ClientError::Diverged(
                "the entries do not add up to the checkpoint that was proved".to_owned(),
            ));
        }
        let note = self.home.text("checkpoint")?.unwrap_or_default();
        self.write(&more, &note)?;
        self.taken = taken;
        Ok(())
    }

    fn write(&mut self, more: &[u8], note: &str) -> Result<(), ClientError> {
        let folder = self.home.path(FOLDER);
        let write = || {
            std::fs::create_dir_all(&folder)?;
            let mut file =
                std::fs::OpenOptions::new().create(true).truncate(false).write(true).open(self.home.path(ENTRIES))?;
            file.set_len(self.good_bytes)?;
            std::io::Seek::seek(&mut file, std::io::SeekFrom::End(0))?;
            file.write_all(more)?;
            file.sync_all()
        };
        write().map_err(ClientError::file("cannot write the copy of the log"))?;
        self.home.replace(CHECKPOINT, note.as_bytes())?;
        self.good_bytes += more.len() as u64;
        self.put_away = None;
        Ok(())
    }

    fn begin_again(&mut self, why: String) -> Result<(), ClientError> {
        match std::fs::remove_dir_all(self.home.path(FOLDER)) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                return Err(ClientError::file("cannot put the damaged copy of the log away")(e));
            }
            _ => {}
        }
        (self.taken, self.good_bytes, self.put_away) = (Taken::default(), 0, Some(why));
        Ok(())
    }

    /// What lies in the folder, checked; none where nothing does.
    fn read(&self) -> Result<Option<(Taken, u64)>, String> {
        let text = |name: &str| self.home.text(name).map_err(|e| e.to_string());
        let Some(note) = text(CHECKPOINT)? else { return Ok(None) };
        let log_keys = station::log_keys(&self.home).map_err(|e| e.to_string())?;
        let checkpoint = Checkpoint::open(&note, &log_keys).map_err(|e| e.to_string())?;
        let bytes = std::fs::read(self.home.path(ENTRIES)).map_err(|e| e.to_string())?;
        let (mut taken, mut rest) = (Taken::default(), bytes.as_slice());
        while taken.chain.next_index() < checkpoint.size {
            let data = pull(&mut rest).ok_or("it is cut short")?;
            taken.take(data, &self.home)?;
        }
        if taken.edge.root() != checkpoint.root {
            return Err("its entries do not add up to its checkpoint".to_owned());
        }
        Ok(Some((taken, (bytes.len() - rest.len()) as u64)))
    }
}

impl Taken {
    /// Takes the next entry, if it fits in every way that can be told without the entries after it.
    fn take(&mut self, data: &[u8], home: &Home) -> Result<(), String> {
        let entry = Entry::decode(data).map_err(|e| e.to_string())?;
        let wrong = |why: &str| format!("entry {}: {why}", entry.index);
        let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(|e| wrong(&e.to_string()))?;
        let hash = self.chain.check(&entry, data, &fact.header().subjects).map_err(|e| wrong(&e.to_string()))?;
        self.edge.push(hash);
        if entry.index == 0 {
            self.record = fact.hash();
        } else if fact.header().record != self.record {
            return Err(wrong("it is signed for another record"));
        }
        if text_named(&fact).is_some_and(|digest| home.blob(&digest).is_none()) {
            return Err(wrong("the procedure's text that it names is not here, or damaged"));
        }
        let signature = match self.signer(&fact) {
            Some(key) if fact.signed_by(&key) => SignatureState::Good,
            Some(_) => return Err(wrong("its signature does not hold")),
            // Facts may come before their signer's key: the history checks them once it is there.
            None => SignatureState::Unchecked,
        };
        let (fact, index) = (Arc::new(fact), entry.index);
        let recorded =
            Recorded { index, received_ms: entry.received_ms, clock_unsure: entry.clock_unsure, fact, signature };
        self.history.add(recorded.clone(), &|digest| home.blob(digest).map(|blob| blob.content));
        // The founding fact brings the key that it is signed with.
        if index == 0 && !self.signer(&recorded.fact).is_some_and(|key| recorded.fact.signed_by(&key)) {
            return Err("entry 0: it does not prove the key that signed it".to_owned());
        }
        Ok(())
    }

    fn signer(&self, fact: &Signed) -> Option<VerifyingKey> {
        self.history.roster().public_key(&fact.header().author_key)
    }
}

/// The text of a procedure that the fact publishes: nothing can be derived without it.
fn text_named(fact: &Signed) -> Option<Hash> {
    match fact.kind() {
        Some(Kind::ProcedurePublished(published)) => Hash::from_slice(&published.text.as_ref()?.digest),
        _ => None,
    }
}

async fn fetch_text(station: &Station, data: &[u8], channel: Channel) -> Result<(), ClientError> {
    let entry = Entry::decode(data).map_err(|e| ClientError::Diverged(e.to_string()))?;
    let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).ok();
    let Some(digest) = fact.as_ref().and_then(text_named) else { return Ok(()) };
    if station.blob(&digest).is_some() {
        return Ok(());
    }
    // A text is an attachment: other bytes than those would go by the same digest as an annex.
    let request = v1::GetBlobRequest { digest: digest.to_vec(), salted: Some(false) };
    let blob = RecordsClient::new(channel).get_blob(request).await?.into_inner();
    station.keep(&v1::Blob { salt: blob.salt, content: blob.content }).map(|_| ())
}

fn push(out: &mut Vec<u8>, data: &[u8]) {
    let length = u32::try_from(data.len()).expect("an entry has 65,535 bytes at the most");
    out.extend_from_slice(&length.to_be_bytes());
    out.extend_from_slice(data);
}

fn pull<'b>(rest: &mut &'b [u8]) -> Option<&'b [u8]> {
    let (length, after) = rest.split_first_chunk::<4>()?;
    let (data, after) = after.split_at_checked(usize::try_from(u32::from_be_bytes(*length)).ok()?)?;
    *rest = after;
    Some(data)
}

#[cfg(test)]
mod tests;
