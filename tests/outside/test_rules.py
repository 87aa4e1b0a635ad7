"""Logs whose checkpoints are properly signed and whose hashes all fit, but that break one rule each.

Here the signature over the root cannot give the verdict, so that each rule is seen to be checked for itself.
"""

from __future__ import annotations

import unittest
from hashlib import sha256

from facts import AIRCRAFT
from rule_case import RuleCase, with_header
from writing import Entry, delimited, seeded
from written_story import SERIALS


class EntryRules(RuleCase):
    def relink(self, position: int, value: object) -> None:
        """Sets ordinal (1), index (2) or leaf hash (3) of the last link of a new entry."""

        def change(entry: Entry) -> None:
            link = list(entry.links[-1])
            link[position] = value
            entry.links[-1] = tuple(link)  # type: ignore[assignment]  # one member of four is replaced by its like

        self.edited(change)

    def test_the_log_that_all_cases_begin_with_is_good(self) -> None:
        self.step(clock_offset_ms=0, card=bytes(16))
        self.assertEqual(self.verify().tree.size, self.book.writer.size)

    def test_a_link_with_another_ordinal_is_refused(self) -> None:
        self.relink(1, 7)
        self.bad("link", "ordinal 7")

    def test_a_link_with_another_index_is_refused(self) -> None:
        self.relink(2, 1)
        self.bad("link", "index 1")

    def test_a_link_with_another_leaf_hash_is_refused(self) -> None:
        self.relink(3, bytes(32))
        self.bad("link", "leaf hash")

    def test_links_in_another_order_than_the_headers_subjects_are_refused(self) -> None:
        self.edited(lambda entry: entry.links.reverse())
        self.bad("link", "in order")

    def test_an_entry_of_another_version_is_refused(self) -> None:
        self.edited(lambda entry: setattr(entry, "version", 2))
        self.bad("entry", "version 2")

    def test_an_entry_with_an_unknown_flag_is_refused(self) -> None:
        self.edited(lambda entry: setattr(entry, "flags", 2))
        self.bad("entry", "flags")

    def test_an_entry_with_the_flag_for_an_unsure_clock_is_good(self) -> None:
        self.edited(lambda entry: setattr(entry, "flags", 1))
        self.verify()

    def test_an_entry_that_names_another_leaf_before_it_is_refused(self) -> None:
        self.edited(lambda entry: setattr(entry, "previous", bytes(32)))
        self.bad("chain")

    def test_an_entry_of_an_earlier_term_than_the_one_before_it_is_refused(self) -> None:
        self.edited(lambda entry: setattr(entry, "term", 2))
        self.verify()
        self.edited(lambda entry: setattr(entry, "term", 1))
        self.bad("term")

    def test_an_entry_received_before_the_one_before_it_is_refused(self) -> None:
        self.edited(lambda entry: setattr(entry, "received_ms", entry.received_ms - 3_600_000))
        self.bad("received")


class CheckpointRules(RuleCase):
    def text(self, old: str, new: str) -> None:
        self.book.writer.edit_text = lambda text: text.replace(old, new)
        self.step()

    def test_a_signed_checkpoint_of_another_size_is_refused(self) -> None:
        self.text(f"\n{self.book.writer.size + 1}\n", f"\n{self.book.writer.size}\n")
        self.bad("checkpoint", "size")

    def test_a_signed_checkpoint_with_a_zero_before_its_size_is_refused(self) -> None:
        self.text(f"\n{self.book.writer.size + 1}\n", f"\n0{self.book.writer.size + 1}\n")
        self.bad("checkpoint", "decimal")

    def test_a_signed_checkpoint_of_another_epoch_is_refused(self) -> None:
        self.text("/1\n", "/2\n")
        self.bad("checkpoint", "origin")

    def test_a_signed_checkpoint_with_another_root_is_refused(self) -> None:
        self.book.writer.edit_text = lambda text: "\n".join(text.split("\n")[:2]) + "\n" + "A" * 43 + "=\n"
        self.step()
        self.bad("checkpoint", "root")

    def test_a_checkpoint_signed_by_a_key_that_the_log_does_not_name_is_refused(self) -> None:
        self.book.writer.signer = self.book.signer("another log key")
        self.step()
        self.bad("checkpoint", "no signature by a known key")


