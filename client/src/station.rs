//! The station: signs cards of facts into the outbox, chained, whether or not there is a network.

use std::collections::HashMap;
use std::io::Write;
use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::{Body, Envelope, Header, Kind, MAX_ENVELOPE_BYTES, REPORT_TYPE, Seen, Signed, Subject};
use rinsebook_proto::journal::{Disk, RealDisk};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, VerifierKey};
use rinsebook_proto::pack::MAX_BLOB_BYTES;
use rinsebook_proto::v1;

use crate::ClientError;
use crate::home::Home;
use crate::outbox::{Item, Outbox};

/// The file with the log key of the first contact, and the one with those that came after it, a line each.
pub const FIRST_LOG_KEY: &str = "log.vkey";
/// See [`FIRST_LOG_KEY`].
pub const LATER_LOG_KEYS: &str = "log-later.vkeys";

/// A fact before it is signed.
#[derive(Debug, Clone)]
pub struct Draft {
    /// When it happened, Unix milliseconds.
    pub happened_ms: u64,
    /// What happened.
    pub kind: Kind,
    /// What it is about; put in order by the station.
    pub subjects: Vec<Subject>,
    /// The envelopes that it acts on.
    pub refers: Vec<Hash>,
}

/// The last word on an envelope.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Receipt {
    /// In the log, at this index, with this entry hash.
    InLog(u64, Hash),
    /// Not taken, for this reason; its place is held.
    Refused(String),
}

/// See the module.
pub struct Station {
    /// Its folder.
    pub home: Home,
    clock: Arc<dyn Clock>,
    outbox: Outbox,
    receipts: HashMap<Hash, Receipt>,
    /// The checkpoint that came with each acknowledgement.
    acknowledged_under: HashMap<Hash, String>,
    run: Id,
    counter: u64,
    previous: Hash,
    record: Hash,
    seen: Seen,
    checkpoint_note: String,
    /// Device clock minus service clock, and when that was measured.
    offset_ms: Option<(i64, u64)>,
}

impl Station {
    /// Opens the folder; a new run begins.
    pub fn open(home: Home, clock: Arc<dyn Clock>) -> Result<Station, ClientError> {
        Station::open_on(home, clock, Arc::new(RealDisk))
    }

    /// As [`Station::open`], with the outbox on a disk of the caller's.
    pub fn open_on(home: Home, clock: Arc<dyn Clock>, disk: Arc<dyn Disk>) -> Result<Station, ClientError> {
        let outbox = Outbox::open_on(&home.path("outbox"), disk)?;
        let (receipts, acknowledged_under) = read_receipts(&home)?;
        let checkpoint_note = home.text("checkpoint")?.unwrap_or_default();
        let seen = match Checkpoint::read_unverified(&checkpoint_note) {
            // It was verified before it was written here.
            Ok(c) => Seen { epoch: epoch_of(&c.origin), size: c.size, root: c.root },
            Err(_) => Seen::nothing(),
        };
        let record = home.text("record")?.and_then(|t| Hash::from_hex(t.trim_end())).unwrap_or(Hash::ZERO);
        let previous = outbox.items().last().map_or(Hash::ZERO, Item::hash);
        Ok(Station {
            home,
            clock,
            outbox,
            receipts,
            acknowledged_under,
            run: Id::random(),
            counter: 0,
            previous,
            record,
            seen,
            checkpoint_note,
            offset_ms: None,
        })
    }

    /// Signs a card: several facts by one deliberate act. When this returns they are synced here.
    pub fn sign_card(&mut self, signer: &SigningKey, drafts: Vec<Draft>) -> Result<Vec<Hash>, ClientError> {
        self.sign_linked(signer, drafts.into_iter().map(|draft| (draft, Vec::new())).collect())
    }

