"""What lies on disk, taken apart, altered in one place and written back with fitting CRCs: each rule of files, frames and
groups is seen to be checked for itself, by the reason that is given."""

from __future__ import annotations

import tempfile
import unittest
from pathlib import Path

from flaw import Flaw
from log_image import Image, Piece
from segments import BEGIN, DURABLE, END, ENTRY, GROUP, MARK, SEALED
from verify_log import Verifier
from notes import VerifierKey
from written_book import Book
from written_story import tell


class DiskRules(unittest.TestCase):
    book: Book
    log: Path

    @classmethod
    def setUpClass(cls) -> None:
        made = tempfile.TemporaryDirectory()
        cls.addClassCleanup(made.cleanup)
        cls.log = Path(made.name)
        cls.book = tell(cls.log, seed=9)

    def setUp(self) -> None:
        self.image = Image.read(self.log)
        self.first = self.image.segments[0].pieces

    def run_verifier(self) -> None:
        key = VerifierKey.parse(self.book.log_signer.verifier_key(f"{self.book.origin_name}/1").strip())
        with tempfile.TemporaryDirectory() as made:
            self.image.write(Path(made))
            Verifier([key]).run(Path(made))

    def refused(self, what: str, reason: str) -> None:
        with self.assertRaisesRegex(Flaw, reason) as caught:
            self.run_verifier()
        self.assertEqual(caught.exception.what, what, str(caught.exception))

    def begin(self, segment: int, first: int = 0, count: int = 0, synced: int = 0) -> None:
        """Adds to the fields of the first frame of a segment."""
        piece = self.image.segments[segment].pieces[0]
        fields = GROUP.unpack(piece.body)
        piece.body = GROUP.pack(fields[0] + first, fields[1] + count, fields[2] + synced)

    def test_a_file_by_another_name_is_refused(self) -> None:
        self.image.segments[1].name = f"{self.image.segments[1].first + 1:020d}.seg"
        self.refused("segment-header", "the name is not")

    def test_a_header_with_another_first_index_is_refused(self) -> None:
        self.image.segments[1].first += 1
        self.refused("segment-header", "comes next")

    def test_a_header_with_another_leaf_hash_before_it_is_refused(self) -> None:
        self.image.segments[1].previous = bytes(32)
        self.refused("segment-header", "leaf hash")

    def test_a_frame_of_an_unknown_type_is_refused(self) -> None:
        self.first.append(Piece(6, b""))
        self.first[-1], self.first[-2] = self.first[-2], self.first[-1]
        self.refused("frame", "unknown type 6")

    def test_an_entry_outside_a_group_is_refused(self) -> None:
        del self.first[0]
        self.refused("group", "an entry outside a group")

    def test_a_group_that_begins_inside_another_is_refused(self) -> None:
        self.first.insert(1, self.first[0])
        self.refused("group", "begins inside another")

    def test_a_group_with_more_or_fewer_entries_than_it_says_is_refused(self) -> None:
        self.begin(1, count=-1)
        self.refused("group", "holds more than")
        self.begin(1, count=2)
        self.refused("group", r"holds \d+ entries of")

    def test_a_group_without_entries_is_refused(self) -> None:
        self.first.insert(0, Piece(BEGIN, GROUP.pack(0, 0, 0)))
        self.refused("group", "announces 0")

    def test_a_group_that_says_another_first_index_is_refused(self) -> None:
        self.begin(1, first=1)
        self.refused("group", "comes next")

    def test_a_group_that_says_more_is_synced_than_is_there_is_refused(self) -> None:
        self.begin(1, synced=1000)
        self.refused("group", "stand before it")

    def test_a_group_whose_synced_size_falls_is_refused(self) -> None:
        self.begin(1, synced=-GROUP.unpack(self.image.segments[1].pieces[0].body)[2])
        self.refused("group", "stand before it")

    def test_a_group_end_without_a_group_is_refused(self) -> None:
        self.first.insert(0, next(piece for piece in self.first if piece.kind == END))
        self.refused("group", "without having begun")

    def test_a_last_group_without_its_end_is_torn(self) -> None:
        segment, first, end = self.image.groups()[-1]
        del segment.pieces[end - 1 :]
        self.refused("group", "torn")

    def test_a_group_over_two_files_is_refused(self) -> None:
        pieces = self.image.segments[0].pieces
        last_end = max(at for at, piece in enumerate(pieces) if piece.kind == END)
        del pieces[last_end]
        self.refused("seal", "inside a group")
        del pieces[-1]
        self.refused("group", "torn")

    def test_a_mark_inside_a_group_ahead_of_the_log_or_falling_is_refused(self) -> None:
        mark = next(piece for piece in self.first if piece.kind == DURABLE)
        self.first.insert(1, Piece(DURABLE, MARK.pack(0)))
        self.refused("durable-mark", "inside a group")
        del self.first[1]
        mark.body = MARK.pack(2)
        self.refused("durable-mark", "stand before it")
        mark.body = MARK.pack(1)
        self.first.insert(self.first.index(mark) + 1, Piece(DURABLE, MARK.pack(0)))
        self.refused("durable-mark", "stand before it")

    def test_a_mark_or_group_frame_of_another_length_is_refused(self) -> None:
        mark = next(piece for piece in self.first if piece.kind == DURABLE)
        mark.body += b"\0"
        self.refused("durable-mark", "9 bytes")
        self.first[0].body += b"\0"
        self.refused("group", "21 bytes")

    def test_a_seal_with_a_body_and_frames_after_a_seal_are_refused(self) -> None:
        seal = self.first[-1]
        self.assertEqual(seal.kind, SEALED)
        self.first.append(Piece(DURABLE, MARK.pack(self.image.segments[1].first)))
        self.refused("unused-space", "not zero")
        del self.first[-1]
        seal.body = b"\0"
        self.refused("seal", "has a body")

    def test_an_unsealed_file_before_another_is_refused(self) -> None:
        del self.first[-1]
        self.refused("seal", "missing")

    def test_a_last_file_that_is_sealed_already_is_good(self) -> None:
        self.image.segments[-1].pieces.append(Piece(SEALED, b""))
        self.run_verifier()

    def test_an_entry_that_is_cut_or_longer_than_it_says_is_refused(self) -> None:
        entry = next(piece for piece in self.first if piece.kind == ENTRY)
        whole = entry.body
        for cut, reason in ((40, "inside its head"), (60, "inside a link"), (len(whole) - 1, "bytes of envelope")):
            entry.body = whole[:cut]
            self.refused("entry", reason)
        entry.body = whole + b"\0"
        self.refused("entry", "bytes of envelope")


if __name__ == "__main__":
    unittest.main()
