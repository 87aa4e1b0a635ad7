"""Logs that are properly signed but break a rule of keys, devices, places or epochs."""

from __future__ import annotations

import unittest
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

import messages
from facts import DEVICE
from flaw import Flaw
from notes import VerifierKey
from rule_case import RuleCase
from signatures import SMALL_ORDER, is_signed
from verify_log import Verifier
from writing import Signer, Station, seeded, tree_root
from written_story import fork, lose, refuse

F: Any = messages.fact


class KeyRules(RuleCase):
    def test_a_fact_from_a_device_that_is_not_enrolled_is_refused(self) -> None:
        self.step(station=self.book.station("unknown tablet"))
        self.bad("device", "not enrolled")

    def test_the_services_key_on_a_persons_device_is_refused(self) -> None:
        self.step(signer=self.book.service)
        self.bad("device", "do not come together")

    def test_a_persons_key_on_the_services_device_is_refused(self) -> None:
        self.step(station=self.book.server)
        self.bad("device", "do not come together")

    def test_a_key_without_proof_of_possession_does_not_count(self) -> None:
        body = self.book.key_enrolled("pretender")
        body.possession = self.book.signer("somebody else").possession(body.person)
        self.book.by_custodian("key_enrolled", body)
        self.step(signer=self.book.signer("pretender"))
        roster = self.verify().roster
        self.assertEqual((roster.waiting, roster.counts.without_proof), (1, 1))

    def test_a_fact_that_came_before_its_key_is_left_unread_where_the_key_did_not_sign_it(self) -> None:
        late = self.book.signer("late")
        self.step(signer=self.technician, author_key=late.key_id)
        self.book.by_custodian("key_enrolled", self.book.key_enrolled("late"))
        counts = self.verify().roster.counts
        self.assertEqual((counts.by_later_key, counts.bad_under_later_key), (0, 1))

    def test_a_key_enrolled_by_a_fact_that_waited_itself_is_known_too(self) -> None:
        self.step(signer=self.book.signer("third"))
        self.book.fact(self.book.office, self.book.signer("second"), "key_enrolled", self.book.key_enrolled("third"), [(4, b"")])
        self.book.by_custodian("key_enrolled", self.book.key_enrolled("second"))
        roster = self.verify().roster
        self.assertEqual((roster.counts.by_later_key, roster.waiting), (2, 0))

    def test_a_key_of_small_order_under_which_any_message_is_signed_proves_nothing(self) -> None:
        identity = bytes([1]) + bytes(31)
        for_all = identity + bytes(32)
        Ed25519PublicKey.from_public_bytes(identity).verify(for_all, b"any message")  # the library alone takes it
        self.assertFalse(is_signed(identity, for_all, b"any message"))
        self.assertEqual(len(SMALL_ORDER), 14)
        body = F.KeyEnrolled(person=self.book.id("weak"), public_key=identity, possession=for_all)
        self.book.by_custodian("key_enrolled", body)
        self.assertEqual(self.verify().roster.counts.without_proof, 1)


