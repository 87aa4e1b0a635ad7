"""A record with invented people and devices; its facts are signed here and kept by the writer. All keys come from the seed."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import Any

import messages
from writing import NOTHING, START_MS, LogWriter, Signer, Station, Subject, delimited, seeded, tree_root

FACT = "application/vnd.rinsebook.fact.v1+protobuf"
REPORT = "application/vnd.rinsebook.report.v1+protobuf"


class Book:
    """A record with its people and devices; makes facts and has the writer keep them."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.seed = seed
        self.log_signer = Signer(seeded(seed, "log key", 32))
        self.origin_name, self.epoch = "log.example/wash", 1
        self.writer = LogWriter(folder, f"{self.origin_name}/1", self.log_signer)
        self.record = NOTHING
        self.service = self.signer("service")
        self.custodian = self.signer("custodian")
        self.office = self.station("office")
        self.server = self.station("server")

    def signer(self, name: str) -> Signer:
        return Signer(seeded(self.seed, f"key of {name}", 32))

    def id(self, name: str) -> bytes:
        return seeded(self.seed, f"id of {name}")

    def station(self, name: str) -> Station:
        return Station(self.id(name), self.signer(f"reports of {name}"), seeded(self.seed, f"run 0 of {name}"))

    def envelope(self, station: Station, signer: Signer, kind: str, body: Any, subjects: list[Subject], **changes: Any) -> bytes:
        """A signed fact at the station's next place. `changes` set header fields to other values; `edit` changes the payload."""
        edit = changes.pop("edit", lambda payload: payload)
        happened = START_MS + 1000 * self.writer.size
        header = messages.fact.Header(
            record=self.record, device=station.device, run=station.run, counter=station.counter,
            previous=station.last, author_key=signer.key_id, happened_ms=happened, recorded_ms=happened + 40,
            seen_epoch=self.epoch, seen_size=self.writer.shown, seen_root=tree_root(self.writer.leaves[: self.writer.shown]),
            subjects=[messages.fact.Subject(kind=kind, id=identity) for kind, identity in subjects],
        )
        for name, value in changes.items():
            if name == "refers":
                header.refers.extend(value)
            else:
                setattr(header, name, value)
        number = messages.fact.Fact.DESCRIPTOR.fields_by_name[kind].number
        payload = delimited(1, header.SerializeToString()) + delimited(number, body.SerializeToString())
        return signer.envelope(FACT, edit(payload))

    def keep(self, station: Station, envelope: bytes, subjects: list[Subject]) -> bytes:
        """Appends it and moves the station on; gives the envelope's digest."""
        self.writer.append(envelope, subjects)
        station.counter, station.last = station.counter + 1, sha256(envelope).digest()
        return station.last

    def fact(self, station: Station, signer: Signer, kind: str, body: Any, subjects: list[Subject], **changes: Any) -> bytes:
        return self.keep(station, self.envelope(station, signer, kind, body, subjects, **changes), subjects)

    def by_service(self, kind: str, body: Any, subjects: list[Subject], **changes: Any) -> bytes:
        return self.fact(self.server, self.service, kind, body, subjects, **changes)

    def by_custodian(self, kind: str, body: Any, **changes: Any) -> bytes:
        return self.fact(self.office, self.custodian, kind, body, [(4, b"")], **changes)

    def key_enrolled(self, name: str) -> Any:
        signer, person = self.signer(name), self.id(name)
        return messages.fact.KeyEnrolled(person=person, public_key=signer.public, possession=signer.possession(person))

    def device_enrolled(self, station: Station) -> Any:
        signer = station.report_signer
        return messages.fact.DeviceEnrolled(
            device=station.device, report_key=signer.public, possession=signer.possession(station.device),
            tls_key_digest=seeded(self.seed, "tls", 32), label="tablet", station="north line",
        )

    def versions(self) -> Any:
        return messages.fact.VersionsInForce(rules_version=1)

    def remark(self) -> Any:
        return messages.fact.Remark()

    def report(self, station: Station, signer: Signer | None = None, lost: tuple[int, int] | None = None) -> bytes:
        """The station's own signed report."""
        report = messages.fact.Report(
            record=self.record, device=station.device, run=station.run, made_ms=START_MS, unsent=0,
            head=station.last, head_run=station.run, head_counter=max(0, station.counter - 1),
        )
        if lost:
            report.lost.add(run=station.run, first_counter=lost[0], last_counter=lost[1])
        return (signer or station.report_signer).envelope(REPORT, report.SerializeToString())

    def founding(self) -> Any:
        """The body of entry 0."""
        return messages.fact.RecordFounded(
            custodian=messages.fact.PersonEnrolled(person=self.id("custodian")),
            custodian_key=self.key_enrolled("custodian"), custodian_device=self.device_enrolled(self.office),
            service_fact_key=self.service.public, service_device=self.server.device,
            origin_name=self.origin_name, log_public_key=self.log_signer.public,
            recovery_keys=[self.signer("recovery a").public, self.signer("recovery b").public], recovery_threshold=2,
            rules_version=1,
        )

    def found(self, body: Any | None = None, **changes: Any) -> None:
        """Entry 0. `changes` as for `envelope`."""
        body = body or self.founding()
        envelope = self.envelope(self.office, self.custodian, "record_founded", body, [(4, b"")], **changes)
        self.record = self.keep(self.office, envelope, [(4, b"")])
