"""The story that `write_pack.py` tells: a wash to be packed, and another beside it that leaves gaps.

A founding and its enrolments; a procedure; two aircraft washed by one tablet in one run; a defect's text, a remark and a
name in an annex, of which one is erased; a refused fact, lost places and a report; a key that comes late and one that
never comes.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Any

import messages
from writing import Subject, seeded
from written_book import Book
from written_story import AIRCRAFT, DEVICE, ENGINE, ROSTER, SERIALS, WASH, Wash, fork, lose, refuse

F: Any = messages.fact
OTHER_SERIAL = b"SN-0981"
CONTRACT = b"the text of the message definitions stands here"
PROCEDURE = b"title = 'an invented wash'\n"
DEFECT = b"clamp chafed through"


def attachment(content: bytes) -> Any:
    return F.AttachmentRef(digest=sha256(content).digest())


class Visit:
    """One aircraft's wash, and what goes with it into its pack."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.tablet, self.wash = book.station("tablet"), Wash(book)
        self.technician = book.signer("technician")
        # Salt and content of what the facts name; the remark is erased later and the staff number kept back.
        self.name = (seeded(book.seed, "salt of name"), b"A. Nobody")
        self.remark = (seeded(book.seed, "salt of remark"), b"wet floor")
        self.blobs: list[tuple[bytes, bytes]] = [(b"", CONTRACT)]

    def annex(self, blob: tuple[bytes, bytes]) -> Any:
        return F.AnnexRef(digest=sha256(blob[0] + blob[1]).digest())

    def enrol(self) -> None:
        """The shortest record that a wash can be written in."""
        book = self.book
        book.found()
        book.by_custodian("key_enrolled", book.key_enrolled("technician"))
        book.by_custodian("device_enrolled", book.device_enrolled(self.tablet))

    def step(self, kind: str = "dry_crank_run", **fields: Any) -> bytes:
        return self.wash.step(self.tablet, self.technician, kind, 0, **fields)

    def fact(self, kind: str, body: Any, subjects: list[Subject], **changes: Any) -> bytes:
        return self.book.fact(self.tablet, self.technician, kind, body, subjects, **changes)

    def elsewhere(self) -> None:
        """A fact by the same people about another aircraft, which is in no pack about this one."""
        at = F.EngineAt(position=1, serial=OTHER_SERIAL.decode())
        about: list[Subject] = [(AIRCRAFT, self.book.id("another")), (ENGINE, OTHER_SERIAL), (WASH, self.book.id("other wash"))]
        self.fact("dry_crank_run", F.DryCrankRun(engine=at), about)

    def tell(self) -> None:
        self.enrol()
        self._roster()
        self._open()
        self._troubles()
        self._close()

    def _roster(self) -> None:
        book = self.book
        person = F.PersonEnrolled(
            person=book.id("technician"), name=self.annex(self.name),
            staff_number=F.AnnexRef(digest=seeded(book.seed, "an annex kept back", 32)),
        )
        book.by_custodian("person_enrolled", person)
        text = F.ProcedurePublished(procedure=book.id("procedure"), revision=1, text=attachment(PROCEDURE), title="wash")
        book.by_custodian("procedure_published", text)
        reference = F.ProcedureRef(digest=sha256(PROCEDURE).digest())
        book.by_service("versions_in_force", F.VersionsInForce(rules_version=1, procedures=[reference]), [(ROSTER, b"")])
        self.blobs += [self.name, (b"", PROCEDURE)]

    def _open(self) -> None:
        engines = [F.EngineInScope(engine=F.EngineAt(position=n + 1, serial=s.decode())) for n, s in enumerate(SERIALS)]
        reference = F.ProcedureRef(digest=sha256(PROCEDURE).digest())
        opened = F.WashOpened(work_order="W-1", procedure=reference, engines=engines, devices=[self.tablet.device])
        self.fact("wash_opened", opened, self.wash.subjects(*SERIALS))
        self.elsewhere()
        self.step("line_disconnected", line="sense 2", tag="T-04")
        self.step("defect_raised", line="sense 2", text=attachment(DEFECT))
        self.fact("remark", F.Remark(text=self.annex(self.remark)), self.wash.subjects())
        self.elsewhere()
        self.report()
        self.blobs.append((b"", DEFECT))

    def report(self, **changes: Any) -> None:
        body = F.DeviceReported(report=self.book.report(self.tablet, **changes))
        self.book.by_service("device_reported", body, [(DEVICE, self.tablet.device)])

    def _troubles(self) -> None:
        book = self.book
        self.wash.step(self.tablet, book.signer("newcomer"), "line_reconnected", 0, line="sense 2")
        self.wash.step(self.tablet, book.signer("stranger"), "access_opened", 1, access="fan cowl left")
        book.by_custodian("key_enrolled", book.key_enrolled("newcomer"))
        refuse(book, self.tablet)
        self.step()
        fork(book, self.wash, self.tablet, self.technician)
        self.elsewhere()
        lose(book, self.tablet, places=3)
        self.step()

    def _close(self) -> None:
        book = self.book
        self.tablet.restart(seeded(book.seed, "run 1 of tablet"))
        self.step("access_closed", access="fan cowl left")
        erased = F.AnnexErased(digests=[self.annex(self.remark).digest], reason="asked for")
        book.by_custodian("annex_erased", erased)
        self.elsewhere()

    def head(self, **changes: Any) -> Any:
        """The body of a fact that issues a pack."""
        fields = {"issued_to": "an auditor", "purpose": "yearly look", "contract": attachment(CONTRACT), "part": 1, "parts": 1}
        return F.PackIssued(**{**fields, **changes})

    def about(self) -> list[Subject]:
        engines: list[Subject] = [(ENGINE, serial) for serial in SERIALS]
        return [(AIRCRAFT, self.wash.aircraft), *engines, (WASH, self.wash.wash), (ROSTER, b""), (DEVICE, self.tablet.device)]

    def issue(self, parts: int = 1, **changes: Any) -> list[int]:
        """The service's facts that issue the pack, with the subjects dealt out among them; gives their indices."""
        about, indices = self.about(), []
        for part in range(1, parts + 1):
            body = self.head(part=part, parts=parts, **changes)
            self.book.by_service("pack_issued", body, about[part - 1 :: parts])
            indices.append(self.book.writer.size - 1)
        return indices
