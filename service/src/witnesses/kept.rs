//! What witnesses have cosigned, and which checkpoint is shown for it.

use std::collections::BTreeMap;

use rinsebook_proto::cosignature::Cosignature;

use crate::config::WitnessPolicy;

/// A checkpoint with the witnesses' lines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cosigned {
    /// The note with the witnesses' lines below the log's own.
    pub note: String,
    /// Whose lines it bears: the witness's name, and when it cosigned, Unix seconds.
    pub by: Vec<(String, u64)>,
    /// Whether enough of them are recent enough.
    pub policy_met: bool,
}

/// A checkpoint, and who cosigned it, by the witness's number.
struct Signed {
    size: u64,
    note: String,
    by: BTreeMap<usize, Cosignature>,
}

/// The newest cosignature of each witness, and the checkpoint that is shown.
pub(super) struct Kept {
    policy: WitnessPolicy,
    checkpoints: Vec<Signed>,
    /// The note that each witness cosigned last.
    last: BTreeMap<usize, String>,
}

impl Kept {
    pub(super) fn new(policy: WitnessPolicy) -> Kept {
        Kept { policy, checkpoints: Vec::new(), last: BTreeMap::new() }
    }

    /// Adds what a witness cosigned at this size, and lets go of what is no longer needed.
    pub(super) fn add(&mut self, size: u64, note: &str, witness: usize, cosignature: Cosignature, now_s: u64) {
        let at = self.checkpoints.iter().position(|known| known.note == note).unwrap_or_else(|| {
            self.checkpoints.push(Signed { size, note: note.to_owned(), by: BTreeMap::new() });
            self.checkpoints.len() - 1
        });
        self.checkpoints[at].by.insert(witness, cosignature);
        self.last.insert(witness, note.to_owned());
        let shown = self.shown(now_s).map(|shown| shown.note.clone());
        let needed =
            |known: &Signed| Some(&known.note) == shown.as_ref() || self.last.values().any(|n| *n == known.note);
        self.checkpoints.retain(needed);
    }

    /// Cosignatures that are recent, on the checkpoint that is shown. A clock can be wrong both ways.
    pub(super) fn most_fresh(&self, now_s: u64) -> usize {
        self.shown(now_s).map_or(0, |shown| self.fresh(shown, now_s))
    }

    pub(super) fn cosigned(&self, now_s: u64) -> Option<Cosigned> {
        let shown = self.shown(now_s)?;
        let lines: String = shown.by.values().map(|cosignature| cosignature.line.as_str()).collect();
        Some(Cosigned {
            note: format!("{}{lines}", shown.note),
            by: shown.by.values().map(|cosignature| (cosignature.name.clone(), cosignature.unix_seconds)).collect(),
            policy_met: self.fresh(shown, now_s) >= self.policy.quorum,
        })
    }

    /// The newest that enough witnesses have cosigned recently; where there is none, of those with the most the newest.
    fn shown(&self, now_s: u64) -> Option<&Signed> {
        self.checkpoints.iter().max_by_key(|known| {
            let fresh = self.fresh(known, now_s);
            (fresh.min(self.policy.quorum), known.size, fresh)
        })
    }

    fn fresh(&self, signed: &Signed, now_s: u64) -> usize {
        let recent = |c: &&Cosignature| c.unix_seconds.abs_diff(now_s) <= self.policy.max_age_seconds;
        signed.by.values().filter(recent).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(quorum: usize) -> Kept {
        Kept::new(WitnessPolicy { quorum, max_age_seconds: 100 })
    }

    fn add(kept: &mut Kept, size: u64, witness: usize, at_s: u64) {
        let line = format!("— w{witness} at {at_s}\n");
        let cosignature = Cosignature { name: format!("w{witness}"), unix_seconds: at_s, line };
        kept.add(size, &format!("size {size}\n\n— log\n"), witness, cosignature, at_s);
    }

    fn shown(kept: &Kept, now_s: u64) -> (String, usize, bool) {
        let Cosigned { note, by, policy_met } = kept.cosigned(now_s).unwrap();
        (note.lines().next().unwrap().to_owned(), by.len(), policy_met)
    }

    #[test]
    fn the_newest_checkpoint_that_enough_witnesses_cosigned_is_shown_and_not_one_that_fewer_did() {
        let mut kept = kept(2);
        assert!(kept.cosigned(1000).is_none());
        add(&mut kept, 5, 0, 1000);
        assert_eq!(shown(&kept, 1000), ("size 5".to_owned(), 1, false));
        add(&mut kept, 5, 1, 1001);
        assert_eq!(shown(&kept, 1001), ("size 5".to_owned(), 2, true));
        // The first is ahead for a moment: what both cosigned stays.
        add(&mut kept, 9, 0, 1002);
        assert_eq!(shown(&kept, 1002), ("size 5".to_owned(), 2, true));
        add(&mut kept, 9, 1, 1002);
        assert_eq!(shown(&kept, 1002), ("size 9".to_owned(), 2, true));
        assert_eq!(kept.checkpoints.len(), 1);
    }

    #[test]
    fn a_third_witness_that_stays_away_does_not_hold_back_what_two_of_two_needed_have_cosigned() {
        let mut kept = kept(2);
        (0..3).for_each(|witness| add(&mut kept, 5, witness, 1000));
        (0..2).for_each(|witness| add(&mut kept, 9, witness, 1001));
        assert_eq!(shown(&kept, 1001), ("size 9".to_owned(), 2, true));
        assert_eq!(kept.checkpoints.len(), 2, "the newest of the third is kept");
    }

    #[test]
    fn a_cosignature_counts_while_it_is_recent_by_the_service_s_clock_either_way_and_no_longer() {
        let mut kept = kept(1);
        add(&mut kept, 5, 0, 1000);
        for (now_s, met) in [(900, true), (1000, true), (1100, true), (1101, false), (899, false)] {
            assert_eq!(shown(&kept, now_s).2, met, "at {now_s}");
            assert_eq!(kept.most_fresh(now_s), usize::from(met));
        }
        add(&mut kept, 5, 0, 1101);
        assert_eq!(shown(&kept, 1150), ("size 5".to_owned(), 1, true));
    }

    #[test]
    fn what_both_cosigned_gives_way_to_what_one_did_only_once_it_is_old() {
        let mut kept = kept(2);
        add(&mut kept, 5, 0, 1000);
        add(&mut kept, 5, 1, 1000);
        add(&mut kept, 9, 0, 1090);
        assert_eq!(shown(&kept, 1100), ("size 5".to_owned(), 2, true));
        assert_eq!(shown(&kept, 1101), ("size 9".to_owned(), 1, false));
    }
}
