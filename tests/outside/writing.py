"""Frames, entries, links, envelopes, notes and the tree, written a second time and the plainest way.

Nothing here is shared with the verifier, so that a mistake in one does not hide in the other.
"""

from __future__ import annotations

import struct
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from zlib import crc32

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

POSSESSION = "application/vnd.rinsebook.key-possession.v1"
NOTHING = bytes(32)
START_MS = 1_900_000_000_000

Subject = tuple[int, bytes]


def seeded(seed: int, label: str, length: int = 16) -> bytes:
    """Bytes that depend on seed and label alone."""
    return sha256(f"{seed} {label}".encode()).digest()[:length]


def varint(value: int) -> bytes:
    out = b""
    while value >= 0x80:
        out += bytes([value & 0x7F | 0x80])
        value >>= 7
    return out + bytes([value])


def delimited(number: int, content: bytes) -> bytes:
    """One length-delimited protobuf field."""
    return varint(number << 3 | 2) + varint(len(content)) + content


def tree_root(leaves: list[bytes]) -> bytes:
    """RFC 6962 section 2.1, word for word: split at the largest power of two smaller than n."""
    if not leaves:
        return sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    return sha256(b"\x01" + tree_root(leaves[:split]) + tree_root(leaves[split:])).digest()


class Signer:
    """An Ed25519 key, and what it signs."""

    def __init__(self, secret: bytes) -> None:
        self._key = Ed25519PrivateKey.from_private_bytes(secret)
        self.public = self._key.public_key().public_bytes_raw()
        self.key_id = sha256(b"\x01" + self.public).digest()

    def sign(self, message: bytes) -> bytes:
        return self._key.sign(message)

    def sign_payload(self, kind: str, payload: bytes) -> bytes:
        header = f"DSSEv1 {len(kind)} {kind} {len(payload)} "
        return self.sign(header.encode() + payload)

    def envelope(self, kind: str, payload: bytes) -> bytes:
        signature = self.sign_payload(kind, payload)
        return delimited(1, payload) + delimited(2, kind.encode()) + delimited(3, delimited(1, signature))

    def possession(self, identity: bytes) -> bytes:
        return self.sign_payload(POSSESSION, identity + b"\x01" + self.public)

    def note(self, name: str, text: str) -> str:
        """The signature line of a note."""
        note_id = sha256(name.encode() + b"\n\x01" + self.public).digest()[:4]
        return f"\u2014 {name} {b64encode(note_id + self.sign(text.encode())).decode()}\n"

    def verifier_key(self, name: str) -> str:
        note_id = sha256(name.encode() + b"\n\x01" + self.public).digest()[:4]
        key = b64encode(b"\x01" + self.public).decode()
        return f"{name}+{note_id.hex()}+{key}\n"


@dataclass
class Station:
    """A device in one run of its program."""

    device: bytes
    report_signer: Signer
    run: bytes
    counter: int = 0
    last: bytes = NOTHING

    def restart(self, run: bytes) -> None:
        self.run, self.counter = run, 0


@dataclass
class Entry:
    """An entry before it is encoded; a test may set any field to what it should not be."""

    index: int
    previous: bytes
    received_ms: int
    links: list[tuple[Subject, int, int, bytes]]
    envelope: bytes
    term: int = 0
    flags: int = 0
    version: int = 1

    def encode(self) -> bytes:
        out = struct.pack(">BQ", self.version, self.index) + self.previous
        out += struct.pack(">QIBB", self.received_ms, self.term, self.flags, len(self.links))
        for (kind, identity), ordinal, index, leaf in self.links:
            out += bytes([kind, len(identity)]) + identity + struct.pack(">QQ", ordinal, index) + leaf
        return out + struct.pack(">H", len(self.envelope)) + self.envelope


@dataclass
class LogWriter:
    """Queues entries, and writes them group by group. `grow` is the step in bytes in which files grow by zeros."""

    folder: Path
    origin: str
    signer: Signer
    groups_per_file: int = 4
    grow: int = 4096
    leaves: list[bytes] = field(default_factory=list)
    # Every entry ever appended, before and after it was encoded.
    kept: list[tuple[Entry, bytes]] = field(default_factory=list)
    note: str = ""
    # Tests put here what changes an entry or a checkpoint's text before it is hashed or signed.
    edit_entry: Callable[[Entry], None] = lambda entry: None
    edit_text: Callable[[str], str] = lambda text: text
    _subjects: dict[Subject, tuple[int, int, bytes]] = field(default_factory=dict)
    _queue: list[bytes] = field(default_factory=list)
    _file: bytearray = field(default_factory=bytearray)
    _file_first: int = 0
    _file_groups: int = 0
    _synced: int = 0

    @property
    def size(self) -> int:
        return len(self.leaves)

    @property
    def shown(self) -> int:
        """What stations can have seen: the size of the last group's checkpoint; where no group is written, anything."""
        return self._synced or self.size

    @property
    def queued(self) -> int:
        """Entries that no group holds yet."""
        return len(self._queue)

    def append(self, envelope: bytes, subjects: list[Subject]) -> int:
        """Queues one entry for the next group; gives its index."""
        index, links = self.size, []
        for subject in subjects:
            last = self._subjects.get(subject)
            links.append((subject, last[0] + 1, last[1], last[2]) if last else (subject, 0, 0, NOTHING))
        previous = self.leaves[-1] if self.leaves else NOTHING
        entry = Entry(index, previous, START_MS + 250 * (index // 2), links, envelope)
        self.edit_entry(entry)
        raw = entry.encode()
        leaf = sha256(b"\x00" + raw).digest()
        for subject, ordinal, _, _ in links:
            self._subjects[subject] = (ordinal, index, leaf)
        self.leaves.append(leaf)
        self.kept.append((entry, raw))
        self._queue.append(raw)
        return index

    def checkpoint_text(self) -> str:
        root = b64encode(tree_root(self.leaves)).decode()
        return f"{self.origin}\n{self.size}\n{root}\n"

    def commit(self, more_signers: tuple[Signer, ...] = (), mark: bool = False) -> None:
        """Writes the queued entries as one group with its checkpoint, and a durable mark after it where asked."""
        first = self.size - len(self._queue)
        if self._file_groups == self.groups_per_file:
            self._frame(5, b"")
            self._write()
            self._file, self._file_groups = bytearray(), 0
        if not self._file:
            self._begin_file(first)
        self._frame(1, struct.pack(">QIQ", first, len(self._queue), self._synced))
        for raw in self._queue:
            self._frame(2, raw)
        text = self.edit_text(self.checkpoint_text())
        name = text.split("\n")[0]
        self.note = text + "\n" + "".join(signer.note(name, text) for signer in (self.signer, *more_signers))
        self._frame(3, self.note.encode())
        self._queue, self._synced, self._file_groups = [], self.size, self._file_groups + 1
        if mark:
            self._frame(4, struct.pack(">Q", self.size))
        self._write()

    def _begin_file(self, first: int) -> None:
        previous = self.leaves[first - 1] if first else NOTHING
        header = b"RINSEJNL" + struct.pack(">IIQ", 1, 1, first) + previous
        self._file = bytearray(header + struct.pack(">I", crc32(header)))
        self._file_first = first

    def _frame(self, kind: int, body: bytes) -> None:
        covered = struct.pack(">QQB", len(self._file), self._file_first, kind) + body
        self._file += struct.pack(">IIB", len(body), crc32(covered), kind) + body

    def _write(self) -> None:
        unused = -len(self._file) % self.grow
        (self.folder / f"{self._file_first:020d}.seg").write_bytes(self._file + bytes(unused))
