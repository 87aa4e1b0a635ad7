"""The pack's container: one form and no other, whatever the seal says."""

from __future__ import annotations

import struct

from pack_case import PackCase
from verify_pack import verify_pack
from write_pack import sealed


class PackBytes(PackCase):
    def refused(self, data: bytes, reason: str) -> None:
        answer = verify_pack(data, [self.log_key], [])
        self.assertEqual(answer.check, "pack", str(answer))
        self.assertRegex(answer.why, reason)

    def test_the_pack_that_all_cases_begin_with_is_good(self) -> None:
        answer = self.good()
        self.assertEqual((answer.entries, answer.unread, answer.check), (5, 0, ""))

    def test_another_magic_or_version_is_refused(self) -> None:
        made = self.draft()
        made.magic = b"rinsebook pack 2\n"
        self.bad("pack", "does not begin", made)

    def test_a_seal_that_is_not_the_hash_of_the_rest_is_refused(self) -> None:
        data = self.draft().encode()
        self.refused(data[:-1] + bytes([data[-1] ^ 1]), "seal")

    def test_every_shorter_file_is_refused_sealed_anew_or_not(self) -> None:
        body = self.draft().body()
        for end in range(len(body)):
            self.refused(sealed(body[:end]), "ends inside|does not begin")
        for data in (b"", body[:17], body):
            self.refused(data, "seal|does not begin")

    def test_a_byte_more_is_refused_sealed_anew_or_not(self) -> None:
        body = self.draft().body()
        self.refused(sealed(body + b"\0"), "1 bytes between")
        self.refused(sealed(body) + b"\0", "seal")

    def test_a_pack_without_entries_is_refused(self) -> None:
        made = self.draft()
        made.entries = []
        self.bad("pack", "holds no entry", made)

    def test_entries_that_do_not_descend_are_refused(self) -> None:
        for twice in (False, True):
            made = self.draft()
            made.entries[2] = made.entries[1] if twice else made.entries[2]
            made.entries[1], made.entries[2] = made.entries[2], made.entries[1]
            self.bad("pack", "must descend", made)

    def test_an_entry_in_another_form_is_refused(self) -> None:
        made = self.draft()
        raw, proof = made.entries[1]
        made.entries[1] = (b"\x02" + raw[1:], proof)
        self.bad("pack", "version 2", made)

    def test_a_proof_of_more_than_64_hashes_is_refused_as_such(self) -> None:
        made = self.draft()
        made.entries[1] = (made.entries[1][0], [bytes(32)] * 65)
        self.bad("pack", "65 hashes", made)

    def test_views_that_do_not_ascend_are_refused(self) -> None:
        for change in (lambda views: views.reverse(), lambda views: views.append(views[-1])):
            made = self.draft()
            change(made.views)
            self.bad("pack", "views are not ascending", made)

    def test_blobs_that_do_not_ascend_are_refused(self) -> None:
        made = self.draft()
        made.blobs *= 2
        self.bad("pack", "blobs are not ascending", made)

    def test_a_blob_with_another_salt_or_length_is_refused(self) -> None:
        cases = {"salt of 15": (bytes(15), b"x"), "has 0 bytes": (b"", b""), "1048577 bytes": (b"", bytes((1 << 20) + 1))}
        for reason, blob in cases.items():
            with self.subTest(reason):
                made = self.draft()
                made.blobs = [blob]
                self.bad("pack", reason, made)

    def test_counts_far_beyond_what_is_there_are_refused(self) -> None:
        body = self.draft().body()
        self.refused(sealed(body[:17] + struct.pack(">I", 2**32 - 1) + body[21:]), "ends inside|entry number|hashes")
