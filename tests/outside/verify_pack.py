#!/usr/bin/env python3
"""Verifies a pack from its bytes and the message definitions alone; a pack needs neither the log nor a service.

    verify_pack.py PACK [--log-key KEY|FILE] [--witness KEY]... [--json]

KEY is a verifier key: name+<8 hex>+<base64>; FILE holds such keys, one a line. The keys that sign the log come from the pack,
from the founding on: custodians change them. One of them must be the key given; without one a good answer says so: the pack
is consistent with itself, and its origin is unproved.

What is checked, and the word for what is wrong:

 pack        pack_bytes.py    The one form of the file, entries and seal included.
 head        pack_links.py    The first entries are the service's own facts that issue the pack, and say what it is about.
 link        pack_links.py    Each of these subjects back to its first entry, none missing.
 chain       pack_links.py    Entry 0 is there and founds the record that all name; neighbours chained, none received before
             pack_roster.py   an older one; devices' runs ascending, neighbours chained.
 signature   pack_roster.py   Envelopes in their one form, signed by their keys, from enrolled devices; devices' own reports.
 root        pack_views.py    The checkpoint signed by the log's key in force, cosignatures by the witnesses' keys; every entry
             logkeys.py       and a view of every size that an author had seen under its root. An author who names another
             seen.py          root than the log had is a finding beside the verdict, and a flaw where it is the service.
 blob        pack_blobs.py    Every text named by a fact, every attachment there.

Not judged: what the facts mean, who had which authority but custody, whether a revoked key enrolled anybody.

The last line is `good: ...` with exit 0, or `bad: <word> ...` with exit 3. Exit 2: usage. Exit 5: something cannot be read.
With --json one object: good, check (the word, empty where good), why, entries, unread (facts that no known key signed),
cosignatures (of the witnesses given).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from cosignatures import WitnessKey
from facts import read_fact
from flaw import Flaw, Place
from logkeys import LogKeys
from notes import VerifierKey
from pack_blobs import check_blobs
from pack_bytes import Pack, PackedEntry, read_pack
from pack_links import Item, check_entry_chain, check_links, find_heads, subjects_of
from pack_roster import PackRoster, places_of, word_of
from pack_views import check_included, check_note, check_views
from verify_log import read_keys

UNPROVED = "consistent with itself, origin unproved"


@dataclass
class Answer:
    """What came out. `check` is the word for the first thing wrong; `notes` say more of a good pack, a line each."""

    good: bool = False
    check: str = ""
    why: str = ""
    entries: int = 0
    unread: int = 0
    cosignatures: int = 0
    beside: int = 0
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, object]:
        names = ("good", "check", "why", "entries", "unread", "cosignatures", "beside")
        return {name: getattr(self, name) for name in names}

    def __str__(self) -> str:
        if not self.good:
            return f"bad: {self.check}: {self.why}"
        counts = f"{self.entries} entries, {self.beside} of them beside the chains, {self.unread} unread, {self.cosignatures} cosignatures"
        return "\n".join([*self.notes, f"good: {counts}{', ' if self.why else ''}{self.why}"])


@contextmanager
def _at(index: int) -> Iterator[None]:
    """Flaws of the checks that a whole log shares, under this command's words and at their entry."""
    try:
        yield
    except Flaw as flaw:
        raise Flaw(word_of(flaw), f"{flaw.what} {flaw.reason}", Place(entry=index)) from None


def verify_pack(data: bytes, log_keys: list[VerifierKey], witnesses: list[WitnessKey]) -> Answer:
    """Checks the bytes of one pack. Without a log key the founding fact's own is used."""
    answer = Answer()
    try:
        _Verifier(answer, log_keys, witnesses).run(data)
    except Flaw as flaw:
        entry = flaw.place.entry if flaw.place else None
        answer.good, answer.check = False, flaw.what
        answer.why = flaw.reason if entry is None else f"entry {entry}: {flaw.reason}"
    return answer


