"""Alterations of the files themselves: bytes whose CRC nobody fitted, headers, unused space, lengths, names."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path
from zlib import crc32

from chance import NotHere, flipped
from log_image import Image
from segments import BEGIN, END, ENTRY, FRAME, HEADER, Counts, frames

RawChange = Callable[[random.Random, Path], str]


def some_file(chance: random.Random, folder: Path) -> Path:
    return chance.choice(sorted(folder.iterdir()))


def used_end(path: Path) -> int:
    """Offset after the last frame."""
    data = path.read_bytes()
    end = HEADER.size
    for frame in frames(data, HEADER.unpack_from(data)[3], Counts()):
        end = frame.offset + FRAME.size + len(frame.body)
    return end


def any_byte(chance: random.Random, folder: Path) -> str:
    path = some_file(chance, folder)
    altered, at = flipped(chance, path.read_bytes())
    path.write_bytes(altered)
    return f"byte {at} of {path.name}, no CRC fitted"


def header_byte(chance: random.Random, folder: Path) -> str:
    path = some_file(chance, folder)
    altered, at = flipped(chance, path.read_bytes(), 0, HEADER.size)
    path.write_bytes(altered)
    return f"byte {at} of the header of {path.name}, no CRC fitted"


def header_byte_fitted(chance: random.Random, folder: Path) -> str:
    path = some_file(chance, folder)
    altered, at = flipped(chance, path.read_bytes(), 0, HEADER.size - 4)
    path.write_bytes(altered[: HEADER.size - 4] + crc32(altered[: HEADER.size - 4]).to_bytes(4, "big") + altered[HEADER.size :])
    return f"byte {at} of the header of {path.name}"


def unused_space(chance: random.Random, folder: Path) -> str:
    path = some_file(chance, folder)
    data, end = path.read_bytes(), used_end(path)
    altered, at = flipped(chance, data + bytes(1) if end == len(data) else data, end)
    path.write_bytes(altered)
    return f"byte {at} of {path.name}, in its unused space"


def truncation(chance: random.Random, folder: Path) -> str:
    """Cuts inside a group of the last file that has one. A cut inside the first 9 bytes of a group might leave only
    zeros of it, which is a clean end and another kind."""
    last = Image.read(folder).groups()[-1][0]
    path = folder / last.name
    data = path.read_bytes()
    inside: list[int] = []
    for frame in frames(data, last.first, Counts()):
        after = frame.offset + FRAME.size + len(frame.body)
        if frame.kind in (BEGIN, ENTRY, END):
            inside.extend(range(frame.offset + (FRAME.size if frame.kind == BEGIN else 0), after))
    cut = chance.choice(inside)
    path.write_bytes(data[:cut])
    return f"{path.name} truncated to {cut} bytes, inside a group"


def file_removed(chance: random.Random, folder: Path) -> str:
    paths = sorted(folder.iterdir())
    if len(paths) < 2:
        raise NotHere
    gone = chance.choice(paths[:-1])
    gone.unlink()
    return f"{gone.name} removed, not the last"


def foreign_file(chance: random.Random, folder: Path) -> str:
    path = some_file(chance, folder)
    shutil.copy(path, path.with_suffix(".bak"))
    return f"a file {path.stem}.bak added"


RAW_CHANGES: dict[str, RawChange] = {
    function.__name__.replace("_", "-"): function
    for function in (
        any_byte, header_byte, header_byte_fitted, unused_space, truncation, file_removed, foreign_file,
    )
}
