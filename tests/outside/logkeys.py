"""Which keys sign the log's checkpoints: the verifier's own, and those that the log names by its custodian's signature.

The founding fact names the log and its first key, for epoch 1. A custodian's fact opens a later epoch, with a new origin
and a new key over the same tree, after an older state was put back; another changes the key within an epoch and carries a
checkpoint signed by both. Every group's checkpoint must verify under the keys in force at its place, and the key that
the verifier brought must have signed at least one of them, or all of this would only agree with itself.
"""

from __future__ import annotations

from typing import Any

from facts import Fact
from flaw import Flaw, need
from merkle import Tree
from notes import Checkpoint, Note, VerifierKey
from signatures import is_weak


class LogKeys:
    def __init__(self, brought: list[VerifierKey]) -> None:
        self._brought = brought
        self._name = ""
        self._epoch = 0
        self._in_force: list[VerifierKey] = []
        self._anchored = False
        self._newest: Checkpoint | None = None
        self.checkpoints = 0
        self.signatures = 0

    @property
    def origin(self) -> str:
        return f"{self._name}/{self._epoch}"

    def found(self, body: Any) -> None:
        self._name = body.origin_name
        need(self._name != "" and not any(c.isspace() or c == "+" for c in self._name), "founding", "the log has no proper name")
        self._open(1, body.log_public_key, "founding")

    def learn(self, fact: Fact, index: int, tree: Tree) -> None:
        """Takes over what a custodian's fact at `index` says of the log's keys; `tree` is that of the entries before."""
        body = fact.body
        if fact.kind == "epoch_opened" and body is not None:
            need(body.epoch == self._epoch + 1, "epoch", f"{body.epoch} follows {self._epoch}")
            need(body.restored_size == index, "epoch", f"names a restored size of {body.restored_size} at entry {index}")
            need(body.restored_root == tree.root(), "epoch", "the root restored is not that of the entries before")
            self._open(body.epoch, body.log_public_key, "epoch")
        elif fact.kind == "log_key_changed" and body is not None:
            self._change(body)

    def check(self, raw: bytes, size: int, root: bytes) -> None:
        """The checkpoint that ends a group, with the size and root that the entries up to there have."""
        note = Note.parse(raw)
        checkpoint = Checkpoint.parse(note.text)
        need(checkpoint.origin == self.origin, "checkpoint", f"origin {checkpoint.origin} instead of {self.origin}")
        need(checkpoint.size == size, "checkpoint", f"size {checkpoint.size} instead of {size}")
        need(checkpoint.root == root, "checkpoint", "the root is not that of the entries")
        good = note.verified_by(self._in_force)
        self._anchored |= any(key in self._brought for key in good)
        self._newest = checkpoint
        self.checkpoints += 1
        self.signatures += len(good)

    def check_older(self, raw: bytes) -> Checkpoint:
        """A checkpoint kept from before, signed by a key brought."""
        note = Note.parse(raw)
        note.verified_by(self._brought)
        return Checkpoint.parse(note.text)

    def finish(self) -> None:
        need(self._anchored or self.checkpoints == 0, "verifier-key", "no checkpoint is signed by the verifier key brought")

    def _open(self, epoch: int, public_key: bytes, what: str) -> None:
        need(not is_weak(public_key), what, "the log's key is weak or not 32 bytes")
        self._epoch = epoch
        self._in_force = [VerifierKey(self.origin, public_key)]
        for key in self._brought:
            if key.name == self.origin and key not in self._in_force:
                raise Flaw(what, f"the key of {self.origin} is not the verifier key brought")

    def _change(self, body: Any) -> None:
        """Has effect only with both keys' signatures over the newest checkpoint; without, the old key stays alone."""
        old, new = VerifierKey(self.origin, body.old_public_key), VerifierKey(self.origin, body.new_public_key)
        if old not in self._in_force or is_weak(body.new_public_key) or self._newest is None:
            return
        try:
            note = Note.parse(body.checkpoint_note.encode())
            checkpoint, good = Checkpoint.parse(note.text), note.verified_by([old, new])
        except Flaw:
            return
        if old in good and new in good and checkpoint == self._newest:
            self._in_force = [old, new]
            self.signatures += 2
