"""The pack's checkpoint, and that everything lies under it: each entry, and each older state that an author had seen.

A view is a state that the log had, of a size that the header of some fact names as seen, with its consistency proof. There
is one for each size that the author of a well signed fact had seen; whose root is another had seen another log, or says so.
"""

from __future__ import annotations

from cosignatures import WitnessKey, count_cosignatures
from flaw import Flaw, need
from logkeys import LogKeys
from merkle import consistent, included
from notes import Checkpoint, Note
from pack_bytes import View
from pack_links import Item
from seen import Seen


def check_note(raw: bytes, log_keys: LogKeys, witnesses: list[WitnessKey]) -> tuple[Checkpoint, int]:
    """The checkpoint, signed by the log's key in force, and the number of witnesses whose cosignature holds."""
    note = Note.parse(raw)
    return log_keys.open(note), count_cosignatures(note, witnesses)


def check_included(items: list[Item], checkpoint: Checkpoint) -> None:
    for item in items:
        packed = item.packed
        inside = included(item.index, checkpoint.size, packed.leaf, packed.proof, checkpoint.root)
        item.need(inside, "root", "its proof does not lead to the checkpoint's root")


def check_views(
    items: list[Item],
    views: tuple[View, ...],
    checkpoint: Checkpoint,
    signed: set[int],
    log_keys: LogKeys,
    service_device: bytes,
) -> Seen:
    """`signed` holds the indices of the entries with a good signature. Gives who says to have seen otherwise."""
    named = {item.fact.header.seen_size for item in items}
    roots: dict[int, bytes] = {}
    for view in views:
        fresh = view.size > 0 and view.size in named and view.size not in roots
        need(fresh, "root", f"no entry has seen the view of size {view.size}, or it is there twice")
        grown = consistent(view.size, checkpoint.size, view.root, checkpoint.root, view.proof)
        need(grown, "root", f"the checkpoint's tree does not begin with the view of size {view.size}")
        roots[view.size] = view.root
    said = Seen()
    # In the order of the log.
    for item in sorted((item for item in items if item.index in signed), key=lambda item: item.index):
        header = item.fact.header
        epoch, size = header.seen_epoch, header.seen_size
        wanted = 0 < epoch <= log_keys.epoch and 0 < size <= item.index and not log_keys.lost(epoch, size)
        item.need(not wanted or size in roots, "root", f"there is no view of what its author had seen, {size} entries")
        by_service = header.device == service_device
        try:
            said.take(item.fact, item.index, by_service, log_keys, roots.get)
        except Flaw as flaw:
            item.need(False, "root", flaw.reason)
    return said
