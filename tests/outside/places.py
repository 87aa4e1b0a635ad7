"""Places in the devices' chains: each device numbers its facts in runs, and no place is left open or taken twice.

Counters of a run go from 0 without gaps. A fact names the SHA-256 of the envelope at the place before it; the first of a
run may name anything. A refusal that the service recorded takes the place of what was refused, and the next fact names the
digest of the bytes received. Places that the device itself reported lost are passed over; what was there is not known
here, so the fact after them may name anything too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from facts import DEVICE, Fact, read_fact
from flaw import need
from roster import Roster


class Run:
    """One run of which every place is known: the digest at each, None where it was lost."""

    def __init__(self) -> None:
        self._digests: list[bytes | None] = []

    def before(self, counter: int) -> bytes | None:
        """What the fact at `counter`, the next place, must name; None: anything."""
        return self._digests[-1] if self._digests else None

    def put(self, counter: int, digest: bytes, what: str) -> None:
        self._next(counter, what)
        self._digests.append(digest)

    def lose(self, first: int, last: int, what: str) -> None:
        self._next(first, what)
        places = last - first + 1
        need(places <= 1_000_000, what, f"{places} places are more than a run can have")
        self._digests.extend([None] * places)

    def check_fork(self, counter: int, digest: bytes, what: str) -> None:
        need(counter < len(self._digests), what, f"place {counter} was not taken")
        need(self._digests[counter] != digest, what, "the second envelope is the first")

    def _next(self, counter: int, what: str) -> None:
        need(counter == len(self._digests), what, f"place {counter} instead of {len(self._digests)}")


class Places:
    """All runs of all devices; `make_run` says what a run must be like."""

    def __init__(self, roster: Roster, make_run: Callable[[], Run] = Run) -> None:
        self._roster = roster
        self._make_run = make_run
        self._runs: dict[tuple[bytes, bytes], Run] = {}
        self.facts = 0
        self.refused = 0
        self.lost = 0

    def __len__(self) -> int:
        return len(self._runs)

    def take(self, fact: Fact) -> None:
        """Puts a fact at its place, and what it says of other places where the service says it."""
        header, what = fact.header, "device-chain"
        run = self._run(header.device, header.run)
        before = run.before(header.counter)
        run.put(header.counter, fact.envelope.digest, what)
        need(before is None or header.previous == before, what, f"place {header.counter} does not name the envelope before it")
        self.facts += 1
        if header.author_key == self._roster.service_key_id and fact.body is not None:
            self._service_fact(fact, fact.body)

    def _service_fact(self, fact: Fact, body: Any) -> None:
        if fact.kind == "fact_refused":
            self._about(fact, body.device)
            need(body.reason in (1, 2, 3, 4), "refusal", f"reason {body.reason} takes no place")
            need(len(body.received_digest) == 32, "refusal", "the digest of what was received is not 32 bytes")
            self._run(body.device, body.run).put(body.counter, body.received_digest, "refusal")
            self.refused += 1
        elif fact.kind == "places_lost":
            self._about(fact, body.device)
            self._lost(body)
        elif fact.kind == "device_reported":
            self._about(fact, self._roster.check_report(body.report).device)
        elif fact.kind == "fork_seen":
            self._about(fact, body.device)
            self._fork(body)

    def _lost(self, body: Any) -> None:
        what = "lost-places"
        report = self._roster.check_report(body.report)
        need(report.device == body.device, what, "the report is another device's")
        said = any(
            lost.run == body.run and lost.first_counter <= body.first_counter and body.last_counter <= lost.last_counter
            for lost in report.lost
        )
        need(said, what, "the device's report does not say so")
        need(body.first_counter <= body.last_counter, what, "end before they begin")
        self._run(body.device, body.run).lose(body.first_counter, body.last_counter, what)
        self.lost += body.last_counter - body.first_counter + 1

    def _fork(self, body: Any) -> None:
        what = "fork"
        second = read_fact(body.envelope)
        place = (second.header.device, second.header.run, second.header.counter)
        need(place == (body.device, body.run, body.counter), what, "the second envelope is of another place")
        self._run(body.device, body.run).check_fork(body.counter, second.envelope.digest, what)
        self._roster.check_fork(second)

    def _about(self, fact: Fact, device: bytes) -> None:
        need((DEVICE, device) in fact.subjects, "subjects", f"{fact.kind} does not have its device among its subjects")

    def _run(self, device: bytes, run: bytes) -> Run:
        key = (device, run)
        if key not in self._runs:
            self._runs[key] = self._make_run()
        return self._runs[key]
