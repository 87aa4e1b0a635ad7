"""What lies under the pack's checkpoint, who signed that, and the texts beside the facts."""

from __future__ import annotations

import unittest
from base64 import b64encode
from hashlib import sha256
from typing import Any

import messages
from cosignatures import WitnessKey
from flaw import Flaw
from notes import VerifierKey
from pack_case import PackCase
from verify_pack import UNPROVED, verify_pack
from write_pack import Draft, blob_digest, consistency, cosign, witness_key
from writing import Signer, seeded, tree_root
from written_story import AIRCRAFT
from written_visit import DEFECT, attachment

F: Any = messages.fact
WITNESS, WITNESS_NAME = Signer(bytes([4]) * 32), "witness.example/w1"
EMPTY = sha256(b"").digest()


class Proofs(PackCase):
    def test_an_entry_whose_proof_is_altered_short_or_long_is_refused(self) -> None:
        for number in range(5):
            for change in (lambda p: [bytes(32), *p[1:]], lambda p: p[:-1], lambda p: [*p, bytes(32)]):
                made = self.draft()
                raw, proof = made.entries[number]
                made.entries[number] = (raw, change(proof))
                self.bad("root", "does not lead to", made)

    def test_a_view_whose_proof_is_altered_is_refused(self) -> None:
        made = self.draft()
        size, root, proof = made.views[1]
        made.views[1] = (size, root, [bytes(32), *proof[1:]])
        self.bad("root", f"begin with the view of size {size}", made)

    def test_a_view_that_is_missing_is_refused(self) -> None:
        for number in range(len(self.draft().views)):
            made = self.draft()
            size = made.views.pop(number)[0]
            self.bad("root", f"no view of what its author had seen, {size}", made)

    def test_a_view_that_no_entry_has_seen_is_refused(self) -> None:
        self.visit.elsewhere()
        made = self.draft()
        leaves = self.book.writer.leaves
        made.views.append((len(leaves), tree_root(leaves), consistency(len(leaves), leaves)))
        self.bad("root", "no entry has seen", made)

    def test_a_view_of_nothing_is_refused(self) -> None:
        made = self.draft()
        made.views.insert(0, (0, EMPTY, []))
        self.bad("root", "no entry has seen the view of size 0", made)

    def test_nothing_seen_needs_no_view_but_the_empty_root(self) -> None:
        self.step(seen_size=0, seen_root=EMPTY)
        self.good()

    def test_an_author_who_says_to_have_seen_another_log_is_a_finding_beside_a_good_verdict(self) -> None:
        size = self.book.writer.size
        for number, changes in enumerate((
            {"seen_size": 0, "seen_root": bytes(32)}, {"seen_size": size + 9}, {"seen_size": 2**64 - 1},
            {"seen_root": bytes([5]) * 32}, {"seen_epoch": 0}, {"seen_epoch": 2},
        )):
            self.setUp()
            self.step(**changes)
            self.step(**changes)
            notes = "\n".join(self.good().notes)
            tablet = self.visit.tablet.device.hex()
            self.assertIn(f"finding: 2 facts of device {tablet} say to have seen another log, first entry", notes, str(number))

    def test_a_service_that_says_to_have_seen_another_log_than_its_own_is_refused(self) -> None:
        self.book.by_service("versions_in_force", F.VersionsInForce(rules_version=1), self.visit.about()[:1], seen_root=bytes(32))
        self.bad("root", "its own log")

    def test_a_view_that_is_not_the_log_as_it_was_is_refused(self) -> None:
        made = self.draft()
        size, _, proof = made.views[0]
        made.views[0] = (size, bytes([5]) * 32, proof)
        self.bad("root", "does not begin with", made)

    def test_what_the_author_of_an_unread_fact_claims_to_have_seen_needs_no_view(self) -> None:
        self.step(signer=self.book.signer("stranger"), seen_size=1 << 60, seen_root=bytes(32))
        self.assertEqual(self.good().unread, 1)