class PlaceRules(RuleCase):
    def test_a_place_left_out_is_refused(self) -> None:
        self.step(counter=self.tablet.counter + 1)
        self.bad("device-chain", "place 3 instead of 2")

    def test_a_place_taken_twice_is_refused(self) -> None:
        self.step(counter=self.tablet.counter - 1)
        self.bad("device-chain", "place 1 instead of 2")

    def test_a_fact_that_does_not_name_the_envelope_before_is_refused(self) -> None:
        self.step(previous=bytes(32))
        self.bad("device-chain", "does not name")

    def test_the_first_fact_of_a_run_may_name_anything(self) -> None:
        self.tablet.restart(seeded(5, "a new run"))
        self.step(previous=seeded(5, "an envelope that the log lacks", 32))
        self.verify()

    def test_a_run_that_does_not_begin_at_0_is_refused(self) -> None:
        self.step(run=seeded(5, "a new run"))
        self.bad("device-chain", "place 2 instead of 0")

    def test_a_fact_after_a_refusal_that_does_not_name_what_was_received_is_refused(self) -> None:
        before = self.tablet.last
        refuse(self.book, self.tablet)
        self.step(previous=before)
        self.bad("device-chain", "does not name")

    def test_a_refusal_of_a_place_that_is_taken_is_refused(self) -> None:
        self.tablet.counter -= 1
        refuse(self.book, self.tablet)
        self.bad("refusal", "place 1 instead of 2")

    def test_a_refused_first_place_is_named_by_the_second(self) -> None:
        self.tablet.restart(seeded(5, "a new run"))
        refuse(self.book, self.tablet)
        self.step()
        self.assertEqual(self.verify().places.refused, 1)

    def test_losses_that_the_device_did_not_report_are_refused(self) -> None:
        report = self.book.report(self.tablet, lost=(2, 3))
        body = F.PlacesLost(device=self.tablet.device, run=self.tablet.run, first_counter=2, last_counter=4, report=report)
        self.book.by_service("places_lost", body, [(DEVICE, self.tablet.device)])
        self.bad("lost-places", "does not say so")

    def test_a_fact_that_goes_on_before_the_lost_places_end_is_refused(self) -> None:
        lose(self.book, self.tablet, places=3)
        self.step(counter=self.tablet.counter - 1)
        self.bad("device-chain", "place 4 instead of 5")

    def test_a_report_signed_by_another_key_is_refused(self) -> None:
        report = self.book.report(self.tablet, self.technician)
        self.book.by_service("device_reported", F.DeviceReported(report=report), [(DEVICE, self.tablet.device)])
        self.bad("report", "not signed")

    def test_a_report_on_another_subject_than_its_device_is_refused(self) -> None:
        report = self.book.report(self.tablet)
        self.book.by_service("device_reported", F.DeviceReported(report=report), [(DEVICE, self.book.office.device)])
        self.bad("subjects")

    def test_a_refusal_for_a_reason_that_takes_no_place_is_refused(self) -> None:
        body = F.FactRefused(
            device=self.tablet.device, run=self.tablet.run, counter=self.tablet.counter,
            received_digest=bytes(32), reason=F.REFUSAL_REASON_GAP,
        )
        self.book.by_service("fact_refused", body, [(DEVICE, self.tablet.device)])
        self.bad("refusal", "takes no place")

    def test_losses_by_the_report_of_another_device_are_refused(self) -> None:
        report = self.book.report(self.book.office, lost=(2, 3))
        body = F.PlacesLost(device=self.tablet.device, run=self.tablet.run, first_counter=2, last_counter=3, report=report)
        self.book.by_service("places_lost", body, [(DEVICE, self.tablet.device)])
        self.bad("lost-places", "another device's")

    def test_a_report_by_a_device_that_is_not_enrolled_is_refused(self) -> None:
        unknown = self.book.station("unknown tablet")
        body = F.DeviceReported(report=self.book.report(unknown))
        self.book.by_service("device_reported", body, [(DEVICE, unknown.device)])
        self.bad("report", "no report key")

    def test_a_report_for_another_record_is_refused(self) -> None:
        record, self.book.record = self.book.record, bytes(32)
        body = F.DeviceReported(report=self.book.report(self.tablet))
        self.book.record = record
        self.book.by_service("device_reported", body, [(DEVICE, self.tablet.device)])
        self.bad("report", "another record")

    def test_a_fork_whose_second_envelope_is_the_first_is_refused(self) -> None:
        envelope = self.book.envelope(self.tablet, self.technician, "remark", F.Remark(), self.wash.subjects())
        self.book.keep(self.tablet, envelope, self.wash.subjects())
        body = F.ForkSeen(device=self.tablet.device, run=self.tablet.run, counter=self.tablet.counter - 1, envelope=envelope)
        self.book.by_service("fork_seen", body, [(DEVICE, self.tablet.device)])
        self.bad("fork", "is the first")

    def test_a_fork_badly_signed_is_refused(self) -> None:
        technician = self.technician.key_id
        liar = self.book.signer("liar")
        liar.key_id = technician
        fork(self.book, self.wash, self.tablet, liar)
        self.bad("fork", "not signed")

    def test_a_fork_of_a_place_that_was_not_taken_is_refused(self) -> None:
        ahead = Station(self.tablet.device, self.tablet.report_signer, self.tablet.run, self.tablet.counter + 1)
        fork(self.book, self.wash, ahead, self.technician)
        self.bad("fork", "not taken")


