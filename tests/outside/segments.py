"""Segment files, frames and groups: the log as it lies on disk, read strictly. All integers big-endian.

A file <20-digit first index>.seg begins with 60 bytes: "RINSEJNL", u32 1, u32 kind (1: log), u64 first index, 32 bytes leaf
hash of the entry before it (zeros for the first file), u32 CRC of those 56 bytes. Frames follow without gaps:

    u32 body length, u32 CRC, u8 type, body         CRC over u64 offset of the frame, u64 first index, u8 type, body

    1 group begins   u64 first index, u32 count, u64 size known to be synced before it
    2 entry          the entry's bytes
    3 group ends     the checkpoint note
    4 durable mark   u64 size known to be synced
    5 sealed         empty; nothing but zeros follows, and the next file goes on

Nine zeros where a frame would begin (or fewer at the end of the file) begin the unused space, which is zeros to the end.
CRC is CRC-32/IEEE. Offset and first index inside it keep a frame from passing at another place or in another file.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from zlib import crc32

from flaw import Flaw, Place, need

HEADER = struct.Struct(">8sIIQ32sI")
FRAME = struct.Struct(">IIB")
GROUP = struct.Struct(">QIQ")
MARK = struct.Struct(">Q")
BEGIN, ENTRY, END, DURABLE, SEALED = 1, 2, 3, 4, 5
NAME = re.compile(r"[0-9]{20}\.seg")
LONGEST_BODY = 66_000


@dataclass(frozen=True)
class Frame:
    offset: int
    kind: int
    body: bytes


@dataclass
class Group:
    """One group: its entries (offset and bytes) and the checkpoint note that ends it."""

    file: str
    offset: int
    first: int
    count: int
    entries: list[tuple[int, bytes]] = field(default_factory=list)
    note: bytes = b""
    note_offset: int = 0


@dataclass
class Counts:
    segments: int = 0
    frames: int = 0
    groups: int = 0
    marks: int = 0
    unused_bytes: int = 0


def frame_crc(offset: int, first: int, kind: int, body: bytes) -> int:
    return crc32(struct.pack(">QQB", offset, first, kind) + body)


def segment_names(folder: Path) -> list[str]:
    """The segment files in order; anything else in the folder is a flaw."""
    names = sorted(path.name for path in folder.iterdir())
    for name in names:
        if not NAME.fullmatch(name):
            raise Flaw("folder", "the log folder holds something that is no segment file", Place(name))
    if not names:
        raise Flaw("folder", "the log folder holds no segment file")
    return names


def check_header(name: str, data: bytes, first: int, previous: bytes) -> None:
    what = "segment-header"
    need(len(data) >= HEADER.size, what, f"the file has {len(data)} bytes, fewer than a header")
    magic, version, kind, said_first, said_previous, crc = HEADER.unpack_from(data)
    need(crc == crc32(data[: HEADER.size - 4]), what, "the CRC does not fit")
    need(magic == b"RINSEJNL" and version == 1, what, "not a segment file of version 1")
    need(kind == 1, what, f"the file is of kind {kind}, not a log (1)")
    need(said_first == first, what, f"begins at index {said_first}, but {first} comes next")
    need(name == f"{first:020d}.seg", what, f"the name is not that of a file that begins at {first}")
    need(said_previous == previous, what, "the leaf hash before it is not that of the entry before it")


def frames(data: bytes, first: int, counts: Counts) -> Iterator[Frame]:
    """The frames of one file after its header, then a check that the rest is zero."""
    at, sealed = HEADER.size, False
    while not sealed and any(data[at : at + FRAME.size]):
        here = Place(offset=at)
        if at + FRAME.size > len(data):
            raise Flaw("frame", "the file ends inside a frame header", here)
        length, crc, kind = FRAME.unpack_from(data, at)
        if length > LONGEST_BODY or at + FRAME.size + length > len(data):
            raise Flaw("frame", f"a body of {length} bytes does not fit", here)
        body = data[at + FRAME.size : at + FRAME.size + length]
        if crc != frame_crc(at, first, kind, body):
            raise Flaw("frame", "the CRC does not fit", here)
        counts.frames += 1
        yield Frame(at, kind, body)
        at += FRAME.size + length
        sealed = kind == SEALED
    for offset in range(at, len(data), 65536):
        block = data[offset : offset + 65536]
        if any(block):
            stain = offset + len(block) - len(block.lstrip(b"\0"))
            raise Flaw("unused-space", "is not zero", Place(offset=stain))
    counts.unused_bytes += max(0, len(data) - at)


class _Assembler:
    """Puts frames together to groups and keeps what must carry on from file to file."""

    def __init__(self, counts: Counts) -> None:
        self.counts = counts
        self.next_index = 0
        self.open: Group | None = None
        self.sealed = False

    def take(self, name: str, frame: Frame) -> Group | None:
        """The group that this frame ends, if it ends one."""
        kind, body = frame.kind, frame.body
        if kind == BEGIN:
            self._begin(name, frame)
        elif kind == ENTRY:
            need(self.open is not None, "group", "an entry outside a group")
            assert self.open is not None
            need(len(self.open.entries) < self.open.count, "group", f"holds more than its {self.open.count} entries")
            self.open.entries.append((frame.offset, body))
            self.next_index += 1
        elif kind == END:
            return self._end(frame)
        elif kind == DURABLE:
            need(self.open is None, "durable-mark", "stands inside a group")
            need(len(body) == MARK.size, "durable-mark", f"has {len(body)} bytes instead of {MARK.size}")
            self._synced(MARK.unpack(body)[0], "durable-mark")
            self.counts.marks += 1
        elif kind == SEALED:
            need(self.open is None, "seal", "stands inside a group")
            need(body == b"", "seal", "has a body")
            self.sealed = True
        else:
            raise Flaw("frame", f"unknown type {kind}")
        return None

    def _begin(self, name: str, frame: Frame) -> None:
        need(self.open is None, "group", "begins inside another group")
        need(len(frame.body) == GROUP.size, "group", f"its first frame has {len(frame.body)} bytes instead of {GROUP.size}")
        first, count, synced = GROUP.unpack(frame.body)
        need(first == self.next_index, "group", f"begins at index {first}, but {self.next_index} comes next")
        need(0 < count <= 65_536, "group", f"announces {count} entries")
        self._synced(synced, "group")
        self.open = Group(name, frame.offset, first, count)

    def _end(self, frame: Frame) -> Group:
        need(self.open is not None, "group", "ends without having begun")
        assert self.open is not None
        group, self.open = self.open, None
        need(len(group.entries) == group.count, "group", f"holds {len(group.entries)} entries of {group.count}")
        group.note, group.note_offset = frame.body, frame.offset
        self.counts.groups += 1
        return group

    def _synced(self, size: int, what: str) -> None:
        # Whoever writes a group or a mark has synced all that stands before it, no less.
        need(size == self.next_index, what, f"says {size} entries are synced, but {self.next_index} stand before it")


def groups(folder: Path, last_leaf: Callable[[], bytes], counts: Counts) -> Iterator[Group]:
    """Every group in order. `last_leaf` is asked for the hash of the last entry whenever a new file begins."""
    names = segment_names(folder)
    assembler = _Assembler(counts)
    for name in names:
        place, first = Place(name, 0, assembler.next_index), assembler.next_index
        try:
            data = (folder / name).read_bytes()
            check_header(name, data, first, last_leaf())
            counts.segments += 1
            assembler.sealed = False
            for frame in frames(data, first, counts):
                place = Place(name, frame.offset, assembler.next_index)
                group = assembler.take(name, frame)
                if group is not None:
                    yield group
            need(assembler.open is None, "group", "is torn: the file has no end for it")
            need(assembler.sealed or name == names[-1], "seal", "is missing, though another file follows")
        except Flaw as flaw:
            if flaw.place is not None and flaw.place.file is None:
                flaw.place = Place(name, flaw.place.offset, assembler.next_index)
            raise flaw.at(place)
