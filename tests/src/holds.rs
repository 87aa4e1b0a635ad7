//! What has to hold at the end of every story, whatever happened in it: nothing acknowledged is lost, doubled or reordered.

use std::collections::HashMap;

use rinsebook_client::station::{Receipt, Station};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::tree::{Tree, leaf_hash};

/// Where each envelope stands in the log; an error where one stands there twice.
fn places(log: &[Vec<u8>]) -> Result<HashMap<Hash, u64>, String> {
    let mut places = HashMap::new();
    for data in log {
        let entry = Entry::decode(data).map_err(|e| e.to_string())?;
        if let Some(before) = places.insert(Hash::of(&entry.envelope), entry.index) {
            return Err(format!("doubled: one envelope stands at {before} and at {}", entry.index));
        }
    }
    Ok(places)
}

/// Every receipt names an entry that is there, with these bytes; gives how many facts are acknowledged.
pub fn acknowledged_is_there(log: &[Vec<u8>], station: &Station) -> Result<u64, String> {
    let mut acknowledged = 0;
    for item in station.outbox_items() {
        let Some(Receipt::InLog(index, hash)) = station.receipt(&item.hash()) else { continue };
        let there = log.get(*index as usize).map(|data| leaf_hash(data));
        if there != Some(*hash) {
            return Err(format!("lost: {} was acknowledged at {index}, of {} entries", item.hash(), log.len()));
        }
        acknowledged += 1;
    }
    Ok(acknowledged)
}

/// Each fact once, and those of one device in the order in which they were signed.
pub fn once_and_in_order(log: &[Vec<u8>], envelopes: &[Hash]) -> Result<(), String> {
    let places = places(log)?;
    let mut last = None;
    for envelope in envelopes {
        let place = places.get(envelope).ok_or_else(|| format!("lost: {envelope} is not in the log"))?;
        if last.is_some_and(|last| last >= *place) {
            return Err(format!("reordered: {envelope} stands at {place}, behind what was signed after it"));
        }
        last = Some(*place);
    }
    Ok(())
}

/// Every checkpoint that a witness kept is one of this very log.
pub fn checkpoints_hold(log: &[Vec<u8>], kept: &[(u64, Hash)]) -> Result<(), String> {
    let mut tree = Tree::default();
    log.iter().for_each(|data| tree.push(leaf_hash(data)));
    for (size, root) in kept {
        if *size > tree.size() || tree.root(*size) != *root {
            return Err(format!("rolled back: the checkpoint of {size} entries is none of this log's {}", tree.size()));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn log() -> (Vec<Vec<u8>>, Vec<Hash>) {
        let envelopes: Vec<Vec<u8>> = (1..=3).map(|n| vec![n; 20]).collect();
        let log = envelopes.iter().zip(0..).map(|(envelope, index)| {
            let entry = Entry {
                index,
                previous: Hash::ZERO,
                received_ms: 0,
                term: 0,
                clock_unsure: false,
                links: Vec::new(),
                envelope: envelope.clone(),
            };
            entry.encode().unwrap()
        });
        (log.collect(), envelopes.iter().map(|envelope| Hash::of(envelope)).collect())
    }

    #[test]
    fn a_log_with_one_fact_left_out_doubled_or_moved_is_found() {
        let (log, envelopes) = log();
        once_and_in_order(&log, &envelopes).unwrap();
        assert!(once_and_in_order(&log[..2], &envelopes).unwrap_err().starts_with("lost"));
        let doubled = [&log[..], &log[..1]].concat();
        assert!(once_and_in_order(&doubled, &envelopes).unwrap_err().starts_with("doubled"));
        let other = [envelopes[1], envelopes[0], envelopes[2]];
        assert!(once_and_in_order(&log, &other).unwrap_err().starts_with("reordered"));
    }

    #[test]
    fn a_log_that_is_shorter_or_other_than_a_checkpoint_is_found() {
        let (log, _) = log();
        let mut tree = Tree::default();
        log.iter().for_each(|data| tree.push(leaf_hash(data)));
        let kept = [(2, tree.root(2)), (3, tree.root(3))];
        checkpoints_hold(&log, &kept).unwrap();
        checkpoints_hold(&log[..2], &kept).unwrap_err();
        checkpoints_hold(&[&log[1..], &log[..1]].concat(), &kept).unwrap_err();
    }
}
