"""The verifier on a log that no service wrote: good as it is, found bad after every kind of alteration; and the parts of it
against published vectors."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import unittest
from base64 import b64decode
from pathlib import Path

from alter_log import KINDS, alter
from check_alterations import check, control, verify
from envelopes import pre_authentication
from flaw import Flaw
from log_image import Image
from merkle import Tree, consistent, included, leaf_hash
from notes import Checkpoint, Note, VerifierKey
from segments import END
from verify_log import Verifier
from written_book import Book
from written_story import tell

HERE = Path(__file__).resolve().parent
VECTORS = HERE.parent / "vectors"
SEED = int(os.environ.get("SEED", "1"))
ROUNDS = 3


class WholeLog(unittest.TestCase):
    scratch: Path
    log: Path
    keys: Path
    book: Book

    @classmethod
    def setUpClass(cls) -> None:
        print(f"seed {SEED}", flush=True)
        made = tempfile.TemporaryDirectory()
        cls.addClassCleanup(made.cleanup)
        cls.scratch = Path(made.name)
        cls.log, cls.keys = cls.scratch / "log", cls.scratch / "vkey"
        cls.log.mkdir()
        cls.book = book = tell(cls.log, SEED)
        cls.keys.write_text(book.log_signer.verifier_key(f"{book.origin_name}/1"), encoding="utf-8")

    def test_a_log_written_by_other_code_is_good(self) -> None:
        code, line = verify(self.log, self.keys)
        self.assertEqual(code, 0, line)
        self.assertRegex(line, rf"^good: {self.book.writer.size} entries, \d+ signatures, root [A-Za-z0-9+/]{{43}}=$")

    def test_the_story_holds_each_case_that_is_counted(self) -> None:
        verifier = Verifier([VerifierKey.parse(self.keys.read_text(encoding="utf-8").strip())])
        verifier.run(self.log)
        keys, places = verifier.roster.counts, verifier.places
        self.assertEqual((keys.by_later_key, verifier.roster.waiting, keys.without_proof), (1, 1, 1))
        self.assertEqual((places.refused, places.lost, keys.forks, keys.reports), (1, 3, 1, 2))
        self.assertGreater(verifier.counts.segments, 2)
        self.assertGreater(verifier.counts.marks, 1)

    def test_taking_a_log_apart_and_writing_it_back_changes_no_byte(self) -> None:
        self.assertIsNone(control(self.log, self.keys, self.scratch))

    def test_every_kind_of_alteration_is_found_without_help_but_a_clean_end(self) -> None:
        key = VerifierKey.parse(self.keys.read_text(encoding="utf-8").strip())
        for kind in KINDS:
            for number in range(ROUNDS):
                with self.subTest(kind=kind, seed=SEED + number), tempfile.TemporaryDirectory() as made:
                    out = Path(made) / "altered"
                    said = alter(self.log, out, kind, SEED + number)
                    verifier = Verifier([key])
                    if kind == "clean-end":
                        verifier.run(out)
                        continue
                    with self.assertRaises(Flaw, msg=said):
                        verifier.run(out)

    def test_the_alteration_check_as_a_program_finds_all(self) -> None:
        self.assertEqual(check(self.log, self.keys, SEED, 6), 0)

    def test_a_clean_end_shows_to_the_holder_of_an_older_checkpoint(self) -> None:
        alter(self.log, self.scratch / "short", "clean-end", SEED)
        segment, at = Image.read(self.log).pieces(END)[-1]
        older = self.scratch / "older"
        older.write_bytes(segment.pieces[at].body)
        self.assertEqual(verify(self.log, self.keys, older)[0], 0)
        self.assertEqual(verify(self.scratch / "short", self.keys)[0], 0)
        code, line = verify(self.scratch / "short", self.keys, older)
        self.assertEqual((code, line.split()[1]), (3, "rollback"), line)

    def test_an_older_checkpoint_with_another_root_shows_a_rewritten_log(self) -> None:
        text = f"{self.book.origin_name}/1\n5\n{'A' * 43}=\n"
        older = self.scratch / "split"
        older.write_text(text + "\n" + self.book.log_signer.note(f"{self.book.origin_name}/1", text), encoding="utf-8")
        code, line = verify(self.log, self.keys, older)
        self.assertEqual((code, line.split()[1]), (3, "rollback"), line)

    def test_the_first_failure_names_what_file_offset_and_entry(self) -> None:
        alter(self.log, self.scratch / "flipped", "envelope-byte", SEED)
        code, line = verify(self.scratch / "flipped", self.keys)
        self.assertEqual(code, 3)
        self.assertRegex(line, r"^bad: \S+ \d{20}\.seg offset \d+ entry \d+: .+")

    def test_another_logs_verifier_key_refuses_this_log(self) -> None:
        with tempfile.TemporaryDirectory() as made:
            book = tell(Path(made), SEED + 1000)
        for name in (f"{book.origin_name}/1", "another.example/1"):
            other = self.scratch / "other"
            other.write_text(book.log_signer.verifier_key(name), encoding="utf-8")
            self.assertEqual(verify(self.log, other)[0], 3, name)

    def test_what_cannot_be_read_is_exit_5_and_wrong_usage_exit_2(self) -> None:
        self.assertEqual(verify(self.scratch / "nowhere", self.keys)[0], 5)
        self.assertEqual(verify(self.log, self.scratch / "nowhere")[0], 5)
        broken = self.scratch / "broken"
        broken.write_text("no key\n", encoding="utf-8")
        self.assertEqual(verify(self.log, broken)[0], 5)
        done = subprocess.run([sys.executable, str(HERE / "verify_log.py")], capture_output=True, check=False)
        self.assertEqual(done.returncode, 2)

    def test_an_empty_folder_is_bad_and_not_an_empty_log(self) -> None:
        empty = self.scratch / "empty"
        empty.mkdir()
        self.assertEqual(verify(empty, self.keys)[0], 3)


class PublishedVectors(unittest.TestCase):
    tlog = json.loads((VECTORS / "tlog.json").read_text(encoding="utf-8"))

    def test_the_roots_of_nought_to_eight_leaves_are_the_published_ones(self) -> None:
        given, tree = self.tlog["classic_ct_tree"], Tree()
        self.assertEqual(tree.root().hex(), given["roots_size_0_to_8"][0])
        for leaf, hashed, root in zip(given["leaves_hex"], given["leaf_hashes"], given["roots_size_0_to_8"][1:], strict=True):
            self.assertEqual(leaf_hash(bytes.fromhex(leaf)).hex(), hashed)
            tree.append(bytes.fromhex(hashed))
            self.assertEqual(tree.root().hex(), root)

    def test_published_checkpoints_verify_under_their_key_with_the_root_of_their_leaves(self) -> None:
        given, tree = self.tlog["tessera_testdata"], Tree()
        key = VerifierKey.parse(given["vkey"])
        for size in range(len(given["leaves"]) + 1):
            if size:
                tree.append(leaf_hash(given["leaves"][size - 1].encode()))
            if str(size) in given["checkpoints"]:
                note = Note.parse(given["checkpoints"][str(size)].encode())
                self.assertEqual(note.verified_by([key]), [key])
                self.assertEqual(Checkpoint.parse(note.text), Checkpoint("example.com/log/testdata", size, tree.root()))

    def test_a_published_checkpoint_with_one_letter_changed_is_refused(self) -> None:
        given = self.tlog["witness_monkeys"]
        with self.assertRaisesRegex(Flaw, "bad signature"):
            Note.parse(given["cp5"].replace("\n5\n", "\n6\n").encode()).verified_by([VerifierKey.parse(given["log_vkey"])])

    def test_published_inclusion_and_consistency_proofs_come_out_as_published(self) -> None:
        cases = json.loads((VECTORS / "merkle-proofs.json").read_text(encoding="utf-8"))["cases"]
        self.assertEqual(len(cases), 127)
        for case in cases:
            with self.subTest(case["case"]):
                proof = [b64decode(step) for step in case["proof"] or []]
                if "leafIdx" in case:
                    leaf, root = b64decode(case["leafHash"] or ""), b64decode(case["root"] or "")
                    good = included(case["leafIdx"], case["treeSize"], leaf, proof, root)
                else:
                    roots = b64decode(case["root1"] or ""), b64decode(case["root2"] or "")
                    good = consistent(case["size1"], case["size2"], *roots, proof)
                self.assertEqual(good, not case["wantErr"])

    def test_the_dsse_example_is_encoded_as_published(self) -> None:
        # The example of the pre-authentication encoding in DSSE 1.0.2, protocol.md (secure-systems-lab/dsse).
        encoded = pre_authentication("http://example.com/HelloWorld", b"hello world")
        self.assertEqual(encoded, b"DSSEv1 29 http://example.com/HelloWorld 11 hello world")
        self.assertEqual(len(encoded), 54)


if __name__ == "__main__":
    unittest.main()
