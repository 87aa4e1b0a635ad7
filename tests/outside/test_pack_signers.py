"""Packs that are proved and sealed throughout, and that break one rule of signatures or of the devices' chains each."""

from __future__ import annotations

import unittest
from hashlib import sha256
from pathlib import Path
from typing import Any

import messages
from pack_case import PackCase, with_unknown_field
from write_pack import draft
from writing import Station, seeded
from written_book import Book
from written_story import DEVICE, ROSTER, lose, refuse
from written_visit import Visit

F: Any = messages.fact


class Signatures(PackCase):
    def test_a_fact_that_its_key_did_not_sign_is_refused(self) -> None:
        self.step(author_key=self.book.custodian.key_id)
        self.bad("signature", "not signed by the key")

    def test_a_head_that_the_service_did_not_sign_is_refused(self) -> None:
        service = self.book.service.key_id
        body, about = self.visit.head(), self.visit.about()
        self.book.fact(self.book.server, self.visit.technician, "pack_issued", body, about, author_key=service)
        self.bad("signature", "not signed by the key", draft(self.book, [self.book.writer.size - 1], self.visit.blobs))

    def test_a_founding_that_its_key_did_not_sign_is_refused(self) -> None:
        self.book = Book(Path(), 7)
        self.visit = Visit(self.book)
        envelope = self.book.envelope(self.book.office, self.book.custodian, "record_founded", self.book.founding(), [(ROSTER, b"")])
        self.book.record = self.book.keep(self.book.office, envelope[:-1] + bytes([envelope[-1] ^ 1]), [(ROSTER, b"")])
        self.bad("signature", "entry 0: .*not signed")

    def test_a_key_that_never_comes_leaves_its_fact_unread_and_one_that_comes_later_does_not(self) -> None:
        self.step(signer=self.book.signer("stranger"))
        self.step(signer=self.book.signer("newcomer"))
        self.book.by_custodian("key_enrolled", self.book.key_enrolled("newcomer"))
        self.assertEqual(self.good().unread, 1)

    def test_a_key_enrolled_without_proof_of_possession_does_not_count(self) -> None:
        self.step(signer=self.book.signer("unproved"))
        self.book.by_custodian("key_enrolled", F.KeyEnrolled(person=bytes(16), public_key=self.book.signer("unproved").public))
        self.assertEqual(self.good().unread, 1)

    def test_an_envelope_or_header_in_another_form_is_refused(self) -> None:
        envelope = self.book.envelope(self.visit.tablet, self.visit.technician, "remark", F.Remark(), self.visit.about()[:1])
        for altered, reason in ((envelope + b"\x1a\x00", "does not end"), (envelope.replace(b"fact.v1", b"fact.v2"), "its type")):
            self.setUp()
            self.book.writer.append(altered, self.visit.about()[:1])
            self.bad("signature", reason)
        self.setUp()
        self.step(run=bytes(15))
        self.bad("signature", "run has 15 bytes")

    def test_an_envelope_that_is_too_long_is_refused_and_the_services_may_be_longer(self) -> None:
        cases = ((False, 15_000, True), (False, 17_000, False), (True, 17_000, True), (True, 33_000, False))
        for service, length, good in cases:
            with self.subTest(length=length, service=service):
                self.setUp()
                body, about = F.WashInterrupted(reason="x" * length), self.visit.about()[:1]
                if service:
                    self.book.by_service("wash_interrupted", body, about)
                else:
                    self.visit.fact("wash_interrupted", body, about)
                if good:
                    self.good()
                else:
                    self.bad("signature", "more than")

    def test_a_founding_that_is_too_long_is_refused(self) -> None:
        self.book = Book(Path(), 7)
        self.visit = Visit(self.book)
        body = self.book.founding()
        body.recovery_keys.extend(self.book.signer(f"recovery {number}").public for number in range(500))
        self.book.found(body)
        self.bad("signature", "entry 0: envelope has more than 16384")

    def test_a_device_that_was_not_enrolled_is_refused(self) -> None:
        self.step(station=self.book.station("unknown tablet"))
        self.bad("signature", "was not enrolled")

    def test_a_device_that_was_retired_is_refused_until_it_is_enrolled_again(self) -> None:
        retired = F.DeviceRetired(device=self.visit.tablet.device, reason="screen broken")
        self.step()
        self.book.by_custodian("device_retired", retired)
        self.good()
        self.step()
        self.bad("signature", "was retired")
        self.setUp()
        self.book.by_custodian("device_retired", retired)
        self.book.by_custodian("device_enrolled", self.book.device_enrolled(self.visit.tablet))
        self.step()
        self.good()

    def test_the_services_device_is_not_retired(self) -> None:
        self.book.by_custodian("device_retired", F.DeviceRetired(device=self.book.server.device))
        self.good()

    def test_a_retirement_or_erasure_that_cannot_be_read_means_nothing(self) -> None:
        for kind, body in (("device_retired", F.DeviceRetired(device=self.visit.tablet.device)), ("annex_erased", F.AnnexErased())):
            self.book.by_custodian(kind, body, edit=with_unknown_field)
        self.step()
        self.good()

    def test_only_the_custodian_retires_a_device(self) -> None:
        self.visit.fact("device_retired", F.DeviceRetired(device=self.visit.tablet.device), [(ROSTER, b"")])
        self.step()
        self.good()

    def test_the_services_key_and_device_do_not_go_apart(self) -> None:
        self.step(signer=self.book.service)
        self.bad("signature", "do not come together")
        self.setUp()
        self.step(station=self.book.server)
        self.bad("signature", "do not come together")

    def test_a_report_that_another_key_signed_is_refused(self) -> None:
        self.visit.report()
        self.good()
        self.visit.report(signer=self.visit.technician)
        self.bad("signature", "not signed by the report key")

    def test_a_fork_whose_second_envelope_is_not_well_signed_is_refused(self) -> None:
        self._fork(self.visit.technician)
        self.good()
        self.setUp()
        self._fork(self.visit.technician, author_key=self.book.custodian.key_id)
        self.bad("signature", "not signed by the key that it names")

    def test_a_fork_of_a_key_that_never_comes_is_passed_over(self) -> None:
        self._fork(self.book.signer("stranger"))
        self.good()

    def test_a_fork_whose_second_envelope_is_the_first_or_of_another_place_is_refused(self) -> None:
        first = self.book.writer.kept[-1][0].envelope
        self._fork(self.visit.technician, second=first)
        self.bad("signature", "is the first")
        self.setUp()
        self.step()
        self._fork(self.visit.technician, second=first)
        self.bad("signature", "of another place")

    def _fork(self, signer: Any, second: bytes = b"", **changes: Any) -> None:
        tablet = self.visit.tablet
        again = Station(tablet.device, tablet.report_signer, tablet.run, tablet.counter - 1, bytes(32))
        second = second or self.book.envelope(again, signer, "remark", F.Remark(), self.visit.wash.subjects(), **changes)
        body = F.ForkSeen(device=tablet.device, run=tablet.run, counter=again.counter, envelope=second)
        self.book.by_service("fork_seen", body, [(DEVICE, tablet.device)])


