"""A log folder as lists that can be changed and written back with fitting offsets and CRCs.

Only what a forger without keys can do: frames are laid out anew, and `refit` makes indices, chain, links, counts, sizes and
roots agree again. Signatures stay as they were. Written back unchanged, an image gives the same bytes, refitted or not.
"""

from __future__ import annotations

import struct
from base64 import b64encode
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from zlib import crc32

from entries import HEAD, LINK_TAIL, ZEROS, Entry, Link, Subject, parse_entry
from merkle import Tree, leaf_hash
from segments import BEGIN, DURABLE, END, ENTRY, FRAME, GROUP, HEADER, MARK, Counts, frame_crc, frames, segment_names


@dataclass
class Piece:
    """One frame: its type and body."""

    kind: int
    body: bytes


@dataclass
class Segment:
    """One file: its name, header fields, frames and length in bytes."""

    name: str
    first: int
    previous: bytes
    length: int
    pieces: list[Piece] = field(default_factory=list)

    def encode(self) -> bytes:
        """The file's bytes, as long as it was, or longer where the frames no longer fit."""
        header = HEADER.pack(b"RINSEJNL", 1, 1, self.first, self.previous, 0)[:-4]
        out = bytearray(header + struct.pack(">I", crc32(header)))
        for piece in self.pieces:
            crc = frame_crc(len(out), self.first, piece.kind, piece.body)
            out += FRAME.pack(len(piece.body), crc, piece.kind) + piece.body
        return bytes(out.ljust(self.length, b"\0"))


def encode_entry(entry: Entry) -> bytes:
    out = HEAD.pack(1, entry.index, entry.previous, entry.received_ms, entry.term, entry.flags, len(entry.links))
    for link in entry.links:
        kind, identity = link.subject
        out += bytes([kind, len(identity)]) + identity + LINK_TAIL.pack(link.ordinal, link.index, link.leaf)
    return out + struct.pack(">H", len(entry.envelope)) + entry.envelope


@dataclass
class Image:
    segments: list[Segment]

    @staticmethod
    def read(folder: Path) -> Image:
        """Reads a good log; flaws in it are raised."""
        found = []
        for name in segment_names(folder):
            data = (folder / name).read_bytes()
            _, _, _, first, previous, _ = HEADER.unpack_from(data)
            pieces = [Piece(frame.kind, frame.body) for frame in frames(data, first, Counts())]
            found.append(Segment(name, first, previous, len(data), pieces))
        return Image(found)

    def write(self, folder: Path) -> None:
        for segment in self.segments:
            (folder / segment.name).write_bytes(segment.encode())

    def pieces(self, *kinds: int) -> list[tuple[Segment, int]]:
        """Segment and place in it of every frame of these types, in order."""
        return [(s, at) for s in self.segments for at, piece in enumerate(s.pieces) if piece.kind in kinds]

    def groups(self) -> list[tuple[Segment, int, int]]:
        """Segment, place of the first frame and place after the last one of every group, in order."""
        found = []
        for segment in self.segments:
            for at, piece in enumerate(segment.pieces):
                if piece.kind == BEGIN:
                    begin = at
                elif piece.kind == END:
                    found.append((segment, begin, at + 1))
        return found

    def refit(self, keep: Entry | None = None) -> None:
        """Makes everything agree with the envelopes in their present order, but for signatures.

        `keep` is one altered entry whose own links, times and flags stay as they are.
        """
        tree, previous, last = Tree(), ZEROS, dict[Subject, tuple[int, int, bytes]]()
        for segment in self.segments:
            segment.first, segment.previous, segment.name = tree.size, previous, f"{tree.size:020d}.seg"
            for at, piece in enumerate(segment.pieces):
                if piece.kind == BEGIN:
                    piece.body = GROUP.pack(tree.size, _entries_from(segment, at), min(GROUP.unpack(piece.body)[2], tree.size))
                elif piece.kind == DURABLE:
                    piece.body = MARK.pack(min(MARK.unpack(piece.body)[0], tree.size))
                elif piece.kind == END:
                    piece.body = _with_checkpoint(piece.body, tree)
                elif piece.kind == ENTRY:
                    entry = replace(parse_entry(piece.body), index=tree.size, previous=previous)
                    if keep is None or entry.envelope != keep.envelope:
                        entry = replace(entry, links=tuple(_relinked(entry, last)))
                    piece.body = encode_entry(entry)
                    previous = leaf_hash(piece.body)
                    for link in entry.links:
                        ordinal = last[link.subject][0] + 1 if link.subject in last else 0
                        last[link.subject] = (ordinal, tree.size, previous)
                    tree.append(previous)


def _entries_from(segment: Segment, at: int) -> int:
    count = 0
    while at + 1 + count < len(segment.pieces) and segment.pieces[at + 1 + count].kind == ENTRY:
        count += 1
    return count


def _relinked(entry: Entry, last: dict[Subject, tuple[int, int, bytes]]) -> Iterator[Link]:
    for link in entry.links:
        before = last.get(link.subject)
        yield Link(link.subject, before[0] + 1, before[1], before[2]) if before else Link(link.subject, 0, 0, ZEROS)


def _with_checkpoint(note: bytes, tree: Tree) -> bytes:
    origin, _, _, rest = note.split(b"\n", 3)
    return b"\n".join([origin, str(tree.size).encode(), b64encode(tree.root()), rest])
