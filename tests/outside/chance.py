"""What every alteration needs: a flipped bit, and a way to say that the log is too small."""

from __future__ import annotations

import random


class NotHere(Exception):
    """The log is too small for this kind of alteration."""


def flipped(chance: random.Random, data: bytes, first: int = 0, end: int | None = None) -> tuple[bytes, int]:
    """The bytes with one bit flipped in first..end, and where."""
    at = chance.randrange(first, len(data) if end is None else end)
    return data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :], at