class EpochRules(RuleCase):
    def open_epoch(self, signer: Signer | None = None, **changes: Any) -> None:
        """The custodian's fact that opens epoch 2; from its group on the new key signs under the new origin."""
        writer, new = self.book.writer, self.book.signer("second log key")
        body = F.EpochOpened(
            epoch=2, log_public_key=new.public, restored_size=writer.size, restored_root=tree_root(writer.leaves),
            lost_checkpoint_note=writer.note,
        )
        for name, value in changes.items():
            setattr(body, name, value)
        self.book.fact(self.book.office, signer or self.book.custodian, "epoch_opened", body, [(4, b"")])
        self.book.epoch, writer.origin, writer.signer = 2, f"{self.book.origin_name}/2", new

    def change_key(self, *signers: Signer) -> Signer:
        writer, new = self.book.writer, self.book.signer("next log key")
        text = writer.checkpoint_text()
        note = text + "\n" + "".join(signer.note(writer.origin, text) for signer in signers)
        body = F.LogKeyChanged(old_public_key=self.book.log_signer.public, new_public_key=new.public, checkpoint_note=note)
        self.book.by_custodian("log_key_changed", body)
        return new

    def test_a_new_epoch_goes_on_under_its_own_origin_and_key(self) -> None:
        self.open_epoch()
        self.book.writer.commit()
        self.step()
        self.verify()

    def test_a_new_epoch_that_names_another_root_has_no_effect(self) -> None:
        self.open_epoch(restored_root=bytes(32))
        self.bad("checkpoint", "origin")

    def test_a_new_epoch_that_names_another_size_has_no_effect(self) -> None:
        self.open_epoch(restored_size=3)
        self.bad("checkpoint", "origin")

    def test_an_epoch_that_skips_a_number_has_no_effect(self) -> None:
        self.open_epoch(epoch=3)
        self.bad("checkpoint", "origin")

    def test_a_new_epoch_that_a_technician_declares_has_no_effect(self) -> None:
        self.open_epoch(signer=self.technician)
        self.bad("checkpoint", "origin")

    def test_a_changed_key_signs_alone_once_both_have_signed_the_checkpoint_before(self) -> None:
        new = self.change_key(self.book.log_signer, self.book.signer("next log key"))
        self.book.writer.commit(more_signers=(new,))
        self.book.writer.signer = new
        self.step()
        self.verify()

    def test_the_old_key_alone_signs_no_more_once_it_was_changed(self) -> None:
        self.change_key(self.book.log_signer, self.book.signer("next log key"))
        self.bad("checkpoint", "in force")

    def test_a_line_by_the_old_key_that_is_bad_refuses_the_note(self) -> None:
        new = self.change_key(self.book.log_signer, self.book.signer("next log key"))
        writer = self.book.writer
        writer.signer = new
        writer.commit()
        origin, forged = writer.origin, self.book.log_signer.note(writer.origin, "another text\n")
        new_note = new.note
        new.note = lambda name, text: new_note(name, text) + forged  # type: ignore[method-assign]
        self.step()
        self.bad("checkpoint", f"bad signature by {origin}")

    def test_a_key_changed_over_a_state_that_the_log_never_had_has_no_effect(self) -> None:
        writer, new = self.book.writer, self.book.signer("next log key")
        text = writer.checkpoint_text()
        origin, size, _, end = text.split("\n")
        other = "\n".join([origin, size, "A" * 43 + "=", end])
        note = other + "\n" + "".join(signer.note(writer.origin, other) for signer in (self.book.log_signer, new))
        body = F.LogKeyChanged(old_public_key=self.book.log_signer.public, new_public_key=new.public, checkpoint_note=note)
        self.book.by_custodian("log_key_changed", body)
        writer.signer = new
        self.bad("checkpoint", "no signature by a known key")

    def test_any_key_that_signed_the_log_will_do_for_the_verifier_and_no_other(self) -> None:
        new = self.change_key(self.book.log_signer, self.book.signer("next log key"))
        self.book.writer.signer = new
        self.book.writer.commit()
        origin = self.book.writer.origin
        for signer in (self.book.log_signer, new):
            Verifier([VerifierKey.parse(signer.verifier_key(origin).strip())]).run(self.folder)
        with self.assertRaisesRegex(Flaw, "verifier key brought"):
            Verifier([VerifierKey.parse(self.book.signer("stranger").verifier_key(origin).strip())]).run(self.folder)

    def test_what_an_epoch_lost_can_be_compared_with_nothing(self) -> None:
        self.open_epoch()
        self.book.writer.commit()
        size = self.book.writer.size
        self.step(seen_epoch=1, seen_size=size, seen_root=bytes(32))
        self.assertEqual(self.verify().seen.otherwise, {})

    def test_a_changed_key_that_the_old_one_did_not_sign_for_has_no_effect(self) -> None:
        self.book.writer.signer = self.change_key(self.book.signer("next log key"))
        self.bad("checkpoint", "no signature by a known key")


if __name__ == "__main__":
    unittest.main()
