"""Whose keys there are: they come from the log itself, and every signature of a fact is checked here.

The founding fact brings the custodian's key and device, the service's fact key and device, and the recovery keys. A
person's key and a device's report key count with their proof of possession only: the key's own signature over the DSSE
encoding of type application/vnd.rinsebook.key-possession.v1 and body id || 01 || public key. A fact whose key is not
known yet waits; it is tried when the key is enrolled, and counted as unread if that never happens. Once a key is known,
a fact that is not signed by it cannot have been admitted, so that is a flaw; a fact that was admitted before is
merely left unread.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

import messages
from envelopes import POSSESSION_TYPE, REPORT_TYPE, open_envelope, pre_authentication
from facts import Fact, unchanged
from flaw import need
from signatures import is_signed, is_weak, key_id


@dataclass
class SignatureCounts:
    at_once: int = 0
    by_later_key: int = 0
    bad_under_later_key: int = 0
    proofs: int = 0
    without_proof: int = 0
    reports: int = 0
    forks: int = 0


class Roster:
    """Keys by id, report keys by device, and the facts that wait for a key."""

    def __init__(self) -> None:
        self.counts = SignatureCounts()
        self.service_key_id = b""
        self.service_device = b""
        self.record = b""
        self._keys: dict[bytes, bytes] = {}
        self._persons: dict[bytes, bytes] = {}
        self._custodians: set[bytes] = set()
        self._report_keys: dict[bytes, list[bytes]] = {}
        self._waiting: dict[bytes, list[Fact]] = {}

    @property
    def waiting(self) -> int:
        return sum(len(facts) for facts in self._waiting.values())

    def found(self, fact: Fact) -> None:
        """Takes the founding fact and checks that it is one."""
        what, body, header = "founding", fact.body, fact.header
        need(fact.kind == "record_founded" and body is not None, what, f"entry 0 is {fact.kind}, not a founding that can be read")
        assert body is not None
        need(header.record == bytes(32), what, "its record is not zeros")
        need((header.seen_epoch, header.seen_size) == (1, 0), what, "it has seen more than nothing of epoch 1")
        need(header.seen_root == sha256(b"").digest(), what, "the root it has seen is not that of the empty tree")
        need(header.device == body.custodian_device.device, what, "it comes from a device that it does not name")
        need(body.custodian.person == body.custodian_key.person, what, "the custodian's key is another person's")
        need(self._enrol_key(body.custodian_key), what, "the custodian's key is not proved")
        need(self._enrol_device(body.custodian_device), what, "the report key of the custodian's device is not proved")
        need(header.author_key == key_id(body.custodian_key.public_key), what, "not signed by the key that it names")
        need(len(body.service_device) == 16, what, "the service's device is not 16 bytes")
        need(not is_weak(body.service_fact_key), what, "the service's fact key is weak or not 32 bytes")
        need(0 < body.recovery_threshold <= len(body.recovery_keys) or not body.recovery_keys, what, "recovery is out of reach")
        self.record = fact.envelope.digest
        self.service_key_id, self.service_device = key_id(body.service_fact_key), body.service_device
        self._keys[self.service_key_id] = body.service_fact_key
        self._report_keys.setdefault(body.service_device, [])
        self._custodians.add(body.custodian.person)
        self._add_recovery_keys(body.recovery_keys)
        self._check_known(fact, body.custodian_key.public_key)

    def check(self, fact: Fact) -> list[Fact]:
        """Checks a later fact; gives the facts that are read from now on: this one, and those that waited for it."""
        header = fact.header
        need(header.record == self.record, "record", "the fact belongs to another record")
        need(header.device in self._report_keys, "device", f"{header.device.hex()} was not enrolled before")
        by_service, on_service = header.author_key == self.service_key_id, header.device == self.service_device
        need(by_service == on_service, "device", "the service's device and the service's key do not come together")
        public_key = self._keys.get(header.author_key)
        if public_key is None:
            self._waiting.setdefault(header.author_key, []).append(fact)
            return []
        self._check_known(fact, public_key)
        return list(self._read(fact))

    def is_custodian(self, fact: Fact) -> bool:
        return self._persons.get(fact.header.author_key) in self._custodians

    def check_report(self, raw: bytes) -> Any:
        """A device's own report, signed with that device's report key."""
        what = "report"
        envelope = open_envelope(raw, REPORT_TYPE)
        report = messages.fact.Report()
        need(unchanged(report, envelope.payload), what, "does not come out of decoding and encoding unchanged")
        need(report.record == self.record, what, "belongs to another record")
        keys = self._report_keys.get(report.device, [])
        need(bool(keys), what, f"device {report.device.hex()} has no report key enrolled")
        signed = any(is_signed(key, envelope.signature, envelope.signed_bytes) for key in keys)
        need(signed, what, f"not signed by the report key of device {report.device.hex()}")
        self.counts.reports += 1
        return report

    def check_fork(self, fact: Fact) -> None:
        """The second envelope of a fork was well signed, or it would have been refused as such."""
        public_key = self._keys.get(fact.header.author_key)
        need(public_key is not None, "fork", "the second envelope's key was not known")
        assert public_key is not None
        signed = is_signed(public_key, fact.envelope.signature, fact.envelope.signed_bytes)
        need(signed, "fork", "the second envelope is not signed by the key that it names")
        self.counts.forks += 1

    def _check_known(self, fact: Fact, public_key: bytes) -> None:
        signed = is_signed(public_key, fact.envelope.signature, fact.envelope.signed_bytes)
        need(signed, "signature", f"not signed by the key {fact.header.author_key.hex()} that the header names")
        self.counts.at_once += 1

    def _read(self, fact: Fact) -> Iterator[Fact]:
        """The fact, and with the keys that it enrols those that waited for them, and so on."""
        fresh = [fact]
        while fresh:
            read = fresh.pop(0)
            yield read
            for enrolled in self._learn(read):
                for waited in self._waiting.pop(enrolled, []):
                    key = self._keys[enrolled]
                    if is_signed(key, waited.envelope.signature, waited.envelope.signed_bytes):
                        self.counts.by_later_key += 1
                        fresh.append(waited)
                    else:
                        self.counts.bad_under_later_key += 1

    def _learn(self, fact: Fact) -> list[bytes]:
        """Takes enrolments over; the ids of the keys that come with it."""
        body = fact.body
        if body is None:
            return []
        if fact.kind == "key_enrolled":
            return [key_id(body.public_key)] if self._enrol_key(body) else []
        if fact.kind == "device_enrolled":
            self._enrol_device(body)
        elif fact.kind == "custody_reestablished":
            self._enrol_device(body.custodian_device)
            recovery = self._add_recovery_keys(body.recovery_keys)
            return recovery + ([key_id(body.custodian_key.public_key)] if self._enrol_key(body.custodian_key) else [])
        elif fact.kind == "authority_granted" and self.is_custodian(fact):
            if body.authority == messages.fact.AUTHORITY_CUSTODY:
                self._custodians.add(body.person)
        return []

    def _enrol_key(self, body: Any) -> bool:
        if not self._possessed(body.person, body.public_key, body.possession):
            return False
        self._keys[key_id(body.public_key)] = body.public_key
        self._persons[key_id(body.public_key)] = body.person
        return True

    def _enrol_device(self, body: Any) -> bool:
        if len(body.device) != 16 or not self._possessed(body.device, body.report_key, body.possession):
            return False
        self._report_keys.setdefault(body.device, []).append(body.report_key)
        return True

    def _possessed(self, identity: bytes, public_key: bytes, possession: bytes) -> bool:
        signed_bytes = pre_authentication(POSSESSION_TYPE, identity + b"\x01" + public_key)
        good = is_signed(public_key, possession, signed_bytes)
        self.counts.proofs += good
        self.counts.without_proof += not good
        return good

    def _add_recovery_keys(self, keys: Any) -> list[bytes]:
        strong = [public_key for public_key in keys if not is_weak(public_key)]
        self._keys.update((key_id(public_key), public_key) for public_key in strong)
        return [key_id(public_key) for public_key in strong]
