"""Envelopes, notes and verifier keys: the one form of each passes, every other is refused with its reason."""

from __future__ import annotations

import unittest

from envelopes import FACT_TYPE, REPORT_TYPE, open_envelope
from flaw import Flaw
from notes import Checkpoint, Note, VerifierKey
from writing import Signer, delimited

SIGNER = Signer(bytes(range(32)))
GOOD = SIGNER.envelope(FACT_TYPE, b"payload")
NAME = "log.example/wash/1"
TEXT = f"{NAME}\n0\n{'A' * 43}=\n"
LINE = SIGNER.note(NAME, TEXT)


class Envelopes(unittest.TestCase):
    def test_the_one_form_opens(self) -> None:
        opened = open_envelope(GOOD, FACT_TYPE)
        self.assertEqual((opened.payload, opened.raw, len(opened.signature)), (b"payload", GOOD, 64))

    def test_every_other_form_is_refused_with_its_reason(self) -> None:
        kind, signature = FACT_TYPE.encode(), GOOD[-64:]
        forms = {
            "ends inside a number": b"",
            "field 1 is not length-delimited": b"\x08" + GOOD[1:],
            "longer than what is there": b"\x0a\x7fshort",
            "longer than ten bytes": b"\x8a" + b"\x80" * 12,
            "begins with field 2": GOOD[9:],
            "its type is not": SIGNER.envelope(REPORT_TYPE, b"payload"),
            "does not carry one 64-byte signature": delimited(1, b"payload") + delimited(2, kind) + delimited(3, b""),
            "does not end with the signature": GOOD + delimited(3, delimited(1, signature)),
            "not in its shortest form": b"\x0a\x87\x00" + GOOD[2:],
        }
        for reason, raw in forms.items():
            with self.subTest(reason), self.assertRaisesRegex(Flaw, reason):
                open_envelope(raw, FACT_TYPE)

    def test_no_byte_of_the_framing_can_be_another(self) -> None:
        payload_at = range(2, 9)
        for at in set(range(len(GOOD) - 64)) - set(payload_at):
            altered = GOOD[:at] + bytes([GOOD[at] ^ 1]) + GOOD[at + 1 :]
            with self.subTest(at), self.assertRaises(Flaw):
                open_envelope(altered, FACT_TYPE)


class Notes(unittest.TestCase):
    key = VerifierKey.parse(SIGNER.verifier_key(NAME).strip())

    def test_a_line_by_an_unknown_key_is_passed_over_and_a_known_one_that_fails_refuses(self) -> None:
        stranger = Signer(bytes(32)).note(NAME, TEXT)
        good = Note.parse((TEXT + "\n" + stranger + LINE).encode())
        self.assertEqual(good.verified_by([self.key]), [self.key])
        wrong = SIGNER.note(NAME, TEXT + "other")
        for lines, reason in ((stranger, "no signature by a known key"), (LINE + wrong, "bad signature")):
            with self.assertRaisesRegex(Flaw, reason):
                Note.parse((TEXT + "\n" + lines).encode()).verified_by([self.key])

    def test_a_note_in_another_form_is_refused_with_its_reason(self) -> None:
        dash, name, blob = LINE.strip().split(" ")
        forms = {
            "not UTF-8": TEXT.encode() + b"\n\xff",
            "control character": (TEXT + "\r\n" + LINE).encode(),
            "not text, empty line, signatures": (TEXT + LINE).encode(),
            "not a signature line": f"{TEXT}\n- {name} {blob}\n".encode(),
            "holds no signature": f"{TEXT}\n{dash} {name} AAAAAA==\n".encode(),
            "is not base64": f"{TEXT}\n{dash} {name} ?{blob}\n".encode(),
            "not the standard form": f"{TEXT}\n{dash} {name} {'A' * 13}B==\n".encode(),
        }
        for reason, raw in forms.items():
            with self.subTest(reason), self.assertRaisesRegex(Flaw, reason):
                Note.parse(raw)

    def test_a_checkpoint_in_another_form_is_refused_with_its_reason(self) -> None:
        forms = {
            "three lines": TEXT + "more\n",
            "plain decimal": TEXT.replace("\n0\n", "\n+0\n"),
            "not 32 bytes": TEXT.replace("A" * 43 + "=", "A" * 40),
        }
        for reason, text in forms.items():
            with self.subTest(reason), self.assertRaisesRegex(Flaw, reason):
                Checkpoint.parse(text.encode())

    def test_a_verifier_key_in_another_form_is_refused_with_its_reason(self) -> None:
        name, note_id, key = SIGNER.verifier_key(NAME).strip().split("+", 2)
        forms = {
            "not name\\+id\\+key": name,
            "not 01 and 32 bytes": f"{name}+{note_id}+{'A' * 44}",
            "not that of name and key": f"{name}x+{note_id}+{key}",
        }
        for reason, line in forms.items():
            with self.subTest(reason), self.assertRaisesRegex(Flaw, reason):
                VerifierKey.parse(line)


if __name__ == "__main__":
    unittest.main()