class _Verifier:
    def __init__(self, answer: Answer, log_keys: list[VerifierKey], witnesses: list[WitnessKey]) -> None:
        self._answer, self._brought, self._witnesses = answer, log_keys, witnesses
        self._log_keys = LogKeys(log_keys)
        self._roster = PackRoster()
        self._places = places_of(self._roster)

    def run(self, data: bytes) -> None:
        """Raises the first flaw, under one of the seven words."""
        pack = read_pack(data)
        items = [_open(packed) for packed in pack.entries]
        self._answer.entries = len(items)
        heads = find_heads(items)
        self._answer.beside = check_links(items, heads)
        check_entry_chain(items)
        self._found(items[-1])
        for head in heads:
            by_service = head.fact.header.author_key == self._roster.service_key_id
            on_service = head.fact.header.device == self._roster.service_device
            head.need(by_service and on_service, "head", "is not by the service that the founding fact names")
        for item in items[-2::-1]:
            with _at(item.index):
                self._roster.check(item.fact, item.index)
                self._places.take(item.fact)
            for succession in self._roster.successions:
                self._log_keys.learn(succession, item.index, None)
            self._roster.successions.clear()
        self._answer.unread = self._roster.unread
        self._under_the_note(pack, items)
        absent = check_blobs(items, pack.blobs)
        self._say(pack, heads, absent)

    def _found(self, item: Item) -> None:
        item.need(item.index == 0, "chain", "is the oldest here; entry 0, which founds the record, is not in the pack")
        with _at(0):
            self._roster.found(item.fact)
            self._places.take(item.fact)
        try:
            self._log_keys.found(item.fact.body)
        except Flaw as flaw:
            raise Flaw("root", flaw.reason, Place(entry=0)) from None

    def _under_the_note(self, pack: Pack, items: list[Item]) -> None:
        read = {id(fact) for fact in self._roster.read}
        signed = {item.index for item in items if id(item.fact) in read}
        try:
            checkpoint, self._answer.cosignatures = check_note(pack.note, self._log_keys, self._witnesses)
            if self._brought:
                self._log_keys.finish()
        except Flaw as flaw:
            raise Flaw("root", flaw.reason) from None
        check_included(items, checkpoint)
        said = check_views(items, pack.views, checkpoint, signed, self._log_keys, self._roster.service_device)
        self._answer.notes += said.lines()
        self._answer.notes.append(f"checkpoint: {checkpoint.origin} at {checkpoint.size} entries")

    def _say(self, pack: Pack, heads: list[Item], absent: set[bytes]) -> None:
        body, erased = heads[0].fact.body, self._roster.erased
        assert body is not None
        annexes = sum(blob.is_annex for blob in pack.blobs)
        kept_back = len(absent - erased.keys())
        self._answer.notes[:0] = [
            f"issued: to {body.issued_to!r} for {body.purpose!r}",
            f"complete: {len(subjects_of(heads))} subjects up to entry {heads[0].index}",
        ]
        self._answer.notes += [
            f"beside them: {len(pack.blobs) - annexes} attachments, {annexes} annexes; {kept_back} annexes kept back",
            *(f"erased: annex {digest.hex()}, by the custodian: {erased[digest]!r}" for digest in sorted(absent & erased.keys())),
        ]
        self._answer.good, self._answer.why = True, "" if self._brought else UNPROVED


def _open(packed: PackedEntry) -> Item:
    with _at(packed.entry.index):
        return Item(packed, read_fact(packed.entry.envelope))


def log_keys_from(given: str | None) -> list[VerifierKey]:
    """The verifier keys of a file, or the one written out; raises ValueError or OSError."""
    if given is None:
        return []
    try:
        return [VerifierKey.parse(given)] if given.count("+") >= 2 else read_keys(Path(given))
    except Flaw as flaw:
        raise ValueError(flaw.reason) from None


def witnesses_from(given: list[str]) -> list[WitnessKey]:
    try:
        return [WitnessKey.parse(line) for line in given]
    except Flaw as flaw:
        raise ValueError(flaw.reason) from None


def main() -> int:
    parser = argparse.ArgumentParser(description="Verify a pack.")
    parser.add_argument("pack", type=Path, metavar="PACK")
    parser.add_argument("--log-key", metavar="KEY|FILE", help="the log's verifier key, or a file with it")
    parser.add_argument("--witness", action="append", default=[], metavar="KEY", help="a witness's verifier key")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    arguments = parser.parse_args()
    try:
        log_keys, witnesses = log_keys_from(arguments.log_key), witnesses_from(arguments.witness)
    except (OSError, ValueError) as error:
        print(f"cannot use the verifier key: {error}; give name+id+key, or a file of such lines", file=sys.stderr)
        return 5
    try:
        data = arguments.pack.read_bytes()
    except OSError as error:
        print(f"cannot read {error.filename}: {error.strerror}; check the path and its permissions", file=sys.stderr)
        return 5
    answer = verify_pack(data, log_keys, witnesses)
    print(json.dumps(answer.as_json()) if arguments.json else answer)
    return 0 if answer.good else 3


if __name__ == "__main__":
    sys.exit(main())
