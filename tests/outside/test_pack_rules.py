"""Packs that are proved, signed and sealed throughout, and that break one rule of heads, links or the entry chain each."""

from __future__ import annotations

import unittest
from pathlib import Path
from typing import Any

import messages
from entries import parse_entry
from pack_case import PackCase, with_unknown_field
from write_pack import draft, header_of
from writing import Entry
from written_book import Book
from written_story import AIRCRAFT, ENGINE, ROSTER
from written_visit import OTHER_SERIAL, Visit

F: Any = messages.fact


class Heads(PackCase):
    def test_a_pack_with_its_subjects_in_several_heads_is_good(self) -> None:
        self.step()
        for parts in (1, 2, 3, 6):
            self.good(self.draft(parts=parts, wash=self.visit.wash.wash, from_ms=0, until_ms=9))

    def test_a_pack_that_begins_with_another_fact_is_refused(self) -> None:
        made = self.draft()
        made.entries = made.entries[1:]
        self.bad("head", "is wash_opened", made)

    def test_a_head_that_says_no_parts_or_more_than_there_are_entries_is_refused(self) -> None:
        self.bad("head", "0 parts", self._headed(part=0, parts=0))
        self.bad("head", "900 parts", self._headed(part=900, parts=900))

    def _headed(self, *bodies: dict[str, Any], **body: Any) -> Any:
        """A pack whose heads have these bodies, all with all subjects."""
        first = self.book.writer.size
        for changes in bodies or (body,):
            self.book.by_service("pack_issued", self.visit.head(**changes), self.visit.about())
        return draft(self.book, list(range(first, self.book.writer.size)), self.visit.blobs)

    def test_parts_in_another_order_are_refused(self) -> None:
        self.bad("head", "is part 1 where part 2", self._headed({"part": 2, "parts": 2}, {"part": 1, "parts": 2}))

    def test_parts_that_differ_in_another_field_are_refused(self) -> None:
        others = {"purpose": "other", "issued_to": "x", "parts": 3, "wash": bytes(16), "from_ms": 0, "until_ms": 0}
        for name, value in others.items():
            with self.subTest(name):
                made = self._headed({"part": 1, "parts": 2, name: value}, {"part": 2, "parts": 2})
                self.bad("head", "differs", made)

    def test_parts_with_an_entry_between_them_are_refused(self) -> None:
        self.book.by_service("pack_issued", self.visit.head(part=1, parts=2), self.visit.about())
        self.step()
        self.book.by_service("pack_issued", self.visit.head(part=2, parts=2), self.visit.about())
        last = self.book.writer.size - 1
        self.bad("head", "does not follow directly|is dry_crank_run", draft(self.book, [last - 2, last], self.visit.blobs))
        made = draft(self.book, [last - 2, last], self.visit.blobs)
        del made.entries[1]
        self.bad("head", "does not follow directly", made)

    def test_a_head_by_another_than_the_service_is_refused(self) -> None:
        book = self.book
        cases = ((book.office, book.custodian), (book.office, book.service), (book.server, book.custodian))
        for station, signer in cases:
            book.fact(station, signer, "pack_issued", self.visit.head(), self.visit.about())
            self.bad("head", "not by the service", draft(book, [book.writer.size - 1], self.visit.blobs))

    def test_a_head_whose_body_holds_more_than_is_known_is_refused(self) -> None:
        self.book.by_service("pack_issued", self.visit.head(), self.visit.about(), edit=with_unknown_field)
        self.bad("head", "that can be read", draft(self.book, [self.book.writer.size - 1], self.visit.blobs))

    def test_a_head_without_a_contract_is_refused(self) -> None:
        self.bad("head", "no contract", self._headed(contract=F.AttachmentRef()))

    def test_a_head_whose_wash_is_no_id_is_refused(self) -> None:
        self.bad("head", "16 bytes", self._headed(wash=b"short"))

    def test_a_pack_issued_before_is_an_entry_like_any_other(self) -> None:
        self._headed({"part": 1, "parts": 1, "purpose": "an older one"})
        self.assertEqual(self.good().entries, 6)