    /// Signs a card whose facts act on earlier ones of the same card too, named by their places on it.
    pub fn sign_linked(
        &mut self,
        signer: &SigningKey,
        drafts: Vec<(Draft, Vec<usize>)>,
    ) -> Result<Vec<Hash>, ClientError> {
        let card = (drafts.len() > 1).then(Id::random);
        let author_key = key::key_id(&signer.verifying_key());
        let mut items: Vec<Item> = Vec::with_capacity(drafts.len());
        let (mut counter, mut previous) = (self.counter, self.previous);
        for (mut draft, earlier) in drafts {
            if self.record == Hash::ZERO && !matches!(draft.kind, Kind::RecordFounded(_)) {
                return Err(ClientError::Usage(
                    "this station has not joined a record yet, so nothing was signed; run `rinsebook sync` once where \
                     the service can be reached"
                        .to_owned(),
                ));
            }
            for place in earlier {
                let named =
                    items.get(place).ok_or_else(|| ClientError::Usage("a fact names a later one".to_owned()))?;
                draft.refers.push(named.hash());
            }
            let header = self.header(&draft, author_key, card, counter, previous);
            let fact = Signed::sign(header, draft.kind, signer);
            readable(&fact)?;
            previous = fact.hash();
            items.push(Item { run: self.run, counter, envelope: fact.bytes().to_vec() });
            counter += 1;
        }
        self.append(items)
    }

    /// Saves envelopes as they are and goes on behind them.
    pub fn append(&mut self, items: Vec<Item>) -> Result<Vec<Hash>, ClientError> {
        let hashes: Vec<Hash> = items.iter().map(Item::hash).collect();
        let next = items.last().map(|last| (last.run, last.counter + 1, last.hash()));
        self.outbox.append(items)?;
        if let Some((run, counter, hash)) = next
            && run == self.run
        {
            self.counter = counter;
            self.previous = hash;
        }
        Ok(hashes)
    }

    fn header(&self, draft: &Draft, author_key: Hash, card: Option<Id>, counter: u64, previous: Hash) -> Header {
        let mut subjects = draft.subjects.clone();
        subjects.sort();
        subjects.dedup();
        let founding = matches!(draft.kind, Kind::RecordFounded(_));
        Header {
            record: if founding { Hash::ZERO } else { self.record },
            device: self.home.device,
            run: self.run,
            counter,
            previous,
            author_key,
            happened_ms: draft.happened_ms,
            recorded_ms: self.clock.wall_ms(),
            clock_offset_ms: self.offset_ms.map(|(offset, _)| offset),
            clock_measured_ms: self.offset_ms.map(|(_, at)| at),
            seen: self.seen,
            card,
            subjects,
            refers: draft.refers.clone(),
        }
    }

    /// Begins a new run, as after a fork.
    pub fn new_run(&mut self) {
        self.run = Id::random();
        self.counter = 0;
    }

    /// Keeps the bytes of an annex (with a random salt) or attachment until the service has them; gives the digest.
    pub fn keep_blob(&self, content: &[u8], annex: bool) -> Result<Hash, ClientError> {
        let salt = if annex { Id::random().to_vec() } else { Vec::new() };
        self.keep(&v1::Blob { salt, content: content.to_vec() })
    }

    /// Keeps a blob as it is; an error where no service would take it, so that nothing is signed that names it.
    pub fn keep(&self, v1::Blob { salt, content }: &v1::Blob) -> Result<Hash, ClientError> {
        let salt_bytes = u8::try_from(salt.len()).ok().filter(|bytes| matches!(bytes, 0 | 16));
        let salt_bytes = salt_bytes
            .ok_or_else(|| ClientError::Usage(format!("a salt has 16 bytes, or none, and this one {}", salt.len())))?;
        if !(1..=MAX_BLOB_BYTES).contains(&content.len()) {
            let why = format!(
                "a text or file of {} bytes cannot be kept: it needs 1 to {MAX_BLOB_BYTES}; leave an empty one out, make a \
                 large one smaller",
                content.len(),
            );
            return Err(ClientError::Usage(why));
        }
        let digest = Hash::of_parts(&[salt, content]);
        let dir = self.home.path("blobs");
        std::fs::create_dir_all(&dir).map_err(ClientError::file("cannot make the blobs folder"))?;
        let bytes = [&[salt_bytes][..], salt, content].concat();
        self.home.replace(&format!("blobs/{digest}"), &bytes)?;
        Ok(digest)
    }

    /// A blob that was kept.
    pub fn blob(&self, digest: &Hash) -> Option<v1::Blob> {
        self.home.blob(digest)
    }

