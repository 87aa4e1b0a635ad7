"""Signed notes and checkpoints: C2SP signed-note v1.0.0 and tlog-checkpoint v1.0.0.

A note is a text of whole lines, an empty line, and one or more signature lines:

    <name>/<epoch>\\n              the origin; also the name on the signature line
    <size, decimal>\\n
    <root, standard base64>\\n
    \\n
    — <origin> <base64(key id, 4 bytes || signature, 64 bytes)>\\n        (U+2014, space)

Signed is the text, its last newline included. key id = first 4 bytes of SHA-256(name || 0A || 01 || public key). A
verifier key is written name+<key id, 8 hex>+base64(01 || public key). Lines by unknown keys are passed over; a line
whose name and id are known and that does not verify refuses the note, and so does a note with no known line.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from binascii import Error as Base64Error
from dataclasses import dataclass
from hashlib import sha256

from flaw import Flaw, need
from signatures import is_signed


def strict_base64(text: str, what: str) -> bytes:
    """Standard base64 with padding, and only in the one form that encoding would give."""
    try:
        decoded = b64decode(text, validate=True)
    except (Base64Error, ValueError):
        raise Flaw(what, f"{text!r} is not base64") from None
    need(b64encode(decoded).decode() == text, what, f"{text!r} is not the standard form of its base64")
    return decoded


@dataclass(frozen=True)
class VerifierKey:
    """A log's name and Ed25519 public key."""

    name: str
    public_key: bytes

    @property
    def note_id(self) -> bytes:
        return sha256(self.name.encode() + b"\n\x01" + self.public_key).digest()[:4]

    @staticmethod
    def parse(line: str) -> VerifierKey:
        what = "verifier-key"
        parts = line.split("+", 2)
        need(len(parts) == 3 and parts[0] != "", what, f"{line!r} is not name+id+key")
        key = strict_base64(parts[2], what)
        need(len(key) == 33 and key[0] == 1, what, "the key is not 01 and 32 bytes of Ed25519")
        parsed = VerifierKey(parts[0], key[1:])
        need(parsed.note_id.hex() == parts[1], what, f"the id {parts[1]} is not that of name and key")
        return parsed


@dataclass(frozen=True)
class Note:
    text: bytes
    signatures: tuple[tuple[str, bytes], ...]

    @staticmethod
    def parse(raw: bytes) -> Note:
        what = "checkpoint"
        try:
            decoded = raw.decode()
        except UnicodeDecodeError:
            raise Flaw(what, "the note is not UTF-8") from None
        need(all(char >= " " or char == "\n" for char in decoded), what, "the note holds a control character")
        text, gap, lines = decoded.rpartition("\n\n")
        need(gap != "" and text != "" and lines.endswith("\n"), what, "the note is not text, empty line, signatures")
        signatures = []
        for line in lines[:-1].split("\n"):
            parts = line.split(" ")
            need(len(parts) == 3 and parts[0] == "\u2014" and parts[1] != "", what, f"not a signature line: {line!r}")
            blob = strict_base64(parts[2], what)
            need(len(blob) > 4, what, "a signature line holds no signature")
            signatures.append((parts[1], blob))
        return Note((text + "\n").encode(), tuple(signatures))

    def verified_by(self, known: list[VerifierKey]) -> list[VerifierKey]:
        """The known keys whose lines verify, at least one; a known line that does not is a flaw."""
        good = []
        for name, blob in self.signatures:
            for key in known:
                if key.name == name and key.note_id == blob[:4]:
                    need(is_signed(key.public_key, blob[4:], self.text), "checkpoint", f"bad signature by {name}")
                    good.append(key)
        need(bool(good), "checkpoint", "no signature by a known key of this log")
        return good


@dataclass(frozen=True)
class Checkpoint:
    origin: str
    size: int
    root: bytes

    @staticmethod
    def parse(text: bytes) -> Checkpoint:
        what = "checkpoint"
        lines = text.decode().split("\n")
        need(len(lines) == 4 and lines[3] == "", what, "is not the three lines origin, size, root")
        origin, size, root = lines[:3]
        # A u64 has at most 20 digits; the interpreter refuses to convert some thousands of them.
        plain = len(size) <= 20 and size.isascii() and size.isdecimal() and str(int(size)) == size
        need(plain and int(size) < 2**64, what, f"the size {size[:20]!r} is not a plain decimal of 64 bits")
        decoded = strict_base64(root, what)
        need(len(decoded) == 32, what, "the root is not 32 bytes")
        return Checkpoint(origin, int(size), decoded)
