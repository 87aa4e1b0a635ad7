"""Alterations of what the frames hold; offsets and CRCs fit again when the image is written.

Those that end in "refitted" also make indices, chain, links, counts, sizes and roots agree again, as `log_image.py` does it.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

from chance import NotHere, flipped
from entries import HEAD, Entry, parse_entry
from log_image import Image, Segment, encode_entry
from segments import BEGIN, DURABLE, END, ENTRY, GROUP, MARK, SEALED

Change = Callable[[random.Random, Image], str]


def some_entry(
    chance: random.Random, image: Image, wanted: Callable[[Entry], bool] = lambda _: True
) -> tuple[Segment, int, Entry]:
    found = []
    for segment, at in image.pieces(ENTRY):
        entry = parse_entry(segment.pieces[at].body)
        if wanted(entry):
            found.append((segment, at, entry))
    if not found:
        raise NotHere
    return chance.choice(found)


def put(segment: Segment, at: int, entry: Entry) -> None:
    segment.pieces[at].body = encode_entry(entry)


def envelope_byte(chance: random.Random, image: Image) -> str:
    segment, at, entry = some_entry(chance, image)
    envelope, where = flipped(chance, entry.envelope)
    put(segment, at, replace(entry, envelope=envelope))
    return f"byte {where} of the envelope of entry {entry.index}"


def envelope_byte_refitted(chance: random.Random, image: Image) -> str:
    said = envelope_byte(chance, image)
    image.refit()
    return said


def entry_head_byte(chance: random.Random, image: Image) -> str:
    segment, at, entry = some_entry(chance, image)
    segment.pieces[at].body, where = flipped(chance, segment.pieces[at].body, 0, HEAD.size)
    return f"byte {where} of the head of entry {entry.index}"


def received_refitted(chance: random.Random, image: Image) -> str:
    segment, at, entry = some_entry(chance, image)
    put(segment, at, replace(entry, received_ms=entry.received_ms ^ 1))
    image.refit()
    return f"received time of entry {entry.index} by 1 ms"


def flag_refitted(chance: random.Random, image: Image) -> str:
    segment, at, entry = some_entry(chance, image)
    put(segment, at, replace(entry, flags=entry.flags ^ 1))
    image.refit()
    return f"clock flag of entry {entry.index}"


def _link(chance: random.Random, image: Image, change: Callable[[Entry, int], Entry], fit: bool, name: str) -> str:
    segment, at, entry = some_entry(chance, image, lambda e: bool(e.links))
    altered = change(entry, chance.randrange(len(entry.links)))
    put(segment, at, altered)
    if fit:
        image.refit(keep=altered)
    return f"a link ({name}) in entry {entry.index}"


def _with_link(entry: Entry, at: int, **fields: int | bytes) -> Entry:
    link = replace(entry.links[at], **fields)  # type: ignore[arg-type]  # each caller names one field, with its type
    return replace(entry, links=entry.links[:at] + (link,) + entry.links[at + 1 :])


def link_index(chance: random.Random, image: Image) -> str:
    return _link(chance, image, lambda e, n: _with_link(e, n, index=e.links[n].index ^ 1), False, "index")


def link_index_refitted(chance: random.Random, image: Image) -> str:
    return _link(chance, image, lambda e, n: _with_link(e, n, index=e.links[n].index ^ 1), True, "index")


def link_ordinal_refitted(chance: random.Random, image: Image) -> str:
    return _link(chance, image, lambda e, n: _with_link(e, n, ordinal=e.links[n].ordinal + 1), True, "ordinal")


def link_leaf_refitted(chance: random.Random, image: Image) -> str:
    def change(entry: Entry, at: int) -> Entry:
        return _with_link(entry, at, leaf=flipped(chance, entry.links[at].leaf)[0])

    return _link(chance, image, change, True, "leaf hash")


def link_dropped_refitted(chance: random.Random, image: Image) -> str:
    return _link(chance, image, lambda e, n: replace(e, links=e.links[:n] + e.links[n + 1 :]), True, "whole")


def entries_swapped(chance: random.Random, image: Image) -> str:
    places = image.pieces(ENTRY)
    if len(places) < 2:
        raise NotHere
    (one, at), (two, also) = sorted(chance.sample(places, 2), key=places.index)
    one.pieces[at], two.pieces[also] = two.pieces[also], one.pieces[at]
    return f"entries {places.index((one, at))} and {places.index((two, also))} swapped"


def entries_swapped_refitted(chance: random.Random, image: Image) -> str:
    said = entries_swapped(chance, image)
    image.refit()
    return said


def _groups_of_more(image: Image) -> list[tuple[Segment, int, int]]:
    found = [(s, first, end) for s, first, end in image.groups() if end - first > 3]
    if not found:
        raise NotHere
    return found


def entry_dropped(chance: random.Random, image: Image) -> str:
    segment, first, end = chance.choice(_groups_of_more(image))
    at = chance.randrange(first + 1, end - 1)
    entry = parse_entry(segment.pieces.pop(at).body)
    start, count, synced = GROUP.unpack(segment.pieces[first].body)
    segment.pieces[first].body = GROUP.pack(start, count - 1, synced)
    return f"entry {entry.index} dropped, the group's count fitted"


def entry_dropped_refitted(chance: random.Random, image: Image) -> str:
    said = entry_dropped(chance, image)
    image.refit()
    return said


def entry_doubled_refitted(chance: random.Random, image: Image) -> str:
    segment, at, entry = some_entry(chance, image)
    segment.pieces.insert(at + 1, replace(segment.pieces[at]))
    image.refit()
    return f"entry {entry.index} doubled"


def checkpoint_root(chance: random.Random, image: Image) -> str:
    segment, at = chance.choice(image.pieces(END))
    note = segment.pieces[at].body
    start = note.index(b"\n", note.index(b"\n") + 1) + 1
    where = chance.randrange(start, start + 42)
    other = b"B" if note[where : where + 1] == b"A" else b"A"
    segment.pieces[at].body = note[:where] + other + note[where + 1 :]
    return f"root character {where - start} of a checkpoint"


def checkpoint_signature(chance: random.Random, image: Image) -> str:
    segment, at = chance.choice(image.pieces(END))
    note = segment.pieces[at].body
    where = len(note) - 4 - chance.randrange(80)
    other = b"B" if note[where : where + 1] == b"A" else b"A"
    segment.pieces[at].body = note[:where] + other + note[where + 1 :]
    return f"signature character {where} of a checkpoint's note"


def checkpoints_exchanged(chance: random.Random, image: Image) -> str:
    places = image.pieces(END)
    if len(places) < 2:
        raise NotHere
    (one, at), (two, also) = chance.sample(places, 2)
    one.pieces[at], two.pieces[also] = two.pieces[also], one.pieces[at]
    return "the checkpoints of two groups exchanged"


def group_count(chance: random.Random, image: Image) -> str:
    segment, at = chance.choice(image.pieces(BEGIN))
    first, count, synced = GROUP.unpack(segment.pieces[at].body)
    segment.pieces[at].body = GROUP.pack(first, count + chance.choice((-1, 1)), synced)
    return f"the count of the group at entry {first}"


def mark_ahead(chance: random.Random, image: Image) -> str:
    marks = image.pieces(DURABLE)
    if not marks:
        raise NotHere
    segment, at = chance.choice(marks)
    segment.pieces[at].body = MARK.pack(len(image.pieces(ENTRY)) + 1)
    return "a durable mark set beyond the log"


def frame_removed(chance: random.Random, image: Image) -> str:
    segment, at = chance.choice(image.pieces(BEGIN, ENTRY, END))
    kind = segment.pieces.pop(at).kind
    return f"frame {at} of {segment.name} (type {kind}) removed"


def seal_removed(chance: random.Random, image: Image) -> str:
    seals = image.pieces(SEALED)
    if not seals or seals[0][0] is image.segments[-1]:
        raise NotHere
    segment, at = chance.choice([seal for seal in seals if seal[0] is not image.segments[-1]])
    del segment.pieces[at]
    return f"the seal of {segment.name} removed"


def group_removed(chance: random.Random, image: Image) -> str:
    before_last = image.groups()[:-1]
    if not before_last:
        raise NotHere
    segment, first, end = chance.choice(before_last)
    del segment.pieces[first:end]
    return f"a whole group of {segment.name} removed, not the last"


def group_removed_refitted(chance: random.Random, image: Image) -> str:
    said = group_removed(chance, image)
    image.segments = [s for s in image.segments if any(p.kind == BEGIN for p in s.pieces)]
    image.refit()
    return said


def clean_end(chance: random.Random, image: Image) -> str:
    segment, first, _ = image.groups()[-1]
    del segment.pieces[first:]
    image.segments = image.segments[: image.segments.index(segment) + 1]
    return "the last group removed with all after it"


CHANGES: dict[str, Change] = {
    function.__name__.replace("_", "-"): function
    for function in (
        envelope_byte, envelope_byte_refitted, entry_head_byte, received_refitted, flag_refitted, link_index,
        link_index_refitted, link_ordinal_refitted, link_leaf_refitted, link_dropped_refitted, entries_swapped,
        entries_swapped_refitted, entry_dropped, entry_dropped_refitted, entry_doubled_refitted, checkpoint_root,
        checkpoint_signature, checkpoints_exchanged, group_count, mark_ahead, frame_removed, seal_removed,
        group_removed, group_removed_refitted, clean_end,
    )
}
