"""Logs in which custody passes on, or says to; and what signers say to have seen."""

from __future__ import annotations

import unittest
from typing import Any

import messages
from flaw import Flaw
from rule_case import RuleCase
from writing import Signer

F: Any = messages.fact


class CustodyRules(RuleCase):
    """Custody passed on by recovery keys, two of which the founding asks for."""

    def setUp(self) -> None:
        super().setUp()
        self.heir = self.book.signer("heir")

    def reestablish(self, signer: Signer | None = None, **changes: Any) -> bytes:
        """The act, by the heir's own key where no other is given; its digest."""
        body = F.CustodyReestablished(
            custodian=F.PersonEnrolled(person=self.book.id("heir")), custodian_key=self.book.key_enrolled("heir"),
            custodian_device=self.book.device_enrolled(self.book.station("heir's desk")), reason="the key is lost",
        )
        for name, value in changes.items():
            getattr(body, name).extend(value) if isinstance(value, list) else setattr(body, name, value)
        return self.book.fact(self.book.office, signer or self.heir, "custody_reestablished", body, [(4, b"")])

    def agree(self, name: str, act: bytes, subjects: list[tuple[int, bytes]] | None = None) -> None:
        body = F.Countersigned(purpose=F.COUNTERSIGN_PURPOSE_CUSTODY_RECOVERY)
        about = [(4, b"")] if subjects is None else subjects
        self.book.fact(self.book.office, self.book.signer(name), "countersigned", body, about, refers=[act])

    def new_key_by(self, signer: Signer) -> bool:
        """Whether a change of the log's key has effect where this key signs for it."""
        self.book.writer.commit()
        writer, new = self.book.writer, self.book.signer("next log key")
        text = writer.checkpoint_text()
        note = text + "\n" + "".join(by.note(writer.origin, text) for by in (self.book.log_signer, new))
        body = F.LogKeyChanged(old_public_key=self.book.log_signer.public, new_public_key=new.public, checkpoint_note=note)
        self.book.fact(self.book.office, signer, "log_key_changed", body, [(4, b"")])
        writer.signer = new
        try:
            self.verify()
        except Flaw as flaw:
            self.assertEqual(flaw.what, "checkpoint")
            return False
        return True

    def test_as_many_recovery_keys_as_the_founding_asks_for_pass_custody_on(self) -> None:
        act = self.reestablish()
        self.agree("recovery a", act)
        self.agree("recovery b", act)
        self.book.fact(self.book.station("heir's desk"), self.heir, "remark", F.Remark(), self.wash.subjects())
        self.assertTrue(self.new_key_by(self.heir))

    def test_the_act_may_be_signed_by_a_recovery_key_itself_which_counts_once_more(self) -> None:
        act = self.reestablish(self.book.signer("recovery a"))
        self.agree("recovery a", act)
        self.agree("recovery b", act)
        self.assertTrue(self.new_key_by(self.heir))

    def test_fewer_of_them_twice_the_same_or_about_less_do_not(self) -> None:
        for names, subjects in ((["recovery a"], None), (["recovery a", "recovery a"], None), (["recovery a", "technician"], None)):
            self.setUp()
            act = self.reestablish()
            for name in names:
                self.agree(name, act, subjects)
            self.assertFalse(self.new_key_by(self.heir), str(names))
        self.setUp()
        act = self.reestablish()
        self.agree("recovery a", act)
        self.agree("recovery b", act, self.wash.subjects())
        self.assertFalse(self.new_key_by(self.heir))
        self.setUp()
        self.reestablish()
        for name in ("recovery a", "recovery b"):
            self.agree(name, bytes(32))
        self.assertFalse(self.new_key_by(self.heir))

    def test_an_act_signed_by_neither_the_new_custodian_nor_a_recovery_key_passes_nothing_on(self) -> None:
        act = self.reestablish(self.technician)
        self.agree("recovery a", act)
        self.agree("recovery b", act)
        self.assertFalse(self.new_key_by(self.heir))

    def test_the_lost_key_holds_custody_no_more(self) -> None:
        act = self.reestablish()
        self.agree("recovery a", act)
        self.agree("recovery b", act)
        self.assertFalse(self.new_key_by(self.book.custodian))

    def test_the_device_of_a_custodian_who_did_not_take_over_is_not_enrolled(self) -> None:
        self.agree("recovery a", self.reestablish())
        self.book.fact(self.book.station("heir's desk"), self.technician, "remark", F.Remark(), self.wash.subjects())
        self.bad("device", "not enrolled")

    def test_recovery_keys_named_by_the_act_follow_the_old_ones(self) -> None:
        third = self.book.signer("third recovery")
        act = self.reestablish(recovery_keys=[third.public], recovery_threshold=1)
        self.agree("recovery a", act)
        self.agree("recovery b", act)
        self.heir, later = self.book.signer("later heir"), self.book.signer("later heir")
        body = F.CustodyReestablished(
            custodian=F.PersonEnrolled(person=self.book.id("later heir")), custodian_key=self.book.key_enrolled("later heir"),
            custodian_device=self.book.device_enrolled(self.book.station("later desk")),
        )
        act = self.book.fact(self.book.office, later, "custody_reestablished", body, [(4, b"")])
        self.agree("third recovery", act)
        self.assertTrue(self.new_key_by(later))

    def test_custody_that_was_withdrawn_or_whose_key_was_revoked_names_no_log_key(self) -> None:
        person = self.book.id("second")
        for withdrawn in (None, "grant", "key"):
            self.setUp()
            self.book.by_custodian("key_enrolled", self.book.key_enrolled("second"))
            granted = F.AuthorityGranted(person=person, authority=F.AUTHORITY_CUSTODY)
            grant = self.book.by_custodian("authority_granted", granted)
            if withdrawn == "grant":
                self.book.by_custodian("authority_withdrawn", F.AuthorityWithdrawn(), refers=[grant])
            elif withdrawn == "key":
                self.book.by_custodian("key_revoked", F.KeyRevoked(key_id=self.book.signer("second").key_id))
            self.assertEqual(self.new_key_by(self.book.signer("second")), withdrawn is None, withdrawn)

    def test_a_fact_not_signed_by_the_recovery_key_that_it_names_is_left_unread(self) -> None:
        self.step(signer=self.technician, author_key=self.book.signer("recovery a").key_id)
        self.assertEqual(self.verify().roster.waiting, 1)


class SeenRules(RuleCase):
    def test_a_device_that_says_to_have_seen_another_log_is_a_finding_beside_a_good_verdict(self) -> None:
        self.step(seen_root=bytes(32))
        self.step()
        self.step(seen_size=2**64 - 1)
        verifier = self.verify()
        self.assertEqual(verifier.seen.otherwise, {self.tablet.device: (2, 10)})
        self.assertIn("finding: 2 facts", "\n".join(verifier.lines()))

    def test_what_nobody_is_known_to_have_signed_says_nothing(self) -> None:
        self.step(signer=self.book.signer("stranger"), seen_root=bytes(32))
        self.assertEqual(self.verify().seen.otherwise, {})

    def test_a_service_that_contradicts_its_own_log_is_refused(self) -> None:
        self.book.by_service("versions_in_force", F.VersionsInForce(rules_version=1), [], seen_root=bytes(32))
        self.bad("seen", "its own log")


if __name__ == "__main__":
    unittest.main()