    /// Digests of the annexes kept here: blobs with a salt.
    pub fn annexes(&self) -> Result<Vec<Hash>, ClientError> {
        let entries = match std::fs::read_dir(self.home.path("blobs")) {
            Ok(entries) => entries,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(ClientError::file("cannot read the blobs folder")(error)),
        };
        let digest = |entry: std::io::Result<std::fs::DirEntry>| Hash::from_hex(entry.ok()?.file_name().to_str()?);
        let annex = |digest: &Hash| self.blob(digest).is_some_and(|blob| !blob.salt.is_empty());
        Ok(entries.filter_map(digest).filter(annex).collect())
    }

    /// Takes an erased annex away, with what an unfinished write may have left of it; synced when this returns.
    pub fn forget(&self, digest: &Hash) -> Result<(), ClientError> {
        let dir = self.home.path("blobs");
        let remove = |name: String| match std::fs::remove_file(dir.join(name)) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
            _ => Ok(()),
        };
        remove(digest.to_string())
            .and_then(|()| remove(format!("{digest}.part")))
            .and_then(|()| std::fs::File::open(&dir)?.sync_all())
            .map_err(ClientError::file(format!("cannot remove the erased annex {digest} from {}", dir.display())))
    }

    /// Envelopes without a receipt, in order.
    pub fn unsent(&self) -> Vec<Item> {
        self.outbox.items().iter().filter(|item| !self.receipts.contains_key(&item.hash())).cloned().collect()
    }

    /// Every envelope that this device signed, in order.
    pub fn outbox_items(&self) -> &[Item] {
        self.outbox.items()
    }

    /// What became of an envelope.
    pub fn receipt(&self, envelope: &Hash) -> Option<&Receipt> {
        self.receipts.get(envelope)
    }

    /// The device's signed word on itself.
    pub fn report(&self) -> Result<Vec<u8>, ClientError> {
        let head = self.outbox.items().last();
        let newest = self.receipts.values().filter_map(|r| match r {
            Receipt::InLog(index, hash) => Some((*index, *hash)),
            Receipt::Refused(_) => None,
        });
        let newest = newest.max_by_key(|(index, _)| *index);
        let report = v1::Report {
            record: self.record.to_vec(),
            device: self.home.device.to_vec(),
            run: self.run.to_vec(),
            made_ms: self.clock.wall_ms(),
            unsent: self.unsent().len() as u64,
            head: head.map(|item| item.hash().to_vec()).unwrap_or_default(),
            head_run: head.map(|item| item.run.to_vec()).unwrap_or_default(),
            head_counter: head.map_or(0, |item| item.counter),
            lost: Vec::new(),
            clock_offset_ms: self.offset_ms.map(|(offset, _)| offset),
            checkpoint_note: self.checkpoint_note.clone(),
            receipt_index: newest.map(|(index, _)| index),
            receipt_entry_hash: newest.map(|(_, hash)| hash.to_vec()).unwrap_or_default(),
        };
        let payload = prost::Message::encode_to_vec(&report);
        Ok(Envelope::sign(payload, REPORT_TYPE, &self.home.report_key()?).bytes().to_vec())
    }

    /// Takes note of outcomes, on disk before they are believed; `note` is the checkpoint that covers those in the log.
    pub fn store_receipts(&mut self, receipts: Vec<(Hash, Receipt)>, note: &str) -> Result<(), ClientError> {
        let encoded = BASE64.encode(note);
        let line = |(envelope, receipt): &(Hash, Receipt)| match receipt {
            Receipt::InLog(index, hash) => format!("{envelope} in-log {index} {hash} {encoded}\n"),
            Receipt::Refused(why) => format!("{envelope} refused {}\n", why.replace('\n', " ")),
        };
        self.append_receipts(&receipts.iter().map(line).collect::<String>())?;
        let in_log = receipts.iter().filter(|(_, receipt)| matches!(receipt, Receipt::InLog(..)));
        self.acknowledged_under.extend(in_log.map(|(envelope, _)| (*envelope, note.to_owned())));
        self.receipts.extend(receipts);
        Ok(())
    }

    fn append_receipts(&self, text: &str) -> Result<(), ClientError> {
        let write = || {
            let mut file =
                std::fs::OpenOptions::new().create(true).append(true).open(self.home.path("receipts.log"))?;
            file.write_all(text.as_bytes())?;
            file.sync_data()
        };
        write().map_err(ClientError::file("cannot write the receipts"))
    }

    /// The checkpoint that came with an envelope's acknowledgement: the service's own word on it.
    pub fn acknowledged_under(&self, envelope: &Hash) -> Option<&str> {
        self.acknowledged_under.get(envelope).map(String::as_str)
    }

    /// Where the proof of an envelope's entry is kept.
    pub fn proof_file(&self, envelope: &Hash) -> std::path::PathBuf {
        self.home.path("proofs").join(format!("{envelope}.tlog-proof"))
    }

    /// The log's keys as this station came to know them, from the first contact on.
    pub fn log_keys(&self) -> Result<Vec<VerifierKey>, ClientError> {
        log_keys(&self.home)
    }

    /// An epoch was opened on what was put back, so many entries: what an earlier epoch acknowledged beyond them is without
    /// a receipt again, and is sent again. What was seen of the log is what was kept of it.
    pub fn lost_beyond(&mut self, kept: u64, epoch: u32) -> Result<(), ClientError> {
        let of_lost_epoch = |envelope: &Hash| {
            let origin = self.acknowledged_under.get(envelope).and_then(|note| note.lines().next());
            origin.is_none_or(|origin| epoch_of(origin) < epoch)
        };
        let lost = |(envelope, receipt): (&Hash, &Receipt)| match receipt {
            Receipt::InLog(index, _) if *index >= kept && of_lost_epoch(envelope) => Some(*envelope),
            _ => None,
        };
        let lost: Vec<Hash> = self.receipts.iter().filter_map(lost).collect();
        self.append_receipts(&lost.iter().map(|envelope| format!("{envelope} lost {epoch}\n")).collect::<String>())?;
        for envelope in lost {
            self.receipts.remove(&envelope);
            self.acknowledged_under.remove(&envelope);
        }
        if self.seen.size > kept {
            // Nothing can prove a past that is gone; the custodian's fact says that it is.
            self.home.replace("checkpoint", b"")?;
            self.checkpoint_note.clear();
            self.seen = Seen::nothing();
        }
        Ok(())
    }

    /// Moves on to a checkpoint that was verified and proved consistent with the one before.
    pub fn saw(&mut self, note: &str, checkpoint: &Checkpoint) -> Result<(), ClientError> {
        self.home.replace("checkpoint", note.as_bytes())?;
        note.clone_into(&mut self.checkpoint_note);
        self.seen = Seen { epoch: epoch_of(&checkpoint.origin), size: checkpoint.size, root: checkpoint.root };
        Ok(())
    }

    /// The newest checkpoint proved.
    pub fn seen(&self) -> Seen {
        self.seen
    }

    /// Fixes the record that this station writes to.
    pub fn joins(&mut self, record: Hash) -> Result<(), ClientError> {
        if self.record != Hash::ZERO && self.record != record {
            return Err(ClientError::Diverged("the service keeps another record than this station's".to_owned()));
        }
        if self.record == Hash::ZERO {
            self.home.replace("record", record.to_string().as_bytes())?;
            self.record = record;
        }
        Ok(())
    }

    /// Measures the clock against the service's.
    pub fn measured(&mut self, service_time_ms: u64) {
        let now = self.clock.wall_ms();
        self.offset_ms = Some((now.wrapping_sub(service_time_ms).cast_signed(), now));
    }

    /// Device clock minus service clock in milliseconds, and when that was measured; none since the program began.
    pub fn clock_offset(&self) -> Option<(i64, u64)> {
        self.offset_ms
    }

    /// The record's id; zeros before the station has joined one.
    pub fn record(&self) -> Hash {
        self.record
    }

    /// The run, and the place of the next fact in it.
    pub fn place(&self) -> (Id, u64, Hash) {
        (self.run, self.counter, self.previous)
    }
}

