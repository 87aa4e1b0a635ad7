"""The story that `write_log.py` tells: every case that a verifier must take as good, in 12 groups over several files.

A founding and its enrolments; a wash by two people; a fact whose key comes later and one whose key never comes; a refused
fact, lost places, a fork, reports; a restarted station; and a run of wash facts chosen by the seed.
"""

from __future__ import annotations

import random
from hashlib import sha256
from pathlib import Path
from typing import Any

import messages
from writing import Signer, Station, Subject, seeded
from written_book import Book

F: Any = messages.fact
AIRCRAFT, ENGINE, WASH, ROSTER, DEVICE = 1, 2, 3, 4, 5
SERIALS = (b"SN-0417", b"SN-0552")


class Wash:
    """One wash of one aircraft with two engines."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.aircraft, self.wash = book.id("aircraft"), book.id("wash")

    def subjects(self, *engines: bytes) -> list[Subject]:
        return [(AIRCRAFT, self.aircraft), *((ENGINE, serial) for serial in sorted(engines)), (WASH, self.wash)]

    def step(self, station: Station, signer: Signer, kind: str, engine: int, **fields: Any) -> bytes:
        """A fact about one engine, 0 or 1."""
        at = F.EngineAt(position=engine + 1, serial=SERIALS[engine].decode())
        body_class = getattr(F, "".join(part.capitalize() for part in kind.split("_")))
        return self.book.fact(station, signer, kind, body_class(engine=at, **fields), self.subjects(SERIALS[engine]))


def enrol(book: Book, tablet: Station) -> None:
    book.found()
    book.writer.commit(mark=True)
    for name in ("technician", "inspector"):
        book.by_custodian("person_enrolled", F.PersonEnrolled(person=book.id(name)))
        book.by_custodian("key_enrolled", book.key_enrolled(name))
    book.by_custodian("device_enrolled", book.device_enrolled(tablet))
    book.by_service("versions_in_force", F.VersionsInForce(rules_version=1), [])
    book.writer.commit()


def open_wash(book: Book, wash: Wash, tablet: Station, technician: Signer) -> None:
    engines = [F.EngineInScope(engine=F.EngineAt(position=n + 1, serial=s.decode())) for n, s in enumerate(SERIALS)]
    opened = F.WashOpened(work_order="W-1", engines=engines, devices=[tablet.device], station="north line")
    book.fact(tablet, technician, "wash_opened", opened, wash.subjects(*SERIALS))
    wash.step(tablet, technician, "line_disconnected", 0, line="sense 2", tag="T-04")
    book.by_service("device_reported", F.DeviceReported(report=book.report(tablet)), [(DEVICE, tablet.device)])
    book.writer.commit(mark=True)


def keys_that_come_late_or_never(book: Book, wash: Wash, tablet: Station) -> None:
    wash.step(tablet, book.signer("newcomer"), "line_reconnected", 0, line="sense 2", torque_millinewton_metres=0)
    wash.step(tablet, book.signer("stranger"), "access_opened", 1, access="fan cowl left")
    book.writer.commit()
    book.by_custodian("key_enrolled", book.key_enrolled("newcomer"))
    book.by_custodian("key_enrolled", F.KeyEnrolled(person=book.id("unproved"), public_key=book.signer("unproved").public))
    wash.step(tablet, book.signer("newcomer"), "access_closed", 1, access="fan cowl left")
    book.writer.commit()


def refuse(book: Book, tablet: Station, received: bytes = b"not a fact") -> None:
    """The service records a refusal; the station goes on after it."""
    digest = sha256(received).digest()
    refused = F.FactRefused(
        device=tablet.device, run=tablet.run, counter=tablet.counter, received_digest=digest,
        received_bytes=len(received), reason=F.REFUSAL_REASON_MALFORMED,
    )
    book.by_service("fact_refused", refused, [(DEVICE, tablet.device)])
    tablet.counter, tablet.last = tablet.counter + 1, digest


def lose(book: Book, tablet: Station, places: int) -> None:
    """The station reports places as lost; what stood there, only it knew."""
    first, last = tablet.counter, tablet.counter + places - 1
    body = F.PlacesLost(
        device=tablet.device, run=tablet.run, first_counter=first, last_counter=last,
        report=book.report(tablet, lost=(first, last)),
    )
    book.by_service("places_lost", body, [(DEVICE, tablet.device)])
    tablet.counter, tablet.last = last + 1, seeded(book.seed, "an envelope that was lost", 32)


def fork(book: Book, wash: Wash, tablet: Station, signer: Signer) -> None:
    """A second envelope for the station's last place."""
    again = Station(tablet.device, tablet.report_signer, tablet.run, tablet.counter - 1, seeded(book.seed, "fork", 32))
    second = book.envelope(again, signer, "remark", F.Remark(), wash.subjects())
    body = F.ForkSeen(device=tablet.device, run=tablet.run, counter=again.counter, envelope=second)
    book.by_service("fork_seen", body, [(DEVICE, tablet.device)])


def wash_on(book: Book, wash: Wash, tablet: Station, people: list[Signer], groups: int) -> None:
    choice = random.Random(book.seed)
    for _ in range(groups):
        for _ in range(choice.randint(1, 5)):
            steps: list[tuple[str, dict[str, Any]]] = [
                ("fixture_fitted", {"fixture": "spray adapter", "tag": "A-1"}),
                ("fixture_removed", {"fixture": "spray adapter", "tag": "A-1"}),
                ("cycle_run", {"water_tenths_celsius": choice.randint(-5, 700), "volume_millilitres": 0}),
                ("inspected", {"line": "sense 2", "result": F.CHECK_RESULT_SATISFACTORY}),
            ]
            kind, fields = choice.choice(steps)
            wash.step(tablet, choice.choice(people), kind, choice.randint(0, 1), **fields)
        book.writer.commit(mark=choice.random() < 0.5)


def tell(folder: Path, seed: int) -> Book:
    """Writes the whole story to `folder`."""
    book = Book(folder, seed)
    tablet, wash = book.station("tablet"), Wash(book)
    technician, inspector = book.signer("technician"), book.signer("inspector")
    enrol(book, tablet)
    open_wash(book, wash, tablet, technician)
    keys_that_come_late_or_never(book, wash, tablet)
    refuse(book, tablet)
    wash.step(tablet, technician, "dry_crank_run", 0)
    fork(book, wash, tablet, technician)
    book.writer.commit()
    lose(book, tablet, places=3)
    wash.step(tablet, technician, "dry_crank_run", 1)
    book.writer.commit()
    tablet.restart(seeded(seed, "run 1 of tablet"))
    wash_on(book, wash, tablet, [technician, inspector], groups=5)
    return book
