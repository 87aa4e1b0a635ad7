//! A pack, checked with nothing but its bytes and a log key that the verifier brings. What is asked, in this order; the
//! first that fails is told under its word, see [`super`]:
//!
//! | word | asks |
//! |---|---|
//! | `pack` | the file is in the exact form, and its sum fits |
//! | `head` | it begins with the service's fresh facts "pack issued", all parts of one |
//! | `link` | from there back, every entry about their subjects is there: each named by a later one, with its hash; places of runs do not contradict one another (`device chain`) |
//! | `chain` | neighbours name one another, time received never runs backwards, and the founding fact is entry 0 |
//! | `signature` | as in a whole log |
//! | `root` | every entry, and the state of the log that every signer names as seen, is proved under the checkpoint; that is signed by the log key, and by the witnesses that were named (`cosignature`) |
//! | `blob` | annexes and attachments are what facts name; no attachment is missing, no annex without a fact that says so or that it was held back |
//! | `assessment` | each recorded answer is derived again, word for word, from the facts in the pack |

mod answers;
mod heads;
mod report;
mod runs;
mod views;

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{BlobNamed, Kind, MAX_ENVELOPE_BYTES, MAX_SERVICE_ENVELOPE_BYTES, Signed, blobs_named};
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::pack::{Pack, PackedBlob};
use rinsebook_proto::rules::erasures::KEEP_SIGNER_NAME_YEARS;
use rinsebook_proto::rules::{Recorded, SignatureState};
use rinsebook_proto::succession::{Before, LogKeys};
use rinsebook_proto::tree::{leaf_hash, verify_inclusion};
use rinsebook_proto::v1;

use super::erased::{Annexes, erased};
use super::held::fits_before;
use super::keys::Keys;
use super::{Fault, Policy, Wrong};
pub use answers::Open;
pub use report::PackGood;

/// What a pack's verification goes by.
#[derive(Debug, Clone, Copy)]
pub struct AskedOfPack<'a> {
    /// The verifier's own. Without it the founding fact's is used, and the pack is proved consistent with itself only.
    pub log_key: Option<&'a VerifierKey>,
    /// Which witnesses must have cosigned its checkpoint.
    pub policy: Option<&'a Policy>,
    /// For so many years a signer's name cannot be erased; as the service is configured.
    pub keep_signer_name_years: u32,
}

impl Default for AskedOfPack<'_> {
    fn default() -> Self {
        Self { log_key: None, policy: None, keep_signer_name_years: KEEP_SIGNER_NAME_YEARS }
    }
}

/// An entry whose fact was read.
struct Item {
    entry: Entry,
    hash: Hash,
    recorded: Recorded,
}

impl Item {
    fn index(&self) -> u64 {
        self.entry.index
    }

    fn fact(&self) -> &Signed {
        &self.recorded.fact
    }
}

/// What does not hold, and at which entry.
type Found = (Option<u64>, Wrong);

/// Verifies a pack's bytes.
///
/// # Errors
/// [`Fault::Bad`] with the first thing that is wrong.
pub fn pack(bytes: &[u8], asked: &AskedOfPack<'_>) -> Result<PackGood, Fault> {
    let pack = Pack::parse(bytes).map_err(|bad| Fault::Bad {
        check: "pack",
        part: "pack",
        index: None,
        file: None,
        offset: Some(bad.offset as u64),
        why: bad.to_string(),
    })?;
    check(&pack, asked).map_err(|(index, wrong)| Fault::Bad {
        check: wrong.check,
        part: wrong.part,
        index,
        file: None,
        offset: None,
        why: wrong.why,
    })
}

fn check(pack: &Pack, asked: &AskedOfPack<'_>) -> Result<PackGood, Found> {
    let mut items = read(pack)?;
    let head = heads::head(&items)?;
    let beside = heads::links(&items, &head)?;
    // The file runs backwards from its head; everything else is asked in the order of the log.
    items.reverse();
    chain(&items)?;
    let mut good = PackGood { entries: items.len() as u64, beside, ..PackGood::begun(&head) };
    let signed = signatures(&mut items, asked, &mut good)?;
    let issuers = items.iter().rev().take(head.issued.parts as usize);
    if let Some(item) = issuers.into_iter().find(|item| !signed.keys.is_service_device(&item.fact().header().device)) {
        return Err(at(item.index(), "head", "head")("another than the service says that a pack was issued"));
    }
    runs::check(&items, &signed.keys)?;
    proofs(pack, &items, &signed, &mut good)?;
    let cosigned = asked.policy.map(|policy| policy.cosigned(&pack.note)).transpose();
    good.cosignatures = cosigned.map_err(|wrong| (None, wrong))?.unwrap_or_default();
    let cosigned_ms = good.cosignatures.iter().map(|c| c.unix_seconds.saturating_mul(1000));
    // Times never run backwards: what holds for the newest holds for all.
    fits_before(head.issued_ms, cosigned_ms).map_err(at(head.index, "chain", "time received"))?;
    blobs(pack, &items, &signed, asked.keep_signer_name_years, &mut good)?;
    answers::check(pack, &items, &head, &mut good)?;
    Ok(good)
}

