"""The pack's checkpoint, and that everything lies under it: each entry, and each older checkpoint that an author had seen.

A view is what the header of a well signed fact names as seen: so many entries with that root. Each has its consistency
proof, or the author saw another log than this.
"""

from __future__ import annotations

from hashlib import sha256

from cosignatures import WitnessKey, count_cosignatures
from flaw import need
from merkle import consistent, included
from notes import Checkpoint, Note, VerifierKey
from pack_bytes import View
from pack_links import Item

EMPTY_ROOT = sha256(b"").digest()


def check_note(raw: bytes, log_keys: list[VerifierKey], witnesses: list[WitnessKey]) -> tuple[Checkpoint, int]:
    """The checkpoint, signed by a log key, and the number of witnesses whose cosignature holds."""
    note = Note.parse(raw)
    checkpoint = Checkpoint.parse(note.text)
    good = note.verified_by(log_keys)
    named = any(key.name == checkpoint.origin for key in good)
    need(named, "checkpoint", f"the origin {checkpoint.origin} is not the key's name")
    return checkpoint, count_cosignatures(note, witnesses)


def check_included(items: list[Item], checkpoint: Checkpoint) -> None:
    for item in items:
        packed = item.packed
        inside = included(item.index, checkpoint.size, packed.leaf, packed.proof, checkpoint.root)
        item.need(inside, "root", "its proof does not lead to the checkpoint's root")


def check_views(items: list[Item], views: tuple[View, ...], checkpoint: Checkpoint, signed: set[int]) -> None:
    """`signed` holds the indices of the entries with a good signature."""
    named = {(item.fact.header.seen_size, item.fact.header.seen_root) for item in items}
    there = {(view.size, view.root) for view in views}
    for item in items:
        if item.index in signed:
            size = item.fact.header.seen_size
            item.need(size <= item.index, "root", f"its author had seen {size} entries, more than there were")
    for view in views:
        need(view.size > 0 and (view.size, view.root) in named, "root", f"no entry has seen the view of size {view.size}")
        grown = consistent(view.size, checkpoint.size, view.root, checkpoint.root, view.proof)
        need(grown, "root", f"the checkpoint's tree does not begin with the view of size {view.size}")
    for item in items:
        if item.index not in signed:
            continue
        seen = (item.fact.header.seen_size, item.fact.header.seen_root)
        known = seen in there if seen[0] else seen[1] == EMPTY_ROOT
        item.need(known, "root", f"there is no view of what its author had seen, {seen[0]} entries")
