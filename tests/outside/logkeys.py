"""Which keys sign the log's checkpoints: they come from the log itself, and the verifier brings one of them.

The founding fact names the log and its first key, for epoch 1. A custodian's fact changes the key within an epoch: it
carries a checkpoint of this log signed by both, and from its entry on the new key must sign; a line by the old one may stand
beside it, and must then hold. Another opens the next epoch after an older state was put back: it stands right behind what was
restored, names its size and root, a new origin and a new key over the same tree. No key comes back, and a fact that does
not fit changes nothing: the checkpoints after it show which key was in force. Without a key that the verifier brought among
them, all of this only agrees with itself.
"""

from __future__ import annotations

from typing import Any

from facts import Fact
from flaw import Flaw, need
from notes import Checkpoint, Note, VerifierKey
from signatures import is_weak


class LogKeys:
    def __init__(self, brought: list[VerifierKey]) -> None:
        self._brought = brought
        self._name = ""
        self._all: list[VerifierKey] = []
        # Epochs that ended, each with how much of it is in the log.
        self._ended: list[tuple[int, int]] = []
        # The root at the end of every group, where groups are known.
        self._roots: dict[int, bytes] = {}
        self.epoch = 0
        self.checkpoints = 0
        self.signatures = 0

    @property
    def origin(self) -> str:
        return f"{self._name}/{self.epoch}"

    def found(self, body: Any) -> None:
        self._name, self.epoch = body.origin_name, 1
        need(self._name != "" and not any(c.isspace() or c == "+" for c in self._name), "founding", "the log has no proper name")
        need(not is_weak(body.log_public_key), "founding", "the log's key is weak or not 32 bytes")
        self._all = [VerifierKey(self.origin, body.log_public_key)]

    def learn(self, fact: Fact, index: int, root: bytes | None) -> None:
        """Takes over what a custodian's fact at `index` says; `root` is that of the entries before, where all are known."""
        if fact.kind == "epoch_opened":
            self._open(fact.body, index, root)
        elif fact.kind == "log_key_changed":
            self._change(fact.body, index)

    def check(self, raw: bytes, size: int, root: bytes) -> None:
        """The checkpoint that ends a group, with the size and root that the entries up to there have."""
        checkpoint = self.open(Note.parse(raw))
        need(checkpoint.size == size, "checkpoint", f"size {checkpoint.size} instead of {size}")
        need(checkpoint.root == root, "checkpoint", "the root is not that of the entries")
        self._roots[size] = root
        self.checkpoints += 1

    def open(self, note: Note) -> Checkpoint:
        """A checkpoint of this log as it stands: signed by the key in force, and no line by an earlier one is bad."""
        checkpoint = Checkpoint.parse(note.text)
        need(checkpoint.origin == self.origin, "checkpoint", f"origin {checkpoint.origin} instead of {self.origin}")
        good = note.verified_by(self._all)
        need(self._all[-1] in good, "checkpoint", "no signature by a known key of this log that is in force")
        self.signatures += len(good)
        return checkpoint

    def root_at(self, size: int) -> bytes | None:
        """The root that a checkpoint of so many entries said."""
        return self._roots.get(size)

    def lost(self, epoch: int, size: int) -> bool:
        """Whether a state of that epoch is one that no later epoch went on from."""
        return any(ended >= epoch and size > kept for ended, kept in self._ended)

    def check_older(self, raw: bytes) -> Checkpoint:
        """A checkpoint kept from before, signed by a key brought."""
        note = Note.parse(raw)
        note.verified_by(self._brought)
        return Checkpoint.parse(note.text)

    def finish(self) -> None:
        """The verifier's own word on whose log it is."""
        anchored = any(key in self._brought for key in self._all)
        need(anchored or not self._all, "verifier-key", "no key that signed this log is the verifier key brought")

    def _open(self, body: Any, index: int, root: bytes | None) -> None:
        fits = body.epoch == self.epoch + 1 and body.restored_size == index and root in (None, body.restored_root)
        if fits and self._is_new(body.log_public_key):
            self._ended.append((self.epoch, body.restored_size))
            self.epoch = body.epoch
            self._all.append(VerifierKey(self.origin, body.log_public_key))

    def _change(self, body: Any, index: int) -> None:
        if body.old_public_key != self._all[-1].public_key or not self._is_new(body.new_public_key):
            return
        old, new = self._all[-1], VerifierKey(self.origin, body.new_public_key)
        try:
            note = Note.parse(body.checkpoint_note.encode())
            checkpoint, good = Checkpoint.parse(note.text), note.verified_by([old, new])
        except Flaw:
            return
        of_this_log = self._roots.get(checkpoint.size, checkpoint.root) == checkpoint.root
        if old in good and new in good and checkpoint.origin == self.origin and checkpoint.size <= index and of_this_log:
            self._all.append(new)

    def _is_new(self, public_key: bytes) -> bool:
        return not is_weak(public_key) and all(key.public_key != public_key for key in self._all)
