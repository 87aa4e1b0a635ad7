"""What a pack is about, and that nothing of it was left out up to the pack's first entry.

The file begins with the fact or facts by which the service gave the pack out, its heads. Each subject that they have is
followed back through the links to its first entry: each link names the next older entry of that subject by index and leaf
hash, so that none can be missing between. An entry that no such link names does not belong in the pack.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from entries import ZEROS, Entry, Link, Subject
from facts import Fact
from flaw import Flaw, Place
from pack_bytes import PackedEntry


@dataclass(frozen=True)
class Item:
    """An entry of the pack and the fact in it."""

    packed: PackedEntry
    fact: Fact

    @property
    def entry(self) -> Entry:
        return self.packed.entry

    @property
    def index(self) -> int:
        return self.packed.entry.index

    def need(self, holds: bool, what: str, reason: str) -> None:
        """Raises a flaw of this entry unless `holds`."""
        if not holds:
            raise Flaw(what, reason, Place(entry=self.index))


def find_heads(items: list[Item]) -> list[Item]:
    """The first entries, by which the pack was issued: parts P, P-1 .. 1 in file order, alike in all else."""
    first = items[0]
    body = _issued(first)
    first.need(1 <= body.parts <= len(items), "head", f"says {body.parts} parts in a pack of {len(items)} entries")
    heads = items[: body.parts]
    for number, item in enumerate(heads):
        part = _issued(item)
        item.need(item.index == first.index - number, "head", "does not follow directly on the part before it")
        item.need(part.part == body.parts - number, "head", f"is part {part.part} where part {body.parts - number} belongs")
        part.part = body.part
        item.need(part == body, "head", "differs from the first entry in more than its part")
    return heads


def _issued(item: Item) -> Any:
    """A copy of the body of a fact that issues a pack."""
    fact = item.fact
    issued = fact.kind == "pack_issued" and fact.body is not None
    item.need(issued, "head", f"is {fact.kind}, not a pack issued that can be read")
    assert fact.body is not None
    item.need(len(fact.body.contract.digest) == 32, "head", "names no contract by which the pack can be read")
    item.need(len(fact.body.wash) in (0, 16), "head", "names a wash by other than 16 bytes")
    copy = type(fact.body)()
    copy.CopyFrom(fact.body)
    return copy


def subjects_of(heads: list[Item]) -> set[Subject]:
    return {subject for head in heads for subject in head.fact.subjects}


def check_links(items: list[Item], heads: list[Item]) -> int:
    """`items` descend by index, as in the file; the heads are the first of them. Gives how many stand beside the chains."""
    subjects, by_index = subjects_of(heads), {item.index: item for item in items}
    reached = {head.index for head in heads}
    newer: dict[Subject, tuple[Item, Link]] = {}
    for item in items:
        links = item.entry.links
        linked = [link.subject for link in links]
        item.need(linked == item.fact.subjects, "link", "its links are not its header's subjects in order")
        for link in links:
            if link.subject not in subjects:
                continue
            if link.subject in newer:
                _check_named(item, link, *newer[link.subject])
            _check_names(item, link, by_index)
            newer[link.subject] = (item, link)
            if link.ordinal > 0:
                reached.add(link.index)
    for item, link in newer.values():
        item.need(link.ordinal == 0, "link", f"is the oldest {_name(link)} here, and has ordinal {link.ordinal}")
    beside = 0
    for item in items:
        if any(link.subject in subjects for link in item.entry.links):
            item.need(item.index in reached, "link", "is named by no link of what the pack is about")
        elif item.index not in reached:
            beside += 1
    return beside


def _check_names(item: Item, link: Link, by_index: dict[int, Item]) -> None:
    """What a link says of the entry before."""
    name = _name(link)
    if link.ordinal == 0:
        item.need((link.index, link.leaf) == (0, ZEROS), "link", f"is the first {name} and names one before it")
        return
    item.need(link.index < item.index, "link", f"names entry {link.index}, not an older one, {name}")
    item.need(link.index in by_index, "link", f"names entry {link.index}, {name}, which is not in the pack")
    item.need(by_index[link.index].packed.leaf == link.leaf, "link", f"names another entry {link.index} {name}")


def _check_named(item: Item, link: Link, newer: Item, named: Link) -> None:
    """An entry must be the very one that the next newer entry of the subject names as the one before."""
    name = _name(link)
    before = (named.index, named.leaf)
    item.need(before == (item.index, item.packed.leaf), "link", f"is not what entry {newer.index} names as the one before it {name}")
    item.need(link.ordinal == named.ordinal - 1, "link", f"has ordinal {link.ordinal} before {named.ordinal} {name}")


def _name(link: Link) -> str:
    return f"of subject {link.subject[0]} {link.subject[1].hex()}".rstrip()


def check_entry_chain(items: list[Item]) -> None:
    """Index and received time; the leaf hash of the entry before where that is in the pack too."""
    ascending = items[::-1]
    first = ascending[0]
    first.need(first.index > 0 or first.entry.previous == ZEROS, "chain", "names an entry before the first")
    for older, item in zip(ascending, ascending[1:]):
        item.need(item.entry.received_ms >= older.entry.received_ms, "chain", f"was received before entry {older.index}")
        follows = item.index > older.index + 1 or item.entry.previous == older.packed.leaf
        item.need(follows, "chain", "the leaf hash of the entry before does not fit")