class DeviceChains(PackCase):
    def test_places_taken_by_facts_about_another_aircraft_are_passed_over(self) -> None:
        self.visit.elsewhere()
        self.step()
        self.visit.elsewhere()
        self.visit.elsewhere()
        self.step()
        self.good()

    def test_a_fact_that_does_not_name_its_neighbours_envelope_is_refused(self) -> None:
        self.step(previous=bytes(32))
        self.bad("chain", "does not name the envelope before it")

    def test_a_place_taken_twice_or_gone_back_to_is_refused(self) -> None:
        self.step()
        for counter in (0, 1):
            with self.subTest(counter):
                self.setUp()
                self.step()
                self.step(counter=counter)
                self.bad("chain", f"place {counter} comes after place 1")

    def test_a_refusal_takes_its_place_and_the_next_fact_names_what_was_received(self) -> None:
        refuse(self.book, self.visit.tablet)
        self.step()
        self.good()
        refuse(self.book, self.visit.tablet)
        self.step(previous=sha256(b"other bytes").digest())
        self.bad("chain", "does not name the envelope before it")

    def test_a_refusal_of_a_place_that_was_taken_is_refused(self) -> None:
        self.visit.tablet.counter -= 1
        refuse(self.book, self.visit.tablet)
        self.bad("chain", "place 0 comes after place 0")

    def test_lost_places_are_passed_over_and_cannot_be_taken(self) -> None:
        lose(self.book, self.visit.tablet, places=3)
        self.step()
        self.good()
        self.setUp()
        lose(self.book, self.visit.tablet, places=3)
        self.step(counter=3)
        self.bad("chain", "place 3 comes after place 3")

    def test_lost_places_that_the_device_did_not_report_are_refused(self) -> None:
        tablet = self.visit.tablet
        body = F.PlacesLost(
            device=tablet.device, run=tablet.run, first_counter=1, last_counter=9,
            report=self.book.report(tablet, lost=(1, 2)),
        )
        self.book.by_service("places_lost", body, [(DEVICE, tablet.device)])
        self.bad("chain", "does not say so")

    def test_a_new_run_begins_at_any_value(self) -> None:
        self.visit.tablet.restart(seeded(7, "another run"))
        self.step(previous=bytes([9]) * 32)
        self.good()

    def test_the_services_own_run_is_a_chain_too(self) -> None:
        self.visit.report()
        body, about = F.VersionsInForce(rules_version=1), self.visit.about()[:1]
        self.book.by_service("versions_in_force", body, about, previous=bytes(32))
        self.bad("chain", "does not name the envelope before it")


if __name__ == "__main__":
    unittest.main()