/// A fact is read back, as everybody will read it, before it is saved.
fn readable(fact: &Signed) -> Result<(), ClientError> {
    let unreadable =
        |why: String| ClientError::Usage(format!("this fact could not be read by anyone: {why}; nothing was signed"));
    let back = Signed::parse(fact.bytes(), MAX_ENVELOPE_BYTES).map_err(|e| unreadable(e.to_string()))?;
    match back.body() {
        Body::Unread(why) => Err(unreadable(why.to_string())),
        Body::Read(_) => Ok(()),
    }
}

fn epoch_of(origin: &str) -> u32 {
    origin.rsplit_once('/').and_then(|(_, epoch)| epoch.parse().ok()).unwrap_or(1)
}

type Receipts = (HashMap<Hash, Receipt>, HashMap<Hash, String>);

/// A line that was cut short is passed over: its envelope is sent again and gets the same answer.
fn read_receipts(home: &Home) -> Result<Receipts, ClientError> {
    let text = home.text("receipts.log")?.unwrap_or_default();
    let (mut receipts, mut notes) = (HashMap::new(), HashMap::new());
    for line in text.lines() {
        let mut parts = line.splitn(3, ' ');
        let (Some(envelope), Some(word), Some(rest)) =
            (parts.next().and_then(Hash::from_hex), parts.next(), parts.next())
        else {
            continue;
        };
        match word {
            "in-log" => {
                let mut rest = rest.split(' ');
                let (Some(index), Some(hash)) =
                    (rest.next().and_then(|index| index.parse().ok()), rest.next().and_then(Hash::from_hex))
                else {
                    continue;
                };
                let note = rest.next().and_then(|note| String::from_utf8(BASE64.decode(note).ok()?).ok());
                receipts.insert(envelope, Receipt::InLog(index, hash));
                notes.extend(note.map(|note| (envelope, note)));
            }
            "refused" => {
                receipts.insert(envelope, Receipt::Refused(rest.to_owned()));
            }
            "lost" => {
                receipts.remove(&envelope);
                notes.remove(&envelope);
            }
            _ => {}
        }
    }
    Ok((receipts, notes))
}

