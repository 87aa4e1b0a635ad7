"""The pack verifier as a whole: a pack that no service wrote is good, and no byte of it can be another."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import tempfile
import unittest
from collections.abc import Iterator
from pathlib import Path

from cosignatures import WitnessKey
from pack_case import PackCase
from verify_pack import verify_pack
from write_pack import cosign, draft, sealed, witness_key
from writing import Signer
from written_book import Book
from written_visit import Visit

HERE = Path(__file__).resolve().parent
SEED = int(os.environ.get("SEED", "1"))
WITNESS, WITNESS_NAME = Signer(bytes([4]) * 32), "witness.example/w1"


def run(program: str, *arguments: object) -> tuple[int, str, str]:
    """Exit code, output and errors of a program beside this one."""
    command = [sys.executable, str(HERE / program), *(str(argument) for argument in arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout, done.stderr


class EveryByte(PackCase):
    def flips(self, data: bytes, first: int = 0) -> Iterator[tuple[int, bytes]]:
        """The data with one byte changed, once for each byte from `first` on, and where."""
        print(f"seed {SEED}", flush=True)
        chance = random.Random(SEED)
        for at in range(first, len(data)):
            yield at, data[:at] + bytes([data[at] ^ chance.randint(1, 255)]) + data[at + 1 :]

    def test_every_byte_that_is_another_is_found(self) -> None:
        for at, altered in self.flips(self.draft().encode()):
            answer = verify_pack(altered, [self.log_key], [])
            self.assertEqual((answer.good, answer.check), (False, "pack"), at)

    def test_every_byte_that_is_another_is_found_though_sealed_anew(self) -> None:
        words = set()
        for at, altered in self.flips(self.draft().body()):
            answer = verify_pack(sealed(altered), [self.log_key], [])
            self.assertFalse(answer.good, at)
            words.add(answer.check)
        # No word but these: nobody can make more of it than the bytes say.
        self.assertLessEqual(words, {"pack", "head", "link", "chain", "signature", "root", "blob"})
        self.assertGreaterEqual(words, {"pack", "head", "link", "signature", "root", "blob"})

    def test_every_byte_of_a_cosignature_that_is_another_is_found_or_loses_the_cosignature(self) -> None:
        made = self.draft()
        before, text = len(made.body()), made.note.split("\n\n")[0] + "\n"
        made.note += cosign(WITNESS, WITNESS_NAME, text, 1_900_000_000)
        key = WitnessKey.parse(witness_key(WITNESS, WITNESS_NAME))
        self.assertEqual(verify_pack(made.encode(), [self.log_key], [key]).cosignatures, 1)
        for at, altered in self.flips(made.body(), before):
            answer = verify_pack(sealed(altered), [self.log_key], [key])
            self.assertFalse(answer.good and answer.cosignatures, (at, str(answer)))


class WholePack(unittest.TestCase):
    scratch: Path
    pack: Path
    keys: Path

    @classmethod
    def setUpClass(cls) -> None:
        print(f"seed {SEED}", flush=True)
        made = tempfile.TemporaryDirectory()
        cls.addClassCleanup(made.cleanup)
        cls.scratch = Path(made.name)
        cls.pack, cls.keys = cls.scratch / "a.pack", cls.scratch / "vkey"
        code, _, errors = run("write_pack.py", cls.pack, cls.keys, "--seed", SEED)
        assert code == 0, errors

    def test_a_pack_written_by_other_code_is_good_in_each_number_of_parts(self) -> None:
        for parts in range(1, 7):
            visit = Visit(Book(Path(), SEED))
            visit.tell()
            made = draft(visit.book, visit.issue(parts=parts), visit.blobs)
            answer = verify_pack(made.encode(), [], [])
            self.assertTrue(answer.good, str(answer))
            self.assertEqual((answer.entries, answer.unread), (21 + parts, 1))
            self.assertLess(answer.entries, visit.book.writer.size)

    def test_every_entry_left_out_of_the_story_is_found(self) -> None:
        visit = Visit(Book(Path(), SEED))
        visit.tell()
        heads = visit.issue(parts=2)
        for number in range(23):
            made = draft(visit.book, heads, visit.blobs)
            del made.entries[number]
            self.assertFalse(verify_pack(made.encode(), [], []).good, number)

    def test_as_a_program_it_tells_a_good_pack_and_what_was_checked(self) -> None:
        code, said, errors = run("verify_pack.py", self.pack, "--log-key", self.keys)
        self.assertEqual((code, errors), (0, ""), said)
        self.assertRegex(said, r"(?m)^issued: to 'an auditor' for 'yearly look'$")
        self.assertRegex(said, r"good: 23 entries, 0 of them beside the chains, 1 unread, 0 cosignatures\n$")

    def test_as_json_it_is_one_object(self) -> None:
        key = self.keys.read_text(encoding="utf-8").strip()
        code, said, _ = run("verify_pack.py", self.pack, "--log-key", key, "--json")
        counts = {"entries": 23, "unread": 1, "cosignatures": 0, "beside": 0}
        self.assertEqual((code, json.loads(said)), (0, {"good": True, "check": "", "why": "", **counts}))
        _, said, _ = run("verify_pack.py", self.pack, "--json")
        self.assertRegex(json.loads(said)["why"], "origin unproved")

    def test_a_bad_pack_is_exit_3_with_the_word_for_it(self) -> None:
        bad = self.scratch / "bad.pack"
        bad.write_bytes(self.pack.read_bytes()[:-1])
        code, said, _ = run("verify_pack.py", bad, "--log-key", self.keys)
        self.assertEqual(code, 3)
        self.assertRegex(said, "^bad: pack: ")
        code, said, _ = run("verify_pack.py", bad, "--json")
        self.assertEqual((code, json.loads(said)["good"], json.loads(said)["check"]), (3, False, "pack"))

    def test_what_cannot_be_read_is_exit_5_and_wrong_usage_exit_2(self) -> None:
        nowhere = self.scratch / "nowhere"
        self.assertEqual(run("verify_pack.py", nowhere)[0], 5)
        for name, value in (("--log-key", nowhere), ("--log-key", "a+b+c"), ("--witness", "x")):
            self.assertEqual(run("verify_pack.py", self.pack, name, value)[0], 5, (name, value))
        self.assertEqual(run("verify_pack.py")[0], 2)


class Comparison(unittest.TestCase):
    def test_packs_on_which_two_verifiers_differ_are_named_with_our_reason(self) -> None:
        with tempfile.TemporaryDirectory() as made:
            folder, keys, said = Path(made), Path(made) / "vkey", Path(made) / "said.json"
            self.assertEqual(run("write_pack.py", folder / "one.pack", keys)[0], 0)
            (folder / "two.pack").write_bytes((folder / "one.pack").read_bytes()[1:])
            said.write_text(json.dumps([{"name": "one", "good": True}, {"name": "two", "good": False}]), encoding="utf-8")
            code, output, _ = run("compare_packs.py", folder, said, keys)
            self.assertEqual((code, json.loads(output)), (0, {"agreed": 2, "differ": []}))
            said.write_text(json.dumps([{"name": "one", "good": True}, {"name": "two", "good": True}]), encoding="utf-8")
            code, output, _ = run("compare_packs.py", folder, said, "-")
            compared = json.loads(output)
            self.assertEqual((code, compared["agreed"], len(compared["differ"])), (1, 1, 1))
            self.assertEqual({**compared["differ"][0], "why": ""}, {"name": "two", "ours": False, "theirs": True, "why": ""})
            self.assertRegex(compared["differ"][0]["why"], "^pack: does not begin")

    def test_a_list_or_pack_that_cannot_be_read_is_exit_5(self) -> None:
        with tempfile.TemporaryDirectory() as made:
            folder, said = Path(made), Path(made) / "said.json"
            self.assertEqual(run("compare_packs.py", folder, said, "-")[0], 5)
            for text in ("{", "[]", '[{"name": "one"}]', '[{"name": "one", "good": true}]'):
                said.write_text(text, encoding="utf-8")
                self.assertEqual(run("compare_packs.py", folder, said, "-")[0], 5, text)


if __name__ == "__main__":
    unittest.main()
