//! The key that a station proves checkpoints under: taken at the first contact, and followed from there on. Another key is
//! believed because a custodian of this very record says so, in an entry that the checkpoint covers; nobody's word else.

use crate::remote::Channel;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::note::{Checkpoint, NoteError, VerifierKey};
use rinsebook_proto::succession::LogKeys;
use rinsebook_proto::tree::verify_inclusion;
use rinsebook_proto::v1;

use crate::ClientError;
use crate::rpc::ledger_client::LedgerClient;
use crate::station::{FIRST_LOG_KEY, LATER_LOG_KEYS, Station};
use crate::verify::RosterChain;

/// The key in force as far as this station knows.
pub(crate) async fn key(station: &Station, channel: Channel) -> Result<VerifierKey, ClientError> {
    if let Some(known) = station.log_keys()?.pop() {
        return Ok(known);
    }
    let identity = LedgerClient::new(channel).get_identity(v1::GetIdentityRequest {}).await?.into_inner();
    station.home.replace(FIRST_LOG_KEY, identity.verifier_key.as_bytes())?;
    VerifierKey::parse(&identity.verifier_key)
        .map_err(|e| ClientError::Key { what: FIRST_LOG_KEY.to_owned(), why: e.to_string() })
}

/// Opens a checkpoint of this station's log. Where another key signed it than the one known, the change is looked for.
pub(crate) async fn open(station: &mut Station, channel: Channel, note: &str) -> Result<Checkpoint, ClientError> {
    let diverged = |e: NoteError| ClientError::Diverged(e.to_string());
    let known = key(station, channel.clone()).await?;
    match Checkpoint::open(note, std::slice::from_ref(&known)) {
        Ok(checkpoint) if checkpoint.origin == known.name() => Ok(checkpoint),
        Ok(_) | Err(NoteError::Unsigned(_)) => follow(station, channel, note, &known).await,
        Err(error) => Err(diverged(error)),
    }
}

async fn follow(
    station: &mut Station,
    channel: Channel,
    note: &str,
    known: &VerifierKey,
) -> Result<Checkpoint, ClientError> {
    let diverged = |why: String| ClientError::Diverged(why);
    let mut ledger = LedgerClient::new(channel);
    let mut chain = RosterChain::of(station.record());
    let request = v1::ReadEntriesRequest { roster_only: true, ..v1::ReadEntriesRequest::default() };
    let mut entries = ledger.read_entries(request).await?.into_inner();
    while let Some(some) = entries.message().await? {
        some.entries.iter().try_for_each(|data| chain.take(data)).map_err(diverged)?;
    }
    let keys = chain.log_keys().filter(|keys| keys.all().contains(known)).cloned();
    let keys = keys.ok_or_else(|| diverged(format!("it is not signed by {known}, nor by a key that follows it")))?;
    let checkpoint = keys.open(note).map_err(|e| diverged(e.to_string()))?;
    prove_covered(&mut ledger, &chain, &checkpoint).await?;
    let held = station.log_keys()?;
    let later: String =
        keys.all().iter().filter(|key| held.first() != Some(*key)).map(|key| format!("{key}\n")).collect();
    move_epoch(station, &keys)?;
    station.home.replace(LATER_LOG_KEYS, later.as_bytes())?;
    Ok(checkpoint)
}

/// The facts that say so are in the very log that the checkpoint is of.
async fn prove_covered(
    ledger: &mut LedgerClient<Channel>,
    chain: &RosterChain,
    checkpoint: &Checkpoint,
) -> Result<(), ClientError> {
    let (index, leaf) = chain.last();
    let request = v1::GetInclusionProofRequest { index, size: checkpoint.size, cosigned: false };
    let proof = ledger.get_inclusion_proof(request).await?.into_inner();
    let hashes: Option<Vec<Hash>> = proof.hashes.iter().map(|hash| Hash::from_slice(hash)).collect();
    let hashes = hashes.ok_or_else(|| ClientError::Diverged("a proof is malformed".to_owned()))?;
    verify_inclusion(&leaf, index, checkpoint.size, &hashes, &checkpoint.root)
        .map_err(|e| ClientError::Diverged(format!("its custodian's facts are not in it: {e}")))
}

/// In a new epoch, what was acknowledged beyond what was put back is to be sent again.
fn move_epoch(station: &mut Station, keys: &LogKeys) -> Result<(), ClientError> {
    let seen = station.seen();
    match keys.kept_of(seen.epoch) {
        Some(kept) if keys.epoch() > seen.epoch => station.lost_beyond(kept, keys.epoch()),
        _ => Ok(()),
    }
}
