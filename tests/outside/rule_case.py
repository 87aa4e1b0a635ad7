"""What the tests of single rules start from: a record with a tablet, a technician and an open wash."""

from __future__ import annotations

import tempfile
import unittest
from collections.abc import Callable
from pathlib import Path
from typing import Any

import messages
from flaw import Flaw
from notes import VerifierKey
from verify_log import Verifier
from writing import Entry, delimited
from written_book import Book
from written_story import SERIALS, Wash, enrol, open_wash

F: Any = messages.fact


def with_header(change: Callable[[bytes], bytes]) -> Callable[[bytes], bytes]:
    """An edit of a payload that changes the header's bytes. Headers here have 128 to 16383 bytes: two of length."""

    def edit(payload: bytes) -> bytes:
        length = (payload[1] & 0x7F) | payload[2] << 7
        return delimited(1, change(payload[3 : 3 + length])) + payload[3 + length :]

    return edit


class RuleCase(unittest.TestCase):
    """Each test goes on from here, breaks one rule, and has the checkpoints signed all the same."""

    def setUp(self) -> None:
        made = tempfile.TemporaryDirectory()
        self.addCleanup(made.cleanup)
        self.folder = Path(made.name)
        self.book = Book(self.folder, seed=5)
        self.tablet, self.wash = self.book.station("tablet"), Wash(self.book)
        self.technician = self.book.signer("technician")
        enrol(self.book, self.tablet)
        open_wash(self.book, self.wash, self.tablet, self.technician)

    def step(self, **changes: Any) -> None:
        """One more wash fact, with changes to its header or payload."""
        at = F.EngineAt(position=1, serial=SERIALS[0].decode())
        subjects = changes.pop("about", self.wash.subjects(SERIALS[0]))
        station, signer = changes.pop("station", self.tablet), changes.pop("signer", self.technician)
        body = F.LineReconnected(engine=at, line="sense 2", torque_millinewton_metres=0)
        self.book.fact(station, signer, "line_reconnected", body, subjects, **changes)

    def edited(self, change: Callable[[Entry], None]) -> None:
        """One more wash fact in an entry that `change` has altered."""
        self.book.writer.edit_entry = change
        self.step()

    def verify(self) -> Verifier:
        if self.book.writer.queued:
            self.book.writer.commit()
        verifier = Verifier([VerifierKey.parse(self.book.log_signer.verifier_key(f"{self.book.origin_name}/1").strip())])
        verifier.run(self.folder)
        return verifier

    def bad(self, what: str, reason: str = "") -> None:
        """The verifier refuses the log for this, at its last group."""
        with self.assertRaisesRegex(Flaw, reason) as caught:
            self.verify()
        self.assertEqual(caught.exception.what, what, str(caught.exception))
        place = caught.exception.place
        assert place is not None and place.entry is not None
        self.assertGreaterEqual(place.entry, self.book.writer.size - 4)
