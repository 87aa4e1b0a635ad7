//! Erasures carried out: what custodians erased goes from the folder of blobs once their fact is synced, and again at
//! every start, since a folder put back from a backup may hold it once more.
//!
//! A fact that names an erased annex is admitted without it. The alternative, to ask for the bytes, would hold up
//! everything behind that fact for ever: its station may have no copy any more, and must not send one. The verifier
//! takes the same view: an annex may be missing wherever a custodian's fact erased it, before or after.

use rinsebook_proto::fact::{self, BlobNamed, Signed};
use rinsebook_proto::rules::Enrolments;
use rinsebook_proto::v1::{self, RefusalReason, outcome};

use crate::blobs::Blobs;
use crate::refusal;

/// See the module.
pub struct Erasing {
    blobs: Blobs,
    keep_signer_name_years: u32,
    /// Something in the log may have changed what is erased.
    due: bool,
}

impl Erasing {
    /// Nothing carried out yet.
    pub fn new(blobs: Blobs, keep_signer_name_years: u32) -> Erasing {
        Erasing { blobs, keep_signer_name_years, due: true }
    }

    /// What people with custody said has changed: look again once it is synced.
    pub fn roster_moved(&mut self) {
        self.due = true;
    }

    /// Carries out what is in the log; how many files it took away. Only what is synced may be handed in: a file that is
    /// gone cannot be put back where the fact behind it was lost.
    ///
    /// What cannot be removed is out of reach all the same, is tried again with the next group, and at the next start.
    pub fn carry_out(&mut self, enrolments: &Enrolments) -> u64 {
        if !self.due {
            return 0;
        }
        let erased = enrolments.erased(self.keep_signer_name_years);
        let (removed, result) = self.blobs.erase(erased.into_values().cloned().collect());
        if removed > 0 {
            tracing::info!(removed, "annexes were erased, as a custodian's fact says");
        }
        match result {
            Ok(()) => self.due = false,
            Err(error) => {
                tracing::error!(%error, "an annex that a custodian erased cannot be removed; it is tried again")
            }
        }
        removed
    }

    /// What the sender of an erasure is told: what of it has no effect, and why. Said to the log of the program too.
    pub fn notes(&self, fact: &Signed, enrolments: &Enrolments) -> Vec<String> {
        let Some(fact::Kind::AnnexErased(asked)) = fact.kind() else { return Vec::new() };
        let hash = fact.hash();
        let judged = enrolments.erasures().all().iter().filter(|erasure| erasure.fact == hash);
        let judged: Vec<_> = judged.collect();
        let mut notes: Vec<String> =
            judged.iter().filter_map(|erasure| erasure.why_not(self.keep_signer_name_years)).collect();
        if judged.is_empty() && !asked.digests.is_empty() {
            notes.push(
                "Nothing is erased: its signer has no custody in this record; a custodian has to say it".to_owned(),
            );
        }
        for note in &notes {
            tracing::warn!(fact = %hash, "an erasure is without effect: {note}");
        }
        notes
    }

    /// Asks for what a fact names and nobody has sent; nothing where all is there that has to be.
    pub fn missing(&self, fact: &Signed) -> Option<outcome::Result> {
        let named = fact.kind().map(fact::blobs_named).unwrap_or_default();
        let erased = |blob: &BlobNamed| matches!(blob, BlobNamed::Annex(digest) if self.blobs.erased(digest).is_some());
        let wanted: Vec<BlobNamed> =
            named.into_iter().filter(|blob| !self.blobs.holds(*blob) && !erased(blob)).collect();
        if wanted.is_empty() {
            return None;
        }
        let other_form = wanted.iter().find(|blob| self.blobs.holds_other_form(**blob));
        let detail = other_form.map(|blob| {
            let (digest, salt_bytes) = (blob.digest(), blob.salt_bytes());
            format!("what is kept as {digest} has another salt than the fact says; send it with a salt of {salt_bytes} bytes")
        });
        Some(outcome::Result::Refused(v1::Refused {
            missing_digests: wanted.iter().map(|blob| blob.digest().to_vec()).collect(),
            ..refusal::unrecorded(RefusalReason::BlobMissing, &detail.unwrap_or_default())
        }))
    }
}