fn at<E: std::fmt::Display>(index: u64, check: &'static str, part: &'static str) -> impl Fn(E) -> Found {
    move |why| (Some(index), Wrong::of(check, part)(why))
}

fn read(pack: &Pack) -> Result<Vec<Item>, Found> {
    let item = |proved: &rinsebook_proto::pack::Proved| {
        let entry = proved.entry.clone();
        let fact =
            Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).map_err(at(entry.index, "signature", "fact"))?;
        let recorded = Recorded {
            index: entry.index,
            received_ms: entry.received_ms,
            clock_unsure: entry.clock_unsure,
            fact: Arc::new(fact),
            signature: SignatureState::Unchecked,
        };
        Ok(Item { hash: leaf_hash(&proved.data), entry, recorded })
    };
    pack.entries.iter().map(item).collect()
}

/// What holds between neighbours, and along the whole.
fn chain(items: &[Item]) -> Result<(), Found> {
    let first = &items[0];
    if first.index() != 0 || !matches!(first.fact().kind(), Some(Kind::RecordFounded(_))) {
        return Err(at(first.index(), "chain", "founding")("the founding fact, entry 0, is not in it"));
    }
    if first.entry.previous != Hash::ZERO {
        return Err(at(0, "chain", "previous entry")("the first entry names one before it"));
    }
    for pair in items.windows(2) {
        let [earlier, later] = pair else { continue };
        let index = later.index();
        if later.entry.received_ms < earlier.entry.received_ms {
            return Err(at(index, "chain", "time received")("it came before an entry that stands before it"));
        }
        if earlier.index() + 1 == index && later.entry.previous != earlier.hash {
            return Err(at(index, "chain", "previous entry")("it does not name the hash of the entry before"));
        }
    }
    Ok(())
}

/// Who is who, once every signature was looked at.
struct SignedBy {
    keys: Keys,
    log_keys: LogKeys,
    /// Entries whose signature holds.
    hold: BTreeSet<u64>,
}

fn signatures(items: &mut [Item], asked: &AskedOfPack<'_>, good: &mut PackGood) -> Result<SignedBy, Found> {
    let Some(Kind::RecordFounded(founded)) = items[0].fact().kind().cloned() else { unreachable!("asked before") };
    let log_keys = LogKeys::founded(&founded).map_err(at(0, "root", "log key"))?;
    let mut signed = SignedBy { keys: Keys::default(), log_keys, hold: BTreeSet::new() };
    let record = items[0].fact().hash();
    good.record = record;
    signed.keys.found(&items[0].recorded, &founded);
    for item in items.iter_mut() {
        signed.take(item, record, good)?;
    }
    // A key may have been enrolled after facts of its came: these are read once more in the end.
    for item in items.iter_mut() {
        if signed.hold.contains(&item.recorded.index) {
            continue;
        }
        let key = signed.keys.get(&item.fact().header().author_key);
        if key.is_some_and(|key| item.fact().signed_by(&key)) {
            item.recorded.signature = SignatureState::Good;
            signed.hold.insert(item.index());
        }
    }
    good.signatures = signed.hold.len() as u64;
    good.unread = items.len() as u64 - good.signatures;
    good.origin_proved = match asked.log_key {
        Some(brought) if signed.log_keys.all().contains(brought) => true,
        Some(_) => {
            return Err(at(0, "root", "log key")("none of the keys that signed this log is the one given"));
        }
        None => false,
    };
    Ok(signed)
}

impl SignedBy {
    fn take(&mut self, item: &mut Item, record: Hash, good: &mut PackGood) -> Result<(), Found> {
        let index = item.index();
        let bad = |part| move |why: &'static str| at(index, "signature", part)(why);
        let header = item.fact().header();
        let from_service = self.keys.is_service_device(&header.device);
        if from_service != self.keys.is_service(&header.author_key) {
            return Err(bad("service")("the service's key and device do not go together"));
        }
        if header.record != if index == 0 { Hash::ZERO } else { record } {
            return Err(bad("record")("it is signed for another record"));
        }
        let recovery = self.keys.by_recovery_key(item.fact());
        match self.keys.get(&header.author_key) {
            Some(key) if !item.fact().signed_by(&key) => {
                return Err(bad("signature")("it does not hold under the key that the fact names"));
            }
            None if index == 0 => return Err(bad("founding")("it does not prove the key that signed it")),
            None if !recovery => {
                self.device(item, from_service)?;
                self.roster(item);
                return Ok(());
            }
            _ => {}
        }
        item.recorded.signature = SignatureState::Good;
        self.hold.insert(index);
        self.device(item, from_service)?;
        if from_service {
            self.keys.overhear(&item.recorded);
            return self.report(item, good);
        }
        if index > 0 {
            self.roster(item);
        }
        Ok(())
    }

