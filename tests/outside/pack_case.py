"""What the tests of packs start from: the shortest record with a wash, whose pack a test changes before it is sealed."""

from __future__ import annotations

import unittest
from collections.abc import Callable
from pathlib import Path
from typing import Any

import messages
from cosignatures import WitnessKey
from notes import VerifierKey
from verify_pack import Answer, verify_pack
from write_pack import Draft, draft
from writing import Entry
from written_book import Book
from written_story import SERIALS
from written_visit import Visit

F: Any = messages.fact


def with_unknown_field(payload: bytes) -> bytes:
    """The payload with one more field at the end of the kind's body, which is then not read. Kinds here take two bytes."""
    length, at = payload[1], 2
    if length >= 0x80:
        length, at = length & 0x7F | payload[2] << 7, 3
    at += length
    number, body = payload[at : at + 2], payload[at + 3 :]
    assert payload[at + 2] == len(body) < 0x7C
    return payload[:at] + number + bytes([len(body) + 3]) + body + b"\xf8\x7f\x01"


class PackCase(unittest.TestCase):
    """Each test goes on from here, breaks one rule, and has everything else signed, proved and sealed all the same."""

    def setUp(self) -> None:
        # Nothing is written: a pack needs no folder.
        self.book = Book(Path(), seed=7)
        self.visit = Visit(self.book)
        self.visit.enrol()
        self.open()

    def open(self, **changes: Any) -> None:
        """The fact that opens the wash of both engines."""
        self.visit.fact("wash_opened", F.WashOpened(work_order="W-1"), self.visit.wash.subjects(*SERIALS), **changes)

    @property
    def log_key(self) -> VerifierKey:
        return VerifierKey.parse(self.book.log_signer.verifier_key(self.book.writer.origin).strip())

    def step(self, **changes: Any) -> None:
        """One more fact of the wash, with changes to its header or payload, or who sends and signs it."""
        station, signer = changes.pop("station", self.visit.tablet), changes.pop("signer", self.visit.technician)
        at = F.EngineAt(position=1, serial=SERIALS[0].decode())
        subjects = changes.pop("about", self.visit.wash.subjects(SERIALS[0]))
        self.book.fact(station, signer, "dry_crank_run", F.DryCrankRun(engine=at), subjects, **changes)

    def edited(self, change: Callable[[Entry], None]) -> None:
        """One more fact of the wash, in an entry that `change` has altered."""
        self.book.writer.edit_entry = change
        self.step()
        self.book.writer.edit_entry = lambda entry: None

    def draft(self, **changes: Any) -> Draft:
        return draft(self.book, self.visit.issue(**changes), self.visit.blobs)

    def verify(self, made: Draft | None = None, witnesses: list[WitnessKey] | None = None) -> Answer:
        return verify_pack((made or self.draft()).encode(), [self.log_key], witnesses or [])

    def good(self, made: Draft | None = None) -> Answer:
        answer = self.verify(made)
        self.assertTrue(answer.good, str(answer))
        return answer

    def bad(self, word: str, reason: str, made: Draft | None = None) -> None:
        """The verifier refuses the pack by this word."""
        answer = self.verify(made)
        self.assertEqual((answer.good, answer.check), (False, word), str(answer))
        self.assertRegex(answer.why, reason)
