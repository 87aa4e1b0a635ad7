"""Keys, devices and devices' chains as far as a pack tells them.

Every custodian's fact is in the pack, so that keys are learnt here as from a whole log. But a device's run has gaps where its
other facts are about other aircraft, so that a fact must name the envelope before it only where that is in the pack.
"""

from __future__ import annotations

from typing import Any

from facts import LONGEST, LONGEST_OF_SERVICE, Fact
from flaw import Flaw, need
from places import Places, Run
from roster import Roster


class PackRoster(Roster):
    """Also knows which devices are retired, what was erased, and which facts are signed by a key that is known."""

    def __init__(self) -> None:
        super().__init__()
        self.read: list[Fact] = []
        # Digest of an annex, and why the custodian had it erased.
        self.erased: dict[bytes, str] = {}
        self._retired: set[bytes] = set()

    @property
    def unread(self) -> int:
        """Facts whose key never came, or that the key that came later has not signed."""
        return self.waiting + self.counts.bad_under_later_key

    def found(self, fact: Fact) -> None:
        need(len(fact.envelope.raw) <= LONGEST, "envelope", f"has more than {LONGEST} bytes")
        super().found(fact)
        self.read.append(fact)

    def check(self, fact: Fact, index: int) -> list[tuple[Fact, int]]:
        longest = LONGEST_OF_SERVICE if fact.header.author_key == self.service_key_id else LONGEST
        need(len(fact.envelope.raw) <= longest, "envelope", f"has {len(fact.envelope.raw)} bytes, more than {longest}")
        need(fact.header.device not in self._retired, "device", f"{fact.header.device.hex()} was retired before")
        read = super().check(fact, index)
        self.read.extend(fact for fact, _ in read)
        return read

    def check_fork(self, fact: Fact) -> None:
        if fact.header.author_key in self._keys:
            super().check_fork(fact)

    def _learn(self, fact: Fact, index: int) -> list[bytes]:
        learnt = super()._learn(fact, index)
        body = fact.body
        if body is not None and self.is_custodian(fact, index):
            if fact.kind == "device_retired" and body.device != self.service_device:
                self._retired.add(body.device)
            elif fact.kind == "annex_erased":
                self.erased.update((digest, body.reason) for digest in body.digests)
        return learnt

    def _enrol_device(self, body: Any) -> bool:
        enrolled = super()._enrol_device(body)
        if enrolled:
            self._retired.discard(body.device)
        return enrolled


class GappedRun(Run):
    """One run of which some places are in the pack: they ascend, none twice."""

    def __init__(self) -> None:
        super().__init__()
        self._last = -1
        self._known: dict[int, bytes] = {}

    def before(self, counter: int) -> bytes | None:
        return self._known.get(counter - 1)

    def put(self, counter: int, digest: bytes, what: str) -> None:
        self._ascend(counter, counter, what)
        self._known[counter] = digest

    def lose(self, first: int, last: int, what: str) -> None:
        self._ascend(first, last, what)

    def check_fork(self, counter: int, digest: bytes, what: str) -> None:
        need(self._known.get(counter) != digest, what, "the second envelope is the first")

    def _ascend(self, first: int, last: int, what: str) -> None:
        need(first > self._last, what, f"place {first} comes after place {self._last}")
        self._last = last


# What the checks of a whole log call by these names is `chain` here.
_CHAIN = ("device-chain", "refusal", "lost-places", "subjects", "record", "founding")


def word_of(flaw: Flaw) -> str:
    """Everything about who signed is `signature`; what stands where, and in which record, is `chain`."""
    return "chain" if flaw.what in _CHAIN else "signature"


def places_of(roster: Roster) -> Places:
    return Places(roster, GappedRun)
