"""Facts: the strict framing of the payload, the header, and whether the kind's body can be read.

A payload is field 1 (the header) and exactly one kind field with a number from 32 on, both length-delimited, each once,
shortest varints, nothing else. The header must come out of decoding and encoding unchanged. A body that does not, a kind
that is not known, and an enum that is 0 or not known leave the fact *unread*: it stays in the log, and means nothing yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from google.protobuf.message import DecodeError
from google.protobuf.message_factory import GetMessageClass

import messages
from entries import Subject
from envelopes import FACT_TYPE, Envelope, length_delimited, open_envelope
from flaw import Flaw, need

# Envelopes in bytes: people's and devices', and the service's own.
LONGEST, LONGEST_OF_SERVICE = 16_384, 32_768
AIRCRAFT, ENGINE, WASH, ROSTER, DEVICE = 1, 2, 3, 4, 5

_LENGTHS = {"record": 32, "device": 16, "run": 16, "previous": 32, "author_key": 32, "seen_root": 32}
_KINDS = messages.fact.Fact.DESCRIPTOR.oneofs_by_name["kind"].fields
_KIND_BY_NUMBER = {kind.number: (kind.name, GetMessageClass(kind.message_type)) for kind in _KINDS}


@dataclass(frozen=True)
class Fact:
    """A fact beside its exact bytes. `body` is None while it is unread."""

    envelope: Envelope
    header: Any
    kind: str
    body: Any | None

    @property
    def subjects(self) -> list[Subject]:
        return [(subject.kind, subject.id) for subject in self.header.subjects]


def unchanged(message: Any, raw: bytes) -> bool:
    """Decodes `raw` into `message`; whether encoding what is known of it gives the same bytes."""
    try:
        message.ParseFromString(raw)
    except DecodeError:
        return False
    message.DiscardUnknownFields()
    return bool(message.SerializeToString(deterministic=True) == raw)


def _enums_known(message: Any) -> bool:
    """Whether every enum that is there is known and not 0; one without presence is always there."""
    for field in message.DESCRIPTOR.fields:
        value = getattr(message, field.name)
        many = list(value) if field.is_repeated else [value]
        if field.has_presence and not message.HasField(field.name):
            continue
        if field.message_type is not None and not all(_enums_known(part) for part in many):
            return False
        if field.enum_type is not None:
            known = field.enum_type.values_by_number
            if any(part == 0 or part not in known for part in many):
                return False
    return True


def _subject_flaw(kind: int, identity: bytes) -> str | None:
    if kind not in (AIRCRAFT, ENGINE, WASH, ROSTER, DEVICE):
        return f"is of unknown kind {kind}"
    if kind == ENGINE:
        try:
            identity.decode()
        except UnicodeDecodeError:
            return "is an engine whose serial number is not UTF-8"
        return None if 1 <= len(identity) <= 32 else "is an engine whose serial number is not 1 to 32 bytes"
    length = 0 if kind == ROSTER else 16
    return None if len(identity) == length else f"of kind {kind} has an id of {len(identity)} bytes"


def read_header(raw: bytes) -> Any:
    what = "header"
    header = messages.fact.Header()
    need(unchanged(header, raw), what, "does not come out of decoding and encoding unchanged")
    for name, length in _LENGTHS.items():
        found = len(getattr(header, name))
        need(found == length, what, f"{name} has {found} bytes instead of {length}")
    need(len(header.card) in (0, 16), what, f"card has {len(header.card)} bytes")
    need(all(len(digest) == 32 for digest in header.refers), what, "refers holds one that is not 32 bytes")
    subjects = [(subject.kind, subject.id) for subject in header.subjects]
    for kind, identity in subjects:
        flaw = _subject_flaw(kind, identity)
        if flaw:
            raise Flaw(what, f"a subject {flaw}")
    need(len(subjects) <= 32, what, f"has {len(subjects)} subjects, more than 32")
    need(all(a < b for a, b in zip(subjects, subjects[1:])), what, "its subjects are not ascending, each once")
    return header


def read_fact(raw: bytes) -> Fact:
    """Opens an envelope and the fact in it, or raises the flaw that makes it malformed."""
    envelope = open_envelope(raw, FACT_TYPE)
    what, payload = "fact", envelope.payload
    field, header_bytes, at = length_delimited(payload, 0, what)
    need(field == 1, what, f"begins with field {field} instead of the header")
    number, body_bytes, at = length_delimited(payload, at, what)
    need(number >= 32, what, f"field {number} is no kind")
    need(at == len(payload), what, "goes on after its kind field")
    header = read_header(header_bytes)
    if number not in _KIND_BY_NUMBER:
        return Fact(envelope, header, f"field {number}", None)
    name, message_class = _KIND_BY_NUMBER[number]
    body = message_class()
    readable = unchanged(body, body_bytes) and _enums_known(body)
    return Fact(envelope, header, name, body if readable else None)
