"""Who speaks for the record: custody, from the founding on, and how it passes on.

Custody is an authority that a custodian grants and withdraws. A custodian's word counts where they had custody at two
points, by what their station had seen (the header's seen) and at the entry's own place, under a key that was not revoked
from before it. Where the custodian's key is lost, recovery keys pass custody on: a fact names a new custodian with person,
key and device, signed by that new key or by a recovery key, and takes effect where as many recovery keys as the founding
asks for have countersigned it, in facts that name its envelope and have all of its subjects. All custody from before ends there.
What an epoch lost was seen by nobody: a larger size counts as what was restored.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import messages
from facts import Fact
from signatures import is_signed, is_weak, key_id

RECOVERY = messages.fact.COUNTERSIGN_PURPOSE_CUSTODY_RECOVERY
CUSTODY = messages.fact.AUTHORITY_CUSTODY


@dataclass
class _Term:
    """Custody of one person, from one entry on."""

    person: bytes
    since: int
    granted_by: bytes
    valid_from_ms: int | None = None
    valid_until_ms: int | None = None
    until: int | None = None

    def holds(self, point: int, happened_ms: int) -> bool:
        """Whether it was in force before the entry at `point`, for what happened then. Times count in whole seconds."""
        second = happened_ms // 1000
        begun = self.since < point and (self.until is None or self.until >= point)
        early = self.valid_from_ms is not None and second < self.valid_from_ms // 1000
        late = self.valid_until_ms is not None and second > self.valid_until_ms // 1000
        return begun and not early and not late


class Recovery:
    """The offline keys, and what waits for enough of them."""

    def __init__(self, keys: list[bytes], threshold: int) -> None:
        self.keys = {key_id(key): key for key in keys if not is_weak(key)}
        self.threshold = threshold
        self._asked: list[Fact] = []
        self._signed: list[Fact] = []

    def signed(self, fact: Fact) -> bool:
        key = self.keys.get(fact.header.author_key)
        return key is not None and is_signed(key, fact.envelope.signature, fact.envelope.signed_bytes)

    def hear(self, fact: Fact) -> None:
        if fact.kind == "custody_reestablished" and fact.body is not None:
            self._asked.append(fact)
        elif fact.kind == "countersigned" and fact.body is not None and fact.body.purpose == RECOVERY and self.signed(fact):
            self._signed.append(fact)

    def due(self) -> list[Fact]:
        """The acts that enough recovery keys signed for."""
        return [act for act in self._asked if self._agreed(act)]

    def _agreed(self, act: Fact) -> bool:
        about = set(act.subjects)
        naming = [by for by in self._signed if act.envelope.digest in by.header.refers and about <= set(by.subjects)]
        enough = len({by.header.author_key for by in naming}) >= self.threshold > 0
        assert act.body is not None
        own = self.keys.get(act.header.author_key, act.body.custodian_key.public_key)
        return enough and is_signed(own, act.envelope.signature, act.envelope.signed_bytes)

    def passed_on(self, keys: list[bytes], threshold: int) -> Recovery:
        """The set that comes after; one that could do nothing leaves this one, but nothing waits any more."""
        following = Recovery(keys, threshold)
        if 0 < threshold <= len(following.keys):
            return following
        return Recovery(list(self.keys.values()), self.threshold)


class Custody:
    def __init__(self) -> None:
        self._terms: list[_Term] = []
        self._revoked: dict[bytes, int] = {}
        # Epochs opened: the epoch, and how many entries of the log before it were restored.
        self._restored: list[tuple[int, int]] = []

    def establish(self, person: bytes, index: int, act: Fact) -> None:
        """This person alone has custody from here on."""
        for term in self._terms:
            term.until = index if term.until is None else term.until
        self._terms.append(_Term(person, index, act.envelope.digest))

    def learn(self, fact: Fact, index: int) -> None:
        """Takes over what a custodian says of custody, keys and epochs."""
        body: Any = fact.body
        if fact.kind == "authority_granted" and body.authority == CUSTODY:
            valid_from = body.valid_from_ms if body.HasField("valid_from_ms") else None
            valid_until = body.valid_until_ms if body.HasField("valid_until_ms") else None
            self._terms.append(_Term(body.person, index, fact.envelope.digest, valid_from, valid_until))
        elif fact.kind == "authority_withdrawn":
            for term in self._terms:
                if term.granted_by in fact.header.refers and term.since > 0 and term.until is None:
                    term.until = index
        elif fact.kind == "key_revoked":
            since = body.untrusted_from_index if body.HasField("untrusted_from_index") else index
            self._revoked[body.key_id] = min(since, self._revoked.get(body.key_id, since))
        elif fact.kind == "epoch_opened":
            self._restored.append((body.epoch, body.restored_size))

    def counts(self, fact: Fact, person: bytes, key_index: int, index: int, now: int) -> bool:
        """Whether a fact at `index`, by a key enrolled at `key_index`, is a custodian's word as known after entry `now`."""
        header = fact.header
        if self._revoked.get(header.author_key, index + 1) <= index:
            return False
        # A key that came later is judged by what was known once it had come.
        points = [now + 1] if key_index > index else [self._seen_point(fact, index), index]
        held = (any(t.person == person and t.holds(point, header.happened_ms) for t in self._terms) for point in points)
        return all(held) and all(key_index < point for point in points)

    def _seen_point(self, fact: Fact, index: int) -> int:
        header = fact.header
        lost = [size for epoch, size in self._restored if epoch > header.seen_epoch]
        return max(1, min([header.seen_size, index, *lost]))