class PackNote(PackCase):
    def noted(self, text: str, *lines: str) -> Draft:
        made = self.draft()
        made.note = text + "\n" + "".join(lines)
        return made

    def text(self) -> str:
        """The checkpoint over what the book will hold once its pack is issued."""
        self.visit.issue()
        text = self.book.writer.checkpoint_text()
        self.setUp()
        return text

    def log_line(self, text: str) -> str:
        return self.book.log_signer.note(self.book.writer.origin, text)

    def test_a_checkpoint_signed_by_another_key_is_refused(self) -> None:
        text = self.text()
        made = self.noted(text, WITNESS.note(self.book.writer.origin, text))
        self.bad("root", "no signature by a known key", made)

    def test_a_checkpoint_altered_after_it_was_signed_is_refused(self) -> None:
        text = self.text()
        self.bad("root", "bad signature", self.noted(text.replace("\n5\n", "\n6\n"), self.log_line(text)))

    def test_a_checkpoint_of_another_size_or_root_is_refused_though_signed(self) -> None:
        origin = self.book.writer.origin
        for text in (self.text().replace("\n5\n", "\n6\n"), f"{origin}\n5\n{'A' * 43}=\n", f"{origin}\n0\n{'A' * 43}=\n"):
            self.setUp()
            self.bad("root", "does not lead to", self.noted(text, self.log_line(text)))

    def test_a_checkpoint_of_another_origin_than_its_key_is_refused(self) -> None:
        text = self.text().replace(self.book.writer.origin, "another.example/1")
        self.bad("root", "instead of log.example/wash/1", self.noted(text, self.log_line(text)))

    def test_a_note_in_another_form_is_refused(self) -> None:
        text = self.text()
        sized = [text.replace("\n5\n", f"\n{size}\n") for size in ("05", "five", "9" * 20, "9" * 5000)]
        for broken in ("", text, "no note", *(other + "\n" + self.log_line(other) for other in sized)):
            made = self.draft()
            made.note = broken
            self.bad("root", "the note|the size", made)
            self.setUp()

    def test_without_a_log_key_the_foundings_is_used_and_the_answer_says_so(self) -> None:
        made = self.draft()
        answer = verify_pack(made.encode(), [], [])
        self.assertEqual((answer.good, answer.why), (True, UNPROVED), str(answer))
        self.assertIn(UNPROVED, str(answer))
        self.assertEqual(self.verify(made).why, "")

    def test_without_a_log_key_another_signer_than_the_foundings_key_is_refused(self) -> None:
        text = self.text()
        answer = verify_pack(self.noted(text, WITNESS.note(self.book.writer.origin, text)).encode(), [], [])
        self.assertEqual(answer.check, "root", str(answer))

    def test_another_logs_key_refuses_the_pack(self) -> None:
        for key in (VerifierKey(self.book.writer.origin, WITNESS.public), VerifierKey("another.example/1", self.log_key.public_key)):
            answer = verify_pack(self.draft().encode(), [key], [])
            self.assertEqual(answer.check, "root", str(answer))
            self.setUp()

    def test_cosignatures_of_known_witnesses_are_counted_once_and_others_passed_over(self) -> None:
        text, key = self.text(), WitnessKey.parse(witness_key(WITNESS, WITNESS_NAME))
        stranger = cosign(Signer(bytes([5]) * 32), "witness.example/w2", text, 1)
        lines = (self.log_line(text), cosign(WITNESS, WITNESS_NAME, text, 1_900_000_000), stranger)
        for witnesses, count in (([], 0), ([key], 1), ([key, key], 1)):
            answer = self.verify(self.noted(text, *lines), witnesses)
            self.assertEqual((answer.good, answer.cosignatures), (True, count), str(answer))
            self.setUp()
        answer = self.verify(self.noted(text, *lines, cosign(WITNESS, WITNESS_NAME, text, 0)), [key])
        self.assertEqual((answer.good, answer.cosignatures), (True, 1), str(answer))

    def test_a_cosignature_of_a_known_witness_that_does_not_hold_is_refused(self) -> None:
        text, key = self.text(), WitnessKey.parse(witness_key(WITNESS, WITNESS_NAME))
        good = cosign(WITNESS, WITNESS_NAME, text, 1_900_000_000)
        wrong = cosign(WITNESS, WITNESS_NAME, text.replace("5", "6"), 1_900_000_000)
        plain = self._as_plain_signature(text, key)
        for lines, reason in (((wrong,), "bad cosignature"), ((good, wrong), "bad"), ((plain,), "not of version 1")):
            answer = self.verify(self.noted(text, self.log_line(text), *lines), [key])
            self.assertEqual(answer.check, "root", str(answer))
            self.assertRegex(answer.why, reason)
            self.setUp()

    def _as_plain_signature(self, text: str, key: WitnessKey) -> str:
        """A line with the witness's key id and a bare signature of the text."""
        return f"\u2014 {WITNESS_NAME} {b64encode(key.note_id + WITNESS.sign(text.encode())).decode()}\n"

    def test_a_witness_key_in_another_form_is_refused(self) -> None:
        good = witness_key(WITNESS, WITNESS_NAME)
        cases = {"": "is not name", "a+b": "is not name", good.replace("+", "+0", 1): "the id", witness_key(WITNESS, ""): "is not name"}
        cases[WITNESS.verifier_key(WITNESS_NAME).strip()] = "is not 04"
        cases[f"{WITNESS_NAME}+00000000+{b64encode(b'!' + WITNESS.public[:3]).decode()}"] = "is not 04"
        short = b"\x04" + WITNESS.public[:31]
        cases[f"{WITNESS_NAME}+00000000+{b64encode(short).decode()}"] = "is not 04"
        for broken, reason in cases.items():
            with self.subTest(broken), self.assertRaisesRegex(Flaw, reason):
                WitnessKey.parse(broken)