/// The log's keys that a station's folder holds, in their order: see [`Station::log_keys`].
pub(crate) fn log_keys(home: &Home) -> Result<Vec<VerifierKey>, ClientError> {
    let text = [home.text(FIRST_LOG_KEY)?, home.text(LATER_LOG_KEYS)?].into_iter().flatten();
    let text: String = text.map(|text| text + "\n").collect();
    let key = |line: &str| {
        VerifierKey::parse(line).map_err(|e| ClientError::Key { what: FIRST_LOG_KEY.to_owned(), why: e.to_string() })
    };
    text.lines().filter(|line| !line.is_empty()).map(key).collect()
}

#[cfg(test)]
mod tests {
    use rinsebook_proto::clock::ScriptedClock;

    use super::*;

    #[test]
    fn only_what_a_service_takes_is_kept_for_it() {
        let dir = tempfile::tempdir().unwrap();
        let home = Home::create(&dir.path().join("s"), "s", "https://localhost:1", "no certificate").unwrap();
        let station = Station::open(home, Arc::new(ScriptedClock::at(1_000))).unwrap();
        let blob = |salt, content| v1::Blob { salt: vec![1; salt], content: vec![2; content] };
        for (salt, content) in [(0, 0), (16, 0), (0, MAX_BLOB_BYTES + 1), (15, 9), (256, 9), (272, 9)] {
            let told = station.keep(&blob(salt, content));
            assert!(matches!(told, Err(ClientError::Usage(_))), "{salt} and {content}: {told:?}");
        }
        for (salt, content) in [(0, 1), (16, MAX_BLOB_BYTES)] {
            let kept = station.keep(&blob(salt, content)).unwrap();
            assert_eq!(station.blob(&kept), Some(blob(salt, content)));
        }
    }

    #[test]
    fn a_station_that_has_joined_no_record_signs_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let home = Home::create(&dir.path().join("s"), "s", "https://localhost:1", "no certificate").unwrap();
        let mut station = Station::open(home, Arc::new(ScriptedClock::at(1_000))).unwrap();
        let kind = Kind::Remark(v1::Remark { text: None });
        let draft = Draft { happened_ms: 1_000, kind, subjects: vec![Subject::Wash(Id([1; 16]))], refers: vec![] };
        let signer = key::generate();
        let why = station.sign_card(&signer, vec![draft.clone()]).unwrap_err().to_string();
        assert!(why.contains("rinsebook sync"), "{why}");
        assert!(station.outbox_items().is_empty());
        station.joins(Hash([1; 32])).unwrap();
        station.sign_card(&signer, vec![draft]).unwrap();
        assert_eq!(station.outbox_items().len(), 1);
    }
}
