#!/usr/bin/env python3
"""Writes a pack of its own, so that the verifier can be tried on one that no service made.

    write_pack.py PACK VKEY_FILE [--seed N]

It shares the generated messages with the verifier and nothing else. A pack is put together as a draft whose every part a
test may change before it is encoded and sealed. All keys and ids come from the seed; people, aircraft and engines are invented.
"""

from __future__ import annotations

import argparse
import struct
import sys
from base64 import b64encode
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

import messages
from writing import Signer, Subject, tree_root
from written_book import Book
from written_visit import Visit

MAGIC = b"rinsebook pack 1\n"


def _split(count: int) -> int:
    """The largest power of two smaller than the count."""
    split = 1
    while split * 2 < count:
        split *= 2
    return split


def inclusion(index: int, leaves: list[bytes]) -> list[bytes]:
    """RFC 6962 section 2.1.1, word for word: PATH(m, D[n])."""
    if len(leaves) == 1:
        return []
    split = _split(len(leaves))
    if index < split:
        return [*inclusion(index, leaves[:split]), tree_root(leaves[split:])]
    return [*inclusion(index - split, leaves[split:]), tree_root(leaves[:split])]


def consistency(size: int, leaves: list[bytes], whole: bool = True) -> list[bytes]:
    """RFC 6962 section 2.1.2, word for word: SUBPROOF(m, D[n], b)."""
    if size == len(leaves):
        return [] if whole else [tree_root(leaves)]
    split = _split(len(leaves))
    if size <= split:
        return [*consistency(size, leaves[:split], whole), tree_root(leaves[split:])]
    return [*consistency(size - split, leaves[split:], False), tree_root(leaves[:split])]


def header_of(envelope: bytes) -> Any:
    """The header in an envelope: in its first field, the payload, the first field again."""
    at, length, shift = 1, 0, 0
    while True:
        length |= (envelope[at] & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if envelope[at - 1] < 0x80:
            return messages.fact.Fact.FromString(envelope[at : at + length]).header


def cosign(witness: Signer, name: str, text: str, seconds: int) -> str:
    """A witness's line, C2SP tlog-cosignature version 1."""
    key_id = sha256(name.encode() + b"\n\x04" + witness.public).digest()[:4]
    signature = witness.sign(f"cosignature/v1\ntime {seconds}\n{text}".encode())
    return f"\u2014 {name} {b64encode(key_id + struct.pack('>Q', seconds) + signature).decode()}\n"


def witness_key(witness: Signer, name: str) -> str:
    key_id = sha256(name.encode() + b"\n\x04" + witness.public).digest()[:4]
    key = b64encode(b"\x04" + witness.public).decode()
    return f"{name}+{key_id.hex()}+{key}"


def blob_digest(salt: bytes, content: bytes) -> bytes:
    return sha256(salt + content).digest()


@dataclass
class Draft:
    """A pack before it is encoded."""

    # Raw entry and proof; size, root and proof; salt and content.
    entries: list[tuple[bytes, list[bytes]]] = field(default_factory=list)
    views: list[tuple[int, bytes, list[bytes]]] = field(default_factory=list)
    blobs: list[tuple[bytes, bytes]] = field(default_factory=list)
    note: str = ""
    magic: bytes = MAGIC

    def body(self) -> bytes:
        out = self.magic + struct.pack(">I", len(self.entries))
        for raw, proof in self.entries:
            out += struct.pack(">H", len(raw)) + raw + bytes([len(proof)]) + b"".join(proof)
        out += struct.pack(">I", len(self.views))
        for size, root, proof in self.views:
            out += struct.pack(">Q", size) + root + bytes([len(proof)]) + b"".join(proof)
        out += struct.pack(">I", len(self.blobs))
        for salt, content in self.blobs:
            out += bytes([len(salt)]) + salt + struct.pack(">I", len(content)) + content
        note = self.note.encode()
        return out + struct.pack(">I", len(note)) + note

    def encode(self) -> bytes:
        return sealed(self.body())


def sealed(body: bytes) -> bytes:
    return body + sha256(body).digest()


def reach(book: Book, heads: list[int]) -> list[int]:
    """The indices that the heads' subjects lead to, newest first."""
    subjects: set[Subject] = {link[0] for index in heads for link in book.writer.kept[index][0].links}
    found, waiting = set(heads), list(heads)
    while waiting:
        for subject, ordinal, before, _ in book.writer.kept[waiting.pop()][0].links:
            if subject in subjects and ordinal > 0 and before not in found:
                found.add(before)
                waiting.append(before)
    return sorted(found, reverse=True)


def draft(book: Book, heads: list[int], blobs: list[tuple[bytes, bytes]]) -> Draft:
    """The pack that these heads issue, under a checkpoint over all that the book holds."""
    leaves, out = book.writer.leaves, Draft()
    seen: set[int] = set()
    for index in reach(book, heads):
        entry, raw = book.writer.kept[index]
        out.entries.append((raw, inclusion(index, leaves)))
        header = header_of(entry.envelope)
        seen.add(header.seen_size)
    sizes = [size for size in sorted(seen) if 0 < size <= len(leaves)]
    out.views = [(size, tree_root(leaves[:size]), consistency(size, leaves)) for size in sizes]
    out.blobs = sorted(blobs, key=lambda blob: blob_digest(*blob))
    text = book.writer.checkpoint_text()
    out.note = text + "\n" + book.log_signer.note(book.writer.origin, text)
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description="Write a small pack and its log's verifier key.")
    parser.add_argument("pack", type=Path, metavar="PACK")
    parser.add_argument("keys", type=Path, metavar="VKEY_FILE")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()

    visit = Visit(Book(arguments.pack.parent, arguments.seed))
    visit.tell()
    made = draft(visit.book, visit.issue(parts=2), visit.blobs)
    arguments.pack.write_bytes(made.encode())
    arguments.keys.write_text(visit.book.log_signer.verifier_key(visit.book.writer.origin), encoding="utf-8")
    print(f"seed {arguments.seed}: {len(made.entries)} of {visit.book.writer.size} entries")
    return 0


if __name__ == "__main__":
    sys.exit(main())
