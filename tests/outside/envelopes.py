"""DSSE 1.0.2 envelopes in their protobuf form, of which exactly one encoding is accepted.

    0A <length> <payload>  12 <length> <type>  1A 42 0A 40 <64 bytes of signature>

Lengths are shortest varints; one signature, without a key id; nothing before, between or after. Signed is the
pre-authentication encoding "DSSEv1" SP len(type) SP type SP len(payload) SP payload, lengths in bytes, in decimal.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

from flaw import Flaw, need

FACT_TYPE = "application/vnd.rinsebook.fact.v1+protobuf"
REPORT_TYPE = "application/vnd.rinsebook.report.v1+protobuf"
POSSESSION_TYPE = "application/vnd.rinsebook.key-possession.v1"


def pre_authentication(payload_type: str, payload: bytes) -> bytes:
    """The bytes that are signed."""
    kind = payload_type.encode()
    return b"DSSEv1 %d %b %d %b" % (len(kind), kind, len(payload), payload)


@dataclass(frozen=True)
class Envelope:
    """One envelope: the bytes as received beside what they hold."""

    raw: bytes
    payload: bytes
    payload_type: str
    signature: bytes

    @property
    def digest(self) -> bytes:
        return sha256(self.raw).digest()

    @property
    def signed_bytes(self) -> bytes:
        return pre_authentication(self.payload_type, self.payload)


def shortest_varint(data: bytes, at: int, what: str) -> tuple[int, int]:
    """The varint at `at` and the offset after it; one that is longer than it need be is a flaw."""
    value = 0
    for place in range(10):
        need(at + place < len(data), what, "ends inside a number")
        byte = data[at + place]
        value |= (byte & 0x7F) << (7 * place)
        if byte < 0x80:
            need(byte != 0 or place == 0, what, "a number is not in its shortest form")
            return value, at + place + 1
    raise Flaw(what, "a number is longer than ten bytes")


def length_delimited(data: bytes, at: int, what: str) -> tuple[int, bytes, int]:
    """Field number, content and the offset after the length-delimited field at `at`."""
    tag, at = shortest_varint(data, at, what)
    need(tag & 7 == 2, what, f"field {tag >> 3} is not length-delimited")
    length, at = shortest_varint(data, at, what)
    need(at + length <= len(data), what, f"field {tag >> 3} is said to be longer than what is there")
    return tag >> 3, data[at : at + length], at + length


def open_envelope(raw: bytes, payload_type: str) -> Envelope:
    """Takes an envelope apart, or raises the flaw that makes it malformed."""
    what = "envelope"
    field, payload, at = length_delimited(raw, 0, what)
    need(field == 1, what, f"begins with field {field} instead of the payload")
    kind = payload_type.encode()
    type_field = b"\x12" + bytes([len(kind)]) + kind
    need(raw[at : at + len(type_field)] == type_field, what, f"its type is not {payload_type}")
    at += len(type_field)
    need(raw[at : at + 4] == b"\x1a\x42\x0a\x40", what, "does not carry one 64-byte signature without a key id")
    need(len(raw) == at + 4 + 64, what, "does not end with the signature")
    return Envelope(raw, payload, payload_type, raw[at + 4 :])
