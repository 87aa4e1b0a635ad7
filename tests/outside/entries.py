"""Entries and the links inside them. All integers big-endian.

    u8 01 | u64 index | 32 bytes leaf hash of the entry before (zeros at 0) | u64 received, Unix ms | u32 term | u8 flags |
    u8 number of links | links | u16 length | envelope

    link: u8 kind | u8 length | id | u64 ordinal | u64 index | 32 bytes leaf hash

An entry's bytes are the leaf's data, so the chain and the links are inside the tree. Each subject of the fact's header has
one link, in the header's order; ordinal counts that subject's entries from 0, index and leaf hash are those of the one
before (zeros at ordinal 0).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from flaw import need

HEAD = struct.Struct(">BQ32sQIBB")
LINK_TAIL = struct.Struct(">QQ32s")
ZEROS = bytes(32)
CLOCK_UNSURE = 1

# A subject: kind and id.
Subject = tuple[int, bytes]


@dataclass(frozen=True)
class Link:
    subject: Subject
    ordinal: int
    index: int
    leaf: bytes


@dataclass(frozen=True)
class Entry:
    index: int
    previous: bytes
    received_ms: int
    term: int
    flags: int
    links: tuple[Link, ...]
    envelope: bytes


def parse_entry(raw: bytes) -> Entry:
    """Takes an entry apart; anything but the one encoding is a flaw."""
    what = "entry"
    need(len(raw) <= 65_535, what, f"has {len(raw)} bytes, more than 65535")
    need(len(raw) >= HEAD.size, what, "ends inside its head")
    version, index, previous, received, term, flags, count = HEAD.unpack_from(raw)
    need(version == 1, what, f"is of version {version}")
    need(flags & ~CLOCK_UNSURE == 0, what, f"has unknown flags {flags:#04x}")
    need(count <= 32, what, f"has {count} links")
    links, at = [], HEAD.size
    for _ in range(count):
        need(len(raw) >= at + 2, what, "ends inside a link")
        kind, length = raw[at], raw[at + 1]
        identity = raw[at + 2 : at + 2 + length]
        at += 2 + length
        need(len(raw) >= at + LINK_TAIL.size, what, "ends inside a link")
        links.append(Link((kind, identity), *LINK_TAIL.unpack_from(raw, at)))
        at += LINK_TAIL.size
    need(len(raw) >= at + 2, what, "ends before its envelope")
    length = int.from_bytes(raw[at : at + 2], "big")
    need(len(raw) == at + 2 + length, what, f"says {length} bytes of envelope and has {len(raw) - at - 2}")
    return Entry(index, previous, received, term, flags, tuple(links), raw[at + 2 :])


class EntryChain:
    """What one entry must take over from those before it: index, leaf hash, time, term."""

    def __init__(self) -> None:
        self.next_index = 0
        self.last_leaf = ZEROS
        self._received_ms = 0
        self._term = 0

    def check(self, entry: Entry) -> None:
        need(entry.index == self.next_index, "entry", f"says index {entry.index} at place {self.next_index}")
        need(entry.previous == self.last_leaf, "chain", "the leaf hash of the entry before does not fit")
        need(entry.received_ms >= self._received_ms, "received", f"{entry.received_ms} is before {self._received_ms}")
        need(entry.term >= self._term, "term", f"{entry.term} is before {self._term}")

    def take(self, entry: Entry, leaf: bytes) -> None:
        self.next_index += 1
        self.last_leaf, self._received_ms, self._term = leaf, entry.received_ms, entry.term


class SubjectChains:
    """For each subject the ordinal, index and leaf hash of its last entry."""

    def __init__(self) -> None:
        self._last: dict[Subject, tuple[int, int, bytes]] = {}
        self.links = 0

    def __len__(self) -> int:
        return len(self._last)

    def check(self, entry: Entry, subjects: list[Subject]) -> None:
        linked = [link.subject for link in entry.links]
        need(linked == subjects, "link", f"{len(linked)} links are not the header's {len(subjects)} subjects in order")
        for link in entry.links:
            last = self._last.get(link.subject)
            ordinal, index, leaf = (last[0] + 1, *last[1:]) if last else (0, 0, ZEROS)
            name = f"of kind {link.subject[0]} {link.subject[1].hex()}"
            need(link.ordinal == ordinal, "link", f"{name}: ordinal {link.ordinal} instead of {ordinal}")
            need(link.index == index, "link", f"{name}: index {link.index} instead of {index}")
            need(link.leaf == leaf, "link", f"{name}: the leaf hash is not that of entry {index}")

    def take(self, entry: Entry, leaf: bytes) -> None:
        for link in entry.links:
            self._last[link.subject] = (link.ordinal, entry.index, leaf)
        self.links += len(entry.links)
