"""Whose keys there are: they come from the log itself, and every signature of a fact is checked here.

The founding fact brings the custodian's key and device, the service's fact key and device, and the recovery keys. A
person's key and a device's report key count with their proof of possession only: the key's own signature over the DSSE
encoding of type application/vnd.rinsebook.key-possession.v1 and body id || 01 || public key. A fact whose key is not
known yet waits; it is tried when the key is enrolled, and counted as unread if that never happens. Once a key is known,
a fact that is not signed by it cannot have been admitted, so that is a flaw; a fact that was admitted before is
merely left unread. What recovery keys sign is read where the signature holds, and gives them nothing but what custody.py
says: enough of them pass custody on, with a new custodian's person, key and device.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

import messages
from custody import Custody, Recovery
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
        self._key_index: dict[bytes, int] = {}
        self._custody = Custody()
        self._recovery = Recovery([], 0)
        self._now = 0
        # What custodians said of the log's own keys, since somebody last took it from here.
        self.successions: list[Fact] = []
        self._report_keys: dict[bytes, list[bytes]] = {}
        self._waiting: dict[bytes, list[tuple[Fact, int]]] = {}

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
        self._custody.establish(body.custodian.person, 0, fact)
        self._recovery = Recovery(list(body.recovery_keys), body.recovery_threshold)
        self._check_known(fact, body.custodian_key.public_key)

    def check(self, fact: Fact, index: int) -> list[tuple[Fact, int]]:
        """Checks a later fact; gives the facts that are read from now on, with their entries: this one, and those that
        waited for it."""
        header, self._now = fact.header, index
        need(header.record == self.record, "record", "the fact belongs to another record")
        need(header.device in self._report_keys, "device", f"{header.device.hex()} was not enrolled before")
        by_service, on_service = header.author_key == self.service_key_id, header.device == self.service_device
        need(by_service == on_service, "device", "the service's device and the service's key do not come together")
        self._recovery.hear(fact)
        public_key, read = self._keys.get(header.author_key), list[tuple[Fact, int]]()
        if public_key is not None:
            self._check_known(fact, public_key)
            read = list(self._read(fact, index))
        elif self._recovery.signed(fact):
            self.counts.at_once += 1
            read = [(fact, index)]
        else:
            self._waiting.setdefault(header.author_key, []).append((fact, index))
        for enrolled in self._pass_custody_on():
            for waited, its_index in self._signed_by(enrolled):
                read += self._read(waited, its_index)
        return read

    def is_custodian(self, fact: Fact, index: int) -> bool:
        """Whether a fact at `index` is a custodian's word."""
        key = fact.header.author_key
        if key not in self._persons:
            return False
        return self._custody.counts(fact, self._persons[key], self._key_index[key], index, self._now)

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

    def _read(self, fact: Fact, index: int) -> Iterator[tuple[Fact, int]]:
        """The fact, and with the keys that it enrols those that waited for them, and so on."""
        fresh = [(fact, index)]
        while fresh:
            read, its_index = fresh.pop(0)
            yield read, its_index
            for enrolled in self._learn(read, its_index):
                fresh += self._signed_by(enrolled)

    def _signed_by(self, enrolled: bytes) -> list[tuple[Fact, int]]:
        """Of the facts that waited for this key, those that it signed."""
        found = []
        for waited, its_index in self._waiting.pop(enrolled, []):
            if is_signed(self._keys[enrolled], waited.envelope.signature, waited.envelope.signed_bytes):
                self.counts.by_later_key += 1
                found.append((waited, its_index))
            else:
                self.counts.bad_under_later_key += 1
        return found

    def _learn(self, fact: Fact, index: int) -> list[bytes]:
        """Takes enrolments over; the ids of the keys that come with it."""
        body = fact.body
        if body is None:
            return []
        if self.is_custodian(fact, index):
            self._custody.learn(fact, self._now)
            if fact.kind in ("epoch_opened", "log_key_changed"):
                self.successions.append(fact)
        if fact.kind == "key_enrolled":
            return [key_id(body.public_key)] if self._enrol_key(body) else []
        if fact.kind == "device_enrolled":
            self._enrol_device(body)
        return []

    def _pass_custody_on(self) -> list[bytes]:
        """Where enough recovery keys have signed for a new custodian; the ids of the keys that come with it."""
        for act in self._recovery.due():
            body = act.body
            assert body is not None
            enrolled = body.custodian_key
            known = self._persons.get(key_id(enrolled.public_key), enrolled.person)
            if known != enrolled.person or not self._enrol_key(enrolled):
                continue
            self._enrol_device(body.custodian_device)
            self._custody.establish(enrolled.person, self._now, act)
            self._recovery = self._recovery.passed_on(list(body.recovery_keys), body.recovery_threshold)
            return [key_id(enrolled.public_key)]
        return []

    def _enrol_key(self, body: Any) -> bool:
        """A key that is there already stays whose it is."""
        if not self._possessed(body.person, body.public_key, body.possession):
            return False
        new = key_id(body.public_key)
        self._keys[new] = body.public_key
        self._persons.setdefault(new, body.person)
        self._key_index.setdefault(new, self._now)
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
