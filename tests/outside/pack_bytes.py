"""The pack, version 1: one file with everything that somebody outside needs to check what it tells. All integers big-endian.

    magic    "rinsebook pack 1\\n"
    entries  u32 count, at least 1; each: u16 length | entry | u8 n, at most 64 | n * 32 bytes of inclusion proof (RFC 6962)
             strictly descending by the entry's index
    views    u32 count; each: u64 size | 32 bytes root | u8 n | n * 32 bytes of consistency proof from there to the note
             strictly ascending by size, then root
    blobs    u32 count; each: u8 length of the salt, 0 (attachment) or 16 (annex) | salt | u32 length, 1 to 1 MiB | content
             strictly ascending by SHA-256(salt | content)
    note     u32 length | the checkpoint, a signed note
    seal     SHA-256 of all bytes before it

Nothing before, between or after. The seal is against accidents only: whoever alters a pack can seal it anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from entries import Entry, parse_entry
from flaw import Flaw, Place, need
from merkle import leaf_hash

WHAT = "pack"
MAGIC = b"rinsebook pack 1\n"
SEAL = 32
LONGEST_PROOF = 64
SALTS = (0, 16)
LONGEST_BLOB = 1 << 20


@dataclass(frozen=True)
class PackedEntry:
    """An entry, its leaf hash, and the proof that it is in the note's tree."""

    entry: Entry
    leaf: bytes
    proof: tuple[bytes, ...]


@dataclass(frozen=True)
class View:
    """A checkpoint that an author had seen, and the proof that the note's tree begins with it."""

    size: int
    root: bytes
    proof: tuple[bytes, ...]


@dataclass(frozen=True)
class Blob:
    salt: bytes
    content: bytes

    @property
    def digest(self) -> bytes:
        return sha256(self.salt + self.content).digest()

    @property
    def is_annex(self) -> bool:
        return bool(self.salt)


@dataclass(frozen=True)
class Pack:
    entries: tuple[PackedEntry, ...]
    views: tuple[View, ...]
    blobs: tuple[Blob, ...]
    note: bytes


class _Reader:
    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def take(self, length: int, name: str) -> bytes:
        taken = self._data[self._at : self._at + length]
        need(len(taken) == length, WHAT, f"ends inside {name}")
        self._at += length
        return taken

    def number(self, length: int, name: str) -> int:
        return int.from_bytes(self.take(length, name), "big")

    def hashes(self, name: str) -> tuple[bytes, ...]:
        count = self.number(1, name)
        need(count <= LONGEST_PROOF, WHAT, f"{name} has {count} hashes, more than {LONGEST_PROOF}")
        return tuple(self.take(32, name) for _ in range(count))

    @property
    def left(self) -> int:
        return len(self._data) - self._at


def read_pack(data: bytes) -> Pack:
    """Takes a pack apart; anything but the one form is a flaw of the word `pack`."""
    need(data.startswith(MAGIC), WHAT, f"does not begin with {MAGIC!r}")
    body, seal = data[:-SEAL], data[-SEAL:]
    need(sha256(body).digest() == seal, WHAT, "the seal is not the SHA-256 of what is before it")
    reader = _Reader(body[len(MAGIC) :])
    entries, views, blobs = _entries(reader), _views(reader), _blobs(reader)
    note = reader.take(reader.number(4, "the note's length"), "the note")
    need(reader.left == 0, WHAT, f"has {reader.left} bytes between note and seal")
    return Pack(entries, views, blobs, note)


def _entries(reader: _Reader) -> tuple[PackedEntry, ...]:
    count = reader.number(4, "the number of entries")
    need(count > 0, WHAT, "holds no entry")
    entries = []
    for number in range(count):
        raw = reader.take(reader.number(2, "an entry's length"), f"entry number {number}")
        proof = reader.hashes(f"the proof of entry number {number}")
        try:
            entries.append(PackedEntry(parse_entry(raw), leaf_hash(raw), proof))
        except Flaw as flaw:
            raise Flaw(WHAT, f"entry number {number} {flaw.reason}") from None
    indices = [packed.entry.index for packed in entries]
    for newer, older in zip(indices, indices[1:]):
        if newer <= older:
            raise Flaw(WHAT, f"stands after entry {newer}; indices must descend", Place(entry=older))
    return tuple(entries)


def _views(reader: _Reader) -> tuple[View, ...]:
    views = []
    for number in range(reader.number(4, "the number of views")):
        name = f"view number {number}"
        views.append(View(reader.number(8, name), reader.take(32, name), reader.hashes(f"the proof of {name}")))
    _ascending([(view.size, view.root) for view in views], "views", "size and root")
    return tuple(views)


def _blobs(reader: _Reader) -> tuple[Blob, ...]:
    blobs = []
    for number in range(reader.number(4, "the number of blobs")):
        name = f"blob number {number}"
        salt_length = reader.number(1, name)
        need(salt_length in SALTS, WHAT, f"{name} has a salt of {salt_length} bytes, not 0 or 16")
        salt = reader.take(salt_length, name)
        length = reader.number(4, name)
        need(1 <= length <= LONGEST_BLOB, WHAT, f"{name} has {length} bytes, not 1 to {LONGEST_BLOB}")
        blobs.append(Blob(salt, reader.take(length, name)))
    _ascending([(blob.digest, blob.is_annex) for blob in blobs], "blobs", "digest, attachment first")
    return tuple(blobs)


def _ascending(keys: Sequence[Any], name: str, by: str) -> None:
    need(all(a < b for a, b in zip(keys, keys[1:])), WHAT, f"its {name} are not ascending by {by}, each once")
