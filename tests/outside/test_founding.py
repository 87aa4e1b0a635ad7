"""Entry 0: a founding that holds together is a good log by itself, and every other first entry is refused."""

from __future__ import annotations

import tempfile
import unittest
from pathlib import Path
from typing import Any

from flaw import Flaw
from notes import VerifierKey
from verify_log import Verifier
from written_book import Book


class FoundingRules(unittest.TestCase):
    def found(self, fields: dict[str, Any] | None = None, **changes: Any) -> Verifier:
        """Verifies a founding with changes to fields of its body (by path) and to its header."""
        with tempfile.TemporaryDirectory() as made:
            book = Book(Path(made), seed=6)
            body = book.founding()
            for path, value in (fields or {}).items():
                *parents, name = path.split(".")
                part = body
                for parent in parents:
                    part = getattr(part, parent)
                if isinstance(value, list):
                    getattr(part, name)[:] = value
                else:
                    setattr(part, name, value)
            book.found(body, **changes)
            book.writer.commit()
            verifier = Verifier([VerifierKey.parse(book.log_signer.verifier_key(f"{book.origin_name}/1").strip())])
            verifier.run(Path(made))
            return verifier

    def refused(self, what: str, **changes: Any) -> None:
        with self.assertRaises(Flaw) as caught:
            self.found(**changes)
        self.assertEqual(caught.exception.what, what, str(caught.exception))

    def test_a_founding_alone_is_a_good_log(self) -> None:
        self.assertEqual(self.found().tree.size, 1)

    def test_a_founding_that_names_a_record_is_refused(self) -> None:
        self.refused("founding", record=bytes([1]) * 32)

    def test_a_founding_signed_by_a_key_that_it_does_not_name_is_refused(self) -> None:
        self.refused("founding", author_key=bytes(32))

    def test_a_founding_that_has_seen_entries_is_refused(self) -> None:
        self.refused("founding", seen_size=1)

    def test_a_founding_whose_body_does_not_hold_together_is_refused(self) -> None:
        cases: dict[str, Any] = {
            "custodian.person": bytes(16),
            "custodian_key.possession": bytes(64),
            "custodian_device.possession": bytes(64),
            "service_device": bytes(15),
            "service_fact_key": bytes(32),
            "recovery_threshold": 3,
            "log_public_key": bytes(32),
            "origin_name": "two words",
        }
        for path, value in cases.items():
            with self.subTest(path), self.assertRaises(Flaw) as caught:
                self.found({path: value})
            self.assertEqual(caught.exception.what, "founding", str(caught.exception))

    def test_a_founding_from_another_device_or_with_another_empty_root_is_refused(self) -> None:
        self.refused("founding", device=bytes(16))
        self.refused("founding", seen_root=bytes(32))

    def test_a_first_entry_that_is_no_founding_is_refused(self) -> None:
        with tempfile.TemporaryDirectory() as made:
            book = Book(Path(made), seed=6)
            book.by_custodian("key_enrolled", book.key_enrolled("custodian"))
            book.writer.commit()
            with self.assertRaisesRegex(Flaw, "not a founding"):
                Verifier([VerifierKey.parse(book.log_signer.verifier_key("log.example/wash/1").strip())]).run(Path(made))

    def test_a_founding_that_does_not_begin_its_run_is_refused(self) -> None:
        self.refused("device-chain", counter=1)


if __name__ == "__main__":
    unittest.main()