    fn device(&self, item: &Item, from_service: bool) -> Result<(), Found> {
        if from_service {
            return Ok(());
        }
        if item.fact().bytes().len() > MAX_ENVELOPE_BYTES {
            return Err(at(item.index(), "signature", "size")("it is larger than a device's fact may be"));
        }
        self.keys.device_holds(&item.fact().header().device).map_err(at(item.index(), "signature", "device"))
    }

    fn report(&self, item: &Item, good: &mut PackGood) -> Result<(), Found> {
        let (report, about) = match item.fact().kind() {
            Some(Kind::DeviceReported(b)) => (&b.report, None),
            Some(Kind::PlacesLost(b)) => (&b.report, Some(b.device.as_slice())),
            _ => return Ok(()),
        };
        self.keys.check_report(report, about).map_err(at(item.index(), "signature", "report"))?;
        good.reports += 1;
        Ok(())
    }

    /// What a custodian says of people, of the log's keys, of annexes.
    fn roster(&mut self, item: &Item) {
        let known = self.keys.successions().len();
        self.keys.note(&item.recorded);
        for succession in self.keys.successions_since(known) {
            // What does not fit changes nothing; the checkpoint then shows which key was in force.
            let _ = self.log_keys.follow(succession, Before { size: item.index(), root: None });
        }
    }
}

/// Every entry and every view under the checkpoint.
fn proofs(pack: &Pack, items: &[Item], signed: &SignedBy, good: &mut PackGood) -> Result<(), Found> {
    let whole = |part, why: String| (None, Wrong::of("root", part)(why));
    let checkpoint = signed.log_keys.open(&pack.note).map_err(|e| whole("checkpoint", e.to_string()))?;
    for (item, proved) in items.iter().zip(pack.entries.iter().rev()) {
        verify_inclusion(&item.hash, item.index(), checkpoint.size, &proved.proof, &checkpoint.root).map_err(at(
            item.index(),
            "root",
            "inclusion",
        ))?;
    }
    (good.views, good.seen_otherwise) = views::check(pack, items, signed, &checkpoint)?;
    good.checkpoint = Some(checkpoint);
    Ok(())
}

/// What facts name beside the log.
fn blobs(pack: &Pack, items: &[Item], signed: &SignedBy, keep_years: u32, good: &mut PackGood) -> Result<(), Found> {
    let gone = signed.keys.erasures().effective(keep_years);
    let packed: BTreeSet<(Hash, bool)> = pack.blobs.iter().map(PackedBlob::name).collect();
    let mut unnamed = packed.clone();
    for item in items {
        for named in item.fact().kind().map(blobs_named).unwrap_or_default() {
            let name = (named.digest(), named.salt_bytes() > 0);
            unnamed.remove(&name);
            match named {
                _ if packed.contains(&name) => good.blobs += 1,
                BlobNamed::Attachment(digest) => {
                    let why = format!("the attachment {digest} that it names is not there");
                    return Err(at(item.index(), "blob", "blob")(why));
                }
                BlobNamed::Annex(digest) if gone.contains_key(&digest) => {}
                BlobNamed::Annex(_) => good.held_back += 1,
            }
        }
    }
    good.erased = erased(&signed.keys, keep_years, &Packed(&pack.blobs));
    match unnamed.first() {
        Some((digest, salted)) => {
            let what = if *salted { "annex" } else { "attachment" };
            Err((None, Wrong::of("blob", "blob")(format!("the {what} {digest} is there and no fact names it"))))
        }
        None => Ok(()),
    }
}

/// The annexes in the pack.
struct Packed<'p>(&'p [PackedBlob]);

impl Packed<'_> {
    fn find(&self, digest: &Hash) -> Option<&PackedBlob> {
        self.0.iter().find(|blob| !blob.salt.is_empty() && blob.digest() == *digest)
    }
}

impl Annexes for Packed<'_> {
    fn there(&self, digest: &Hash) -> Option<bool> {
        Some(self.find(digest).is_some())
    }

    fn text(&self, digest: &Hash) -> Option<String> {
        String::from_utf8(self.find(digest)?.content.clone()).ok()
    }
}

/// The texts and assessments in the pack.
fn attachment(pack: &Pack) -> impl Fn(&Hash) -> Option<Vec<u8>> {
    let by_digest: HashMap<Hash, Vec<u8>> =
        pack.blobs.iter().filter(|b| b.salt.is_empty()).map(|b| (b.digest(), b.content.clone())).collect();
    move |digest| by_digest.get(digest).cloned()
}

/// The answer that a service fact speaks of.
fn answered(item: &Item) -> Option<&v1::QuestionAnswered> {
    match item.fact().kind() {
        Some(Kind::QuestionAnswered(answered)) if item.recorded.signature == SignatureState::Good => Some(answered),
        _ => None,
    }
}