class FactRules(RuleCase):
    def test_a_fact_of_another_record_is_refused(self) -> None:
        self.step(record=bytes(32))
        self.bad("record")

    def test_a_fact_signed_by_another_key_than_it_names_is_refused(self) -> None:
        self.step(signer=self.book.signer("inspector"), author_key=self.technician.key_id)
        self.bad("signature")

    def test_a_header_with_a_field_that_version_1_does_not_have_is_refused(self) -> None:
        self.step(edit=with_header(lambda header: header + delimited(17, b"more")))
        self.bad("header", "unchanged")

    def test_a_header_that_says_a_field_twice_is_refused(self) -> None:
        self.step(edit=with_header(lambda header: header[:34] + header))
        self.bad("header", "unchanged")

    def test_a_header_with_a_zero_written_out_is_refused(self) -> None:
        # Field 11 as varint 0 after a header that ends with its subjects: neither in place nor in canonical form.
        self.step(edit=with_header(lambda header: header + b"\x58\x00"))
        self.bad("header", "unchanged")

    def test_a_length_that_is_not_in_its_shortest_form_is_refused(self) -> None:
        self.step(edit=lambda payload: payload[:2] + bytes([payload[2] | 0x80, 0]) + payload[3:])
        self.bad("fact", "shortest")

    def test_a_fact_of_two_kinds_is_refused(self) -> None:
        self.step(edit=lambda payload: payload + delimited(62, b""))
        self.bad("fact", "goes on")

    def test_subjects_that_do_not_ascend_are_refused(self) -> None:
        self.step(about=list(reversed(self.wash.subjects(SERIALS[0]))))
        self.bad("header", "ascending")

    def test_a_subject_named_twice_is_refused(self) -> None:
        self.step(about=[(AIRCRAFT, self.wash.aircraft)] * 2)
        self.bad("header", "ascending")

    def test_a_subject_of_an_unknown_kind_is_refused(self) -> None:
        self.step(about=[(6, bytes(16))])
        self.bad("header", "unknown kind")

    def test_a_header_with_a_short_id_is_refused(self) -> None:
        self.step(run=bytes(15))
        self.bad("header", "run has 15 bytes")

    def test_a_header_with_a_card_of_another_length_is_refused(self) -> None:
        self.step(card=bytes(15))
        self.bad("header", "card has 15 bytes")

    def test_a_header_that_refers_to_less_than_a_digest_is_refused(self) -> None:
        self.step(refers=[bytes(31)])
        self.bad("header", "not 32 bytes")

    def test_a_header_with_more_than_32_subjects_is_refused(self) -> None:
        self.book.writer.edit_entry = lambda entry: entry.links.clear()
        self.step(about=[(AIRCRAFT, bytes(15) + bytes([n])) for n in range(33)])
        self.bad("header", "33 subjects")

    def test_an_unknown_kind_is_kept_unread(self) -> None:
        self.step(edit=lambda payload: _as_kind(payload, 500))
        self.assertEqual(self.verify().unread_kinds, 1)

    def test_a_field_number_under_32_is_no_kind(self) -> None:
        self.step(edit=lambda payload: _as_kind(payload, 31))
        self.bad("fact", "no kind")

    def test_a_body_with_an_unknown_field_is_kept_unread(self) -> None:
        self.step(edit=lambda payload: _with_body(payload, delimited(100, b"new")))
        self.assertEqual(self.verify().unread_kinds, 1)

    def test_a_body_with_an_unknown_enum_value_is_kept_unread(self) -> None:
        # Field 5 of a reconnection is how it was locked: 99 is no way that is known, and 0 is none.
        self.step(edit=lambda payload: _with_body(payload, b"\x28\x63"))
        self.step(edit=lambda payload: _with_body(payload, b"\x28\x00"))
        self.step(edit=lambda payload: _with_body(payload, b"\x28\x02"))
        self.assertEqual(self.verify().unread_kinds, 2)

    def test_an_envelope_over_16384_bytes_is_refused_but_for_the_services(self) -> None:
        refers = [seeded(1, f"refers {n}", 32) for n in range(500)]
        self.book.by_service("versions_in_force", self.book.versions(), [], refers=refers)
        self.verify()
        self.step(refers=refers)
        self.bad("envelope", "more than 16384")

    def test_an_envelope_with_a_key_id_is_refused(self) -> None:
        subjects = self.wash.subjects()
        envelope = self.book.envelope(self.tablet, self.technician, "remark", self.book.remark(), subjects)
        signature = envelope[-64:]
        longer = envelope[:-68] + delimited(3, delimited(1, signature) + delimited(2, b"id"))
        self.assertNotEqual(sha256(longer).digest(), self.book.keep(self.tablet, envelope, subjects))
        self.book.keep(self.tablet, longer, subjects)
        self.bad("envelope", "without a key id")


def _split(payload: bytes) -> tuple[bytes, bytes]:
    """Header field and body of a payload whose header has two bytes of length, whose kind has two bytes of tag and one of length."""
    end = 3 + ((payload[1] & 0x7F) | payload[2] << 7)
    return payload[:end], payload[end + 3 :]


def _as_kind(payload: bytes, number: int) -> bytes:
    header, body = _split(payload)
    return header + delimited(number, body)


def _with_body(payload: bytes, more: bytes) -> bytes:
    """The payload of a reconnection (field 64) with more at the end of its body."""
    header, body = _split(payload)
    return header + delimited(64, body + more)


if __name__ == "__main__":
    unittest.main()