class Links(PackCase):
    def relink(self, position: int, value: object, at: int = 0) -> None:
        """Sets ordinal (1), index (2) or leaf hash (3) of a link of a new entry."""

        def change(entry: Entry) -> None:
            link = list(entry.links[at])
            link[position] = value
            entry.links[at] = tuple(link)  # type: ignore[assignment]  # one member of four is replaced by its like

        self.edited(change)

    def test_an_entry_left_out_is_found_wherever_it_was(self) -> None:
        self.step()
        for left_out in range(1, 6):
            made = self.draft()
            del made.entries[left_out]
            self.bad("link", "is not in the pack|ordinal|not what entry", made)

    def test_an_entry_about_nothing_of_the_pack_stands_beside_and_is_checked_like_all(self) -> None:
        self.visit.elsewhere()
        stranger = self.book.writer.size - 1
        made, whole = self.draft(), draft(self.book, [stranger], [])
        made.entries.insert(1, whole.entries[0])
        self.bad("root", "no view", made)
        made.views = sorted({(size, root, tuple(proof)) for size, root, proof in made.views + whole.views})
        named = {header_of(parse_entry(raw).envelope).seen_size for raw, _ in made.entries}
        made.views = [view for view in made.views if view[0] in named]
        self.assertEqual(self.good(made).beside, 1)

    def test_a_head_that_is_not_the_newest_of_its_subjects_hides_nothing(self) -> None:
        # The newer entry is not in the pack, which is complete up to its head and says no more.
        heads = self.visit.issue()
        self.step()
        self.good(draft(self.book, heads, self.visit.blobs))

    def test_a_link_with_another_ordinal_index_or_hash_is_refused(self) -> None:
        cases = ((1, 7, "ordinal"), (2, 1, "names another entry"), (3, bytes(32), "names another entry"))
        for position, value, reason in cases:
            with self.subTest(position):
                self.setUp()
                self.relink(position, value)
                self.bad("link", reason)

    def test_a_link_that_names_itself_or_a_later_entry_is_refused(self) -> None:
        self.relink(2, self.book.writer.size)
        self.bad("link", "not an older one")

    def test_a_first_link_that_names_an_entry_is_refused(self) -> None:
        for position, value in ((2, 1), (3, bytes([1]) * 32)):
            self.setUp()
            self.visit.wash.wash = self.book.id("a second wash")
            self.relink(position, value, at=2)
            self.bad("link", "is the first")

    def test_a_link_to_an_entry_about_something_else_is_refused(self) -> None:
        # The wash is new, and its link leads to the entry that enrols the technician.
        self.visit.wash.wash = self.book.id("a second wash")
        leaf = self.book.writer.leaves[1]
        self.edited(lambda entry: entry.links.__setitem__(2, (entry.links[2][0], 1, 1, leaf)))
        self.bad("link", "is the oldest of subject 3")

    def test_what_a_fact_is_about_besides_need_not_be_complete(self) -> None:
        # The engine hung on another aircraft before, of which the pack tells nothing.
        self.visit.elsewhere()
        self.step(about=[(AIRCRAFT, self.visit.wash.aircraft), (ENGINE, OTHER_SERIAL)])
        self.good()

    def test_a_chain_cut_short_by_a_first_ordinal_is_refused(self) -> None:
        def cut(entry: Entry) -> None:
            entry.links[0] = (entry.links[0][0], 0, 0, bytes(32))

        self.edited(cut)
        self.bad("link", "is not what entry")

    def test_a_chain_that_passes_an_entry_by_is_refused(self) -> None:
        # Two entries name the same one before them; the one between is reached by its engine only.
        before = self.book.writer.kept[-1][0]
        leaf = self.book.writer.leaves[-1]
        self.step()

        def pass_by(entry: Entry) -> None:
            entry.links[0] = (entry.links[0][0], 1, before.index, leaf)

        self.edited(pass_by)
        self.bad("link", "is not what entry")

    def test_links_that_are_not_the_headers_subjects_in_order_are_refused(self) -> None:
        for again in ([2, 1, 0], [0, 1], [0, 1, 2, 2]):
            self.setUp()
            self.edited(lambda entry, again=again: setattr(entry, "links", [entry.links[at] for at in again]))
            self.bad("link", "in order")


class EntryChains(PackCase):
    def test_a_neighbour_that_names_another_leaf_before_it_is_refused(self) -> None:
        self.edited(lambda entry: setattr(entry, "previous", bytes(32)))
        self.bad("chain", "leaf hash of the entry before")

    def test_a_received_time_that_falls_is_refused_also_over_a_gap(self) -> None:
        for gap in (False, True):
            self.setUp()
            if gap:
                self.visit.elsewhere()
            self.edited(lambda entry: setattr(entry, "received_ms", 5))
            self.bad("chain", "was received before")

    def test_a_first_entry_that_names_one_before_it_is_refused(self) -> None:
        self._found_anew(lambda entry: setattr(entry, "previous", bytes([1]) * 32))
        self.bad("chain", "before the first")

    def _found_anew(self, change: Any = lambda entry: None, **header: Any) -> None:
        self.book = Book(Path(), 7)
        self.visit = Visit(self.book)
        self.book.writer.edit_entry = change
        self.book.found(**header)
        self.book.writer.edit_entry = lambda entry: None
        self.book.by_custodian("key_enrolled", self.book.key_enrolled("technician"))
        self.book.by_custodian("device_enrolled", self.book.device_enrolled(self.visit.tablet))

    def test_an_entry_0_that_founds_nothing_is_refused(self) -> None:
        self._found_anew(record=bytes([1]) * 32)
        self.bad("chain", "founding")

    def test_a_pack_whose_subjects_do_not_lead_to_the_founding_is_refused(self) -> None:
        about = [subject for subject in self.visit.about() if subject[0] != ROSTER]
        # The station's enrolment is left out with the roster.
        self.book.by_service("pack_issued", self.visit.head(), about)
        self.bad("chain", "is the oldest here; entry 0", draft(self.book, [self.book.writer.size - 1], self.visit.blobs))

    def test_a_fact_of_another_record_is_refused(self) -> None:
        self.step(record=bytes(32))
        self.bad("chain", "another record")

if __name__ == "__main__":
    unittest.main()
