#!/usr/bin/env python3
"""Verifies a whole log folder from its bytes, the verifier key, and the message definitions alone.

    verify_log.py LOG_DIR VKEY_FILE [--older CHECKPOINT_FILE]

VKEY_FILE holds verifier keys (name+<8 hex>+<base64>), one a line. CHECKPOINT_FILE holds a checkpoint kept from before:
the log must still begin with it, which is the only way to see that a clean end was cut off.

What is checked, from the outside in; each layer is a module that states its bytes at the top:

 1. segments.py   The folder holds segment files only, named by their first index, none missing. Header, every frame and
                  its CRC; groups whole, contiguous, in one file; durable marks never ahead nor falling; every file but
                  the last sealed; unused space zero to the end. Nothing is forgiven: a torn tail is a flaw.
 2. entries.py    Each entry in its one encoding: index, leaf hash of the entry before, received time never falling, term
                  never falling; for each subject of the fact one link to that subject's entry before.
 3. envelopes.py  Each envelope in its one DSSE encoding, at most 16384 bytes, the service's 32768.
 4. facts.py      Header and exactly one kind, shortest varints; the header unchanged by decoding and encoding.
 5. roster.py     Entry 0 is the founding, signed by the custodian's key that it names; the record is the SHA-256 of its
    custody.py    envelope, and every other fact names it. Every signature, by keys that the log enrols with proof of
                  possession; devices' reports by their report keys. Facts whose key never comes are counted as unread.
                  Custody as it is granted, withdrawn, and passed on by enough recovery keys.
 6. places.py     For each device and run: counters from 0 without gaps, each fact naming the envelope before; refusals and
                  losses take the places that they name; a fork is another, well signed envelope for a place taken.
 7. merkle.py     The RFC 6962 root over all entries at the end of every group,
 8. logkeys.py    which its checkpoint must name, with the size, signed by the log's key in force: changed within an epoch,
    notes.py      or with a new epoch, by a custodian's word. One of these keys is that which the verifier brought.
 9. seen.py       The state of the log that each fact names as seen was this log's; where a device says otherwise, it is a
                  finding beside the verdict, and a flaw where the service does.

Not judged: what the facts mean, who had which authority but custody, whether a revoked key enrolled anybody.

One line a check, then `good: N entries, M signatures, root <base64>` and exit 0. At the first failure one line
`bad: <what> <segment file> offset <o> entry <i>: <reason>` and exit 3. Exit 2: usage. Exit 5: something cannot be read.
"""

from __future__ import annotations

import argparse
import sys
from base64 import b64encode
from pathlib import Path

from entries import EntryChain, SubjectChains, parse_entry
from facts import LONGEST, LONGEST_OF_SERVICE, Fact, read_fact
from flaw import Flaw, Place, need
from logkeys import LogKeys
from merkle import Tree, leaf_hash
from notes import Checkpoint, VerifierKey
from places import Places
from roster import Roster
from seen import Seen
from segments import Counts, Group, groups


