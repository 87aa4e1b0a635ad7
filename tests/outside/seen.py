"""What signers say to have seen of the log: an epoch, a size and a root in each fact's header.

The state named bears no signature of the log's: it is the word of whoever signed. So a state that this log never had is told
beside the verdict, by device; only the service contradicts its own log with one. What an epoch lost cannot be compared.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import sha256

from facts import Fact
from flaw import need
from logkeys import LogKeys

EMPTY_ROOT = sha256(b"").digest()


@dataclass
class Seen:
    # By device: how many facts, and the entry of the first.
    otherwise: dict[bytes, tuple[int, int]] = field(default_factory=dict)

    def take(self, fact: Fact, index: int, by_service: bool, keys: LogKeys, root_at: Callable[[int], bytes | None]) -> None:
        """`root_at` gives the root that the log had at a size, None where it had no such state."""
        if self._fits(fact, index, keys, root_at):
            return
        need(not by_service, "seen", "the service says to have seen what its own log never was")
        device = fact.header.device
        count, first = self.otherwise.get(device, (0, index))
        self.otherwise[device] = (count + 1, min(first, index))

    def lines(self) -> list[str]:
        found = sorted(self.otherwise.items(), key=lambda one: one[1][1])
        return [
            f"finding: {count} facts of device {device.hex()} say to have seen another log, first entry {first}"
            for device, (count, first) in found
        ]

    @staticmethod
    def _fits(fact: Fact, index: int, keys: LogKeys, root_at: Callable[[int], bytes | None]) -> bool:
        epoch, size, root = fact.header.seen_epoch, fact.header.seen_size, fact.header.seen_root
        if epoch == 0 or epoch > keys.epoch:
            return False
        if keys.lost(epoch, size):
            return True
        return bool(size <= index and root == (root_at(size) if size else EMPTY_ROOT))
