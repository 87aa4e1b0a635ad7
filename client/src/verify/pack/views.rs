//! What signers had seen of the log: for each state that a signer names, the pack has the state that the log had then, and
//! the proof that the log continues it. Whoever names another root differs, and that is told beside the verdict; see
//! [`SeenOtherwise`](crate::verify::SeenOtherwise). A state that the pack does not account for makes it bad: the log's
//! keeper can always prove what its own log was.

use std::collections::{BTreeMap, BTreeSet};

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::pack::Pack;
use rinsebook_proto::tree::{empty_root, verify_consistency};

use super::{Found, Item, SignedBy, at};
use crate::verify::Wrong;
use crate::verify::otherwise::{Otherwise, SeenOtherwise};

/// How many states are proved, and the devices that say otherwise.
pub(super) fn check(
    pack: &Pack,
    items: &[Item],
    signed: &SignedBy,
    checkpoint: &Checkpoint,
) -> Result<(u64, Vec<SeenOtherwise>), Found> {
    let roots = proved(pack, items, checkpoint)?;
    let mut otherwise = Otherwise::default();
    for item in items.iter().filter(|item| signed.hold.contains(&item.index())) {
        let Some(why) = differs(item, signed, &roots)? else { continue };
        if item.index() == 0 || signed.keys.is_service_device(&item.fact().header().device) {
            return Err(at(item.index(), "root", "seen")(why));
        }
        otherwise.tell(item.index(), item.fact(), why);
    }
    Ok((roots.len() as u64, otherwise.list()))
}

/// The roots that the log had, by size.
fn proved(pack: &Pack, items: &[Item], checkpoint: &Checkpoint) -> Result<BTreeMap<u64, Hash>, Found> {
    let whole = |why: String| (None, Wrong::of("root", "seen")(why));
    let named: BTreeSet<u64> = items.iter().map(|item| item.fact().header().seen.size).collect();
    let mut roots = BTreeMap::new();
    for view in &pack.views {
        if view.size == 0 || !named.contains(&view.size) || roots.insert(view.size, view.root).is_some() {
            return Err(whole(format!("a view of {} entries that no signer names, or a second one", view.size)));
        }
        verify_consistency(view.size, checkpoint.size, &view.proof, &view.root, &checkpoint.root)
            .map_err(|e| whole(format!("the log does not continue the view of {} entries: {e}", view.size)))?;
    }
    Ok(roots)
}

/// Why what its signer had seen is not what the log was, if it is not.
fn differs(item: &Item, signed: &SignedBy, roots: &BTreeMap<u64, Hash>) -> Result<Option<String>, Found> {
    let (seen, index, now) = (item.fact().header().seen, item.index(), signed.log_keys.epoch());
    if seen.epoch == 0 || seen.epoch > now {
        return Ok(Some(format!("its signer had seen epoch {}, and this log is in epoch {now}", seen.epoch)));
    }
    if signed.log_keys.kept_of(seen.epoch).is_some_and(|kept| seen.size > kept) {
        // It was lost when an older state was put back: the epoch's fact says so.
        return Ok(None);
    }
    if seen.size > index {
        return Ok(Some(format!("its signer had seen {} entries, more than were there", seen.size)));
    }
    let known = if seen.size == 0 { Some(empty_root()) } else { roots.get(&seen.size).copied() };
    match known {
        Some(root) if root == seen.root => Ok(None),
        Some(_) => Ok(Some(format!("its signer had seen another log of {} entries than this one was", seen.size))),
        None => {
            let why = format!("nothing shows what this log was at the {} entries that its signer had seen", seen.size);
            Err(at(index, "root", "seen")(why))
        }
    }
}