class Verifier:
    """One pass over a log; holds what later entries are checked against."""

    def __init__(self, keys: list[VerifierKey], older: bytes | None = None) -> None:
        self.counts = Counts()
        self.chain = EntryChain()
        self.subjects = SubjectChains()
        self.roster = Roster()
        self.places = Places(self.roster)
        self.tree = Tree()
        self.log_keys = LogKeys(keys)
        self.seen = Seen()
        self.unread_kinds = 0
        self.older: Checkpoint | None = self.log_keys.check_older(older) if older is not None else None

    def run(self, folder: Path) -> None:
        """Raises the first flaw."""
        self._compare_older()
        for group in groups(folder, lambda: self.chain.last_leaf, self.counts):
            self._group(group)
        self.log_keys.finish()
        if self.older is not None and self.older.size > self.tree.size:
            raise Flaw("rollback", f"ends at {self.tree.size} entries, before the older checkpoint's {self.older.size}")

    def _group(self, group: Group) -> None:
        for offset, raw in group.entries:
            try:
                self._entry(raw)
            except Flaw as flaw:
                raise flaw.at(Place(group.file, offset, self.chain.next_index))
        try:
            self.log_keys.check(group.note, self.tree.size, self.tree.root())
        except Flaw as flaw:
            raise flaw.at(Place(group.file, group.note_offset, self.tree.size - 1))

    def _entry(self, raw: bytes) -> None:
        entry = parse_entry(raw)
        self.chain.check(entry)
        fact = read_fact(entry.envelope)
        by_service = fact.header.author_key == self.roster.service_key_id
        longest = LONGEST_OF_SERVICE if by_service else LONGEST
        need(len(entry.envelope) <= longest, "envelope", f"has {len(entry.envelope)} bytes, more than {longest}")
        self.subjects.check(entry, fact.subjects)
        self._meaning(fact, entry.index)
        leaf = leaf_hash(raw)
        self.chain.take(entry, leaf)
        self.subjects.take(entry, leaf)
        self.tree.append(leaf)
        self._compare_older()

    def _meaning(self, fact: Fact, index: int) -> None:
        self.unread_kinds += fact.body is None
        if index == 0:
            self.roster.found(fact)
            self.log_keys.found(fact.body)
        else:
            read = self.roster.check(fact, index)
            for succession in self.roster.successions:
                self.log_keys.learn(succession, index, self.tree.root())
            self.roster.successions.clear()
            for each, its_index in read:
                by_service = each.header.device == self.roster.service_device
                self.seen.take(each, its_index, by_service, self.log_keys, self.log_keys.root_at)
        self.places.take(fact)

    def _compare_older(self) -> None:
        if self.older is not None and self.older.size == self.tree.size:
            need(self.older.root == self.tree.root(), "rollback", "the older checkpoint has another root at this size")

    @property
    def signatures(self) -> int:
        """All that verified: facts, proofs of possession, reports, forks, checkpoints."""
        counts = self.roster.counts
        facts = counts.at_once + counts.by_later_key + counts.forks
        return facts + counts.proofs + counts.reports + self.log_keys.signatures

    def lines(self) -> list[str]:
        """What was checked, with counts; the last line is the verdict."""
        disk, keys, size = self.counts, self.roster.counts, self.tree.size
        unread = f"{self.roster.waiting} unread for want of their key, {keys.bad_under_later_key} not signed by it"
        return [
            f"segments: {disk.segments} files, names, headers and seals",
            f"frames: {disk.frames} CRCs; {disk.marks} durable marks; {disk.unused_bytes} unused bytes zero",
            f"groups: {disk.groups} whole and contiguous",
            f"entries: {size} encodings, chained, received in order",
            f"links: {self.subjects.links} of {len(self.subjects)} subjects",
            f"facts: {size} envelopes, framings and headers; {self.unread_kinds} of a kind or body that is not read",
            f"signatures: {keys.at_once} of facts, {keys.by_later_key} by keys enrolled later; {unread}",
            f"proofs of possession: {keys.proofs} good, {keys.without_proof} enrolments without effect for want of one",
            f"reports: {keys.reports} signed by their devices",
            f"places: {self.places.facts} facts in {len(self.places)} runs; {self.places.refused} refused, "
            f"{self.places.lost} lost, {keys.forks} forks seen",
            f"checkpoints: {self.log_keys.checkpoints} roots, sizes and origins, {self.log_keys.signatures} signatures",
            *self.seen.lines(),
            f"good: {size} entries, {self.signatures} signatures, root {b64encode(self.tree.root()).decode()}",
        ]


def read_keys(path: Path) -> list[VerifierKey]:
    """The verifier keys of a file, one a line; raises ValueError where it holds none or a bad one."""
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    try:
        keys = [VerifierKey.parse(line.strip()) for line in lines]
    except Flaw as flaw:
        raise ValueError(flaw.reason) from None
    if not keys:
        raise ValueError("the file is empty")
    return keys


def main() -> int:
    parser = argparse.ArgumentParser(description="Verify a whole log folder.")
    parser.add_argument("log", type=Path, metavar="LOG_DIR")
    parser.add_argument("keys", type=Path, metavar="VKEY_FILE")
    parser.add_argument("--older", type=Path, metavar="CHECKPOINT_FILE", help="a checkpoint kept from before")
    arguments = parser.parse_args()
    try:
        keys = read_keys(arguments.keys)
    except (OSError, ValueError) as error:
        print(f"cannot use the verifier key: {error}; give a file with name+id+key, one a line", file=sys.stderr)
        return 5
    try:
        older = arguments.older.read_bytes() if arguments.older else None
        verifier = Verifier(keys, older)
        verifier.run(arguments.log)
    except Flaw as flaw:
        print(flaw)
        return 3
    except OSError as error:
        print(f"cannot read {error.filename}: {error.strerror}; check the path and its permissions", file=sys.stderr)
        return 5
    print("\n".join(verifier.lines()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
