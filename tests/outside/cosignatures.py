"""Cosignatures of witnesses, C2SP tlog-cosignature version 1.

    — <witness name> <base64(key id, 4 bytes || u64 Unix seconds, big-endian || Ed25519 signature, 64 bytes)>

Signed is "cosignature/v1\\n" || "time <decimal>\\n" || the note's text. key id = first 4 bytes of SHA-256(name || 0A || 04 ||
public key); a verifier key is written name+<key id, 8 hex>+base64(04 || public key).
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

from flaw import need
from notes import Note, strict_base64
from signatures import is_signed

TYPE = b"\x04"


@dataclass(frozen=True)
class WitnessKey:
    """A witness's name and Ed25519 public key."""

    name: str
    public_key: bytes

    @property
    def note_id(self) -> bytes:
        return sha256(self.name.encode() + b"\n" + TYPE + self.public_key).digest()[:4]

    @staticmethod
    def parse(line: str) -> WitnessKey:
        what = "witness-key"
        parts = line.split("+", 2)
        need(len(parts) == 3 and parts[0] != "", what, f"{line!r} is not name+id+key")
        key = strict_base64(parts[2], what)
        need(len(key) == 33 and key[:1] == TYPE, what, "the key is not 04 and 32 bytes of Ed25519")
        parsed = WitnessKey(parts[0], key[1:])
        need(parsed.note_id.hex() == parts[1], what, f"the id {parts[1]} is not that of name and key")
        return parsed


def count_cosignatures(note: Note, witnesses: list[WitnessKey]) -> int:
    """How many of the witnesses cosigned; a line by one of them that does not verify is a flaw, others are passed over."""
    good = set()
    for name, blob in note.signatures:
        for witness in witnesses:
            if (witness.name, witness.note_id) != (name, blob[:4]):
                continue
            need(len(blob) == 4 + 8 + 64, "checkpoint", f"the cosignature of {name} is not of version 1")
            message = b"cosignature/v1\ntime %d\n%b" % (int.from_bytes(blob[4:12], "big"), note.text)
            need(is_signed(witness.public_key, blob[12:], message), "checkpoint", f"bad cosignature of {name}")
            good.add(witness)
    return len(good)
