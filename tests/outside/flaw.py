"""What a check that fails says: what was wrong, where, and why."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Place:
    """Where in the log folder: a file, a byte offset in it, an entry index; None where it is not known."""

    file: str | None = None
    offset: int | None = None
    entry: int | None = None

    def __str__(self) -> str:
        file, offset, entry = ("-" if v is None else v for v in (self.file, self.offset, self.entry))
        return f"{file} offset {offset} entry {entry}"


class Flaw(Exception):
    """One check that failed. `place` is filled in by whoever knows it."""

    def __init__(self, what: str, reason: str, place: Place | None = None) -> None:
        super().__init__(what, reason)
        self.what, self.reason, self.place = what, reason, place

    def at(self, place: Place) -> Flaw:
        """The same flaw with a place, unless it has a nearer one already."""
        if self.place is None:
            self.place = place
        return self

    def __str__(self) -> str:
        return f"bad: {self.what} {self.place or Place()}: {self.reason}"


def need(holds: bool, what: str, reason: str) -> None:
    """Raises `Flaw` unless `holds`."""
    if not holds:
        raise Flaw(what, reason)