class Blobs(PackCase):
    def setUp(self) -> None:
        super().setUp()
        self.annex = (seeded(7, "a salt"), b"wet floor")
        self.visit.fact("remark", F.Remark(text=F.AnnexRef(digest=blob_digest(*self.annex))), self.visit.wash.subjects())
        self.visit.fact("defect_raised", F.DefectRaised(text=attachment(DEFECT)), self.visit.wash.subjects())
        self.visit.blobs += [self.annex, (b"", DEFECT)]

    def test_an_annex_may_be_kept_back_and_its_erasure_is_told(self) -> None:
        self.good()
        self.visit.blobs.remove(self.annex)
        self.assertIn("1 annexes kept back", str(self.good()))
        erased = F.AnnexErased(digests=[blob_digest(*self.annex)], reason="asked for")
        self.book.by_custodian("annex_erased", erased)
        self.assertRegex(str(self.good()), r"0 annexes kept back\nerased: annex [0-9a-f]{64}, by the custodian: 'asked for'")

    def test_an_erasure_by_another_than_the_custodian_explains_nothing(self) -> None:
        self.visit.blobs.remove(self.annex)
        self.visit.fact("annex_erased", F.AnnexErased(digests=[blob_digest(*self.annex)]), self.visit.wash.subjects())
        self.assertIn("1 annexes kept back", str(self.good()))

    def test_an_attachment_that_is_missing_is_refused(self) -> None:
        for number in (0, 2):
            with self.subTest(number):
                self.setUp()
                del self.visit.blobs[number]
                self.bad("blob", "which is not in the pack")

    def test_a_blob_that_no_fact_names_is_refused_and_so_is_an_altered_one(self) -> None:
        for blob in ((b"", b"stray"), (bytes(16), b"stray"), (self.annex[0], b"dry floor"), (bytes(16), self.annex[1])):
            with self.subTest(blob):
                self.setUp()
                self.visit.blobs.append(blob)
                self.bad("blob", "no fact names")

    def test_an_annex_named_as_an_attachment_or_an_attachment_as_an_annex_is_refused(self) -> None:
        # The salt moved into the content gives the same digest.
        self.visit.blobs[1] = (b"", self.annex[0] + self.annex[1])
        self.bad("blob", "no fact names the attachment")
        self.setUp()
        self.visit.blobs[2] = (DEFECT[:16], DEFECT[16:])
        self.bad("blob", "names the attachment .* which is not in the pack")

    def test_the_text_of_a_procedure_may_stay_away_where_it_is_only_named(self) -> None:
        body = F.VersionsInForce(rules_version=1, procedures=[F.ProcedureRef(digest=sha256(b"text").digest())])
        self.book.by_service("versions_in_force", body, [(AIRCRAFT, self.visit.wash.aircraft)])
        self.good()
        self.visit.blobs.append((b"", b"text"))
        self.good()

    def test_a_reference_that_is_no_digest_names_nothing(self) -> None:
        for digest in (b"", bytes(31)):
            body = F.DefectRaised(text=F.AttachmentRef(digest=digest))
            self.visit.fact("defect_raised", body, self.visit.wash.subjects())
        self.good()

    def test_what_a_correction_puts_in_the_place_of_the_old_is_named_too(self) -> None:
        replacement = F.Fact(defect_raised=F.DefectRaised(text=attachment(b"clamp loose"))).SerializeToString()
        body = F.Corrected(outcome=F.CORRECTION_OUTCOME_REPLACE, kind_field=replacement)
        self.visit.fact("corrected", body, self.visit.wash.subjects())
        self.bad("blob", "which is not in the pack")
        self.visit.blobs.append((b"", b"clamp loose"))
        self.good()


if __name__ == "__main__":
    unittest.main()
