//! Proofs of what a station was told is recorded: asked for once, kept beside its journal, checked offline ever after.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::proof::Proof;
use rinsebook_proto::tree::leaf_hash;
use rinsebook_proto::v1;

use crate::rpc::ledger_client::LedgerClient;
use crate::station::{Receipt, Station};
use crate::{ClientError, remote, trust};

/// What was fetched.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Fetched {
    /// New proofs.
    pub proofs: u64,
    /// There already.
    pub kept: u64,
    /// Envelopes that have no place in the log yet.
    pub without: u64,
}

/// Fetches the proof of every acknowledged envelope that has none yet, under a cosigned checkpoint where there is one.
///
/// # Errors
/// The service cannot be reached; an entry is not the one acknowledged, or not in the log ([`ClientError::Diverged`]).
pub async fn fetch(station: &mut Station) -> Result<Fetched, ClientError> {
    let channel = remote::connect(&station.home).await?;
    let mut ledger = LedgerClient::new(channel.clone());
    std::fs::create_dir_all(station.home.path("proofs")).map_err(ClientError::file("cannot make the proofs folder"))?;
    let mut fetched = Fetched::default();
    let envelopes: Vec<Hash> = station.outbox_items().iter().map(|item| item.hash()).collect();
    for envelope in envelopes {
        let Some(Receipt::InLog(index, entry_hash)) = station.receipt(&envelope).cloned() else {
            fetched.without += 1;
            continue;
        };
        if station.proof_file(&envelope).exists() {
            fetched.kept += 1;
            continue;
        }
        let request = v1::GetInclusionProofRequest { index, size: 0, cosigned: true };
        let answer = ledger.get_inclusion_proof(request).await?.into_inner();
        let checkpoint = trust::open(station, channel.clone(), &answer.checkpoint_note).await?;
        if leaf_hash(&answer.entry) != entry_hash {
            return Err(ClientError::Diverged(format!("entry {index} is another one than was acknowledged")));
        }
        let hashes: Option<Vec<Hash>> = answer.hashes.iter().map(|hash| Hash::from_slice(hash)).collect();
        let hashes = hashes.ok_or_else(|| ClientError::Diverged("a proof is malformed".to_owned()))?;
        let proof = Proof { entry: Some(answer.entry.clone()), index, hashes, note: answer.checkpoint_note };
        proof
            .verify(&answer.entry, &checkpoint)
            .map_err(|e| ClientError::Diverged(format!("entry {index}, which was acknowledged, is not in it: {e}")))?;
        station.home.replace(&format!("proofs/{envelope}.tlog-proof"), proof.to_string().as_bytes())?;
        fetched.proofs += 1;
    }
    Ok(fetched)
}
