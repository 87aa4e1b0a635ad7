"""Merkle tree hashing and proofs as RFC 6962 section 2.1 and RFC 9162 sections 2.1.3.2 and 2.1.4.2 define them.

leaf = SHA-256(00 || data), node = SHA-256(01 || left || right), the empty tree = SHA-256(""). A tree of n leaves splits at
the largest power of two below n, so the perfect subtrees of its left edge (one for each bit set in n) give its root.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256


def leaf_hash(data: bytes) -> bytes:
    return sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    return sha256(b"\x01" + left + right).digest()


class Tree:
    """A growing tree of which only the edge is kept: one hash for each bit set in its size, largest first."""

    def __init__(self) -> None:
        self.size = 0
        self._edge: list[bytes] = []

    def append(self, leaf: bytes) -> None:
        """Takes a leaf hash. As many subtrees join as the old size has trailing ones in binary."""
        joining, remaining = leaf, self.size
        while remaining & 1:
            joining = node_hash(self._edge.pop(), joining)
            remaining >>= 1
        self._edge.append(joining)
        self.size += 1

    def root(self) -> bytes:
        if not self._edge:
            return sha256(b"").digest()
        root = self._edge[-1]
        for left in reversed(self._edge[:-1]):
            root = node_hash(left, root)
        return root


def included(index: int, size: int, leaf: bytes, proof: Sequence[bytes], root: bytes) -> bool:
    """Whether `proof` shows `leaf` at `index` of the tree of `size` with that root (RFC 9162, 2.1.3.2)."""
    if index >= size or any(len(step) != 32 for step in (leaf, root, *proof)):
        return False
    first, last, hashed = index, size - 1, leaf
    for step in proof:
        if last == 0:
            return False
        if first & 1 or first == last:
            hashed = node_hash(step, hashed)
            while not first & 1 and first != 0:
                first, last = first >> 1, last >> 1
        else:
            hashed = node_hash(hashed, step)
        first, last = first >> 1, last >> 1
    return last == 0 and hashed == root


def consistent(old: int, new: int, old_root: bytes, new_root: bytes, proof: Sequence[bytes]) -> bool:
    """Whether `proof` shows the tree of size `old` as the beginning of that of `new` (RFC 9162, 2.1.4.2)."""
    if any(len(step) != 32 for step in (old_root, new_root, *proof)):
        return False
    if old == new:
        return not proof and old_root == new_root
    if old == 0 or old > new or not proof:
        return False
    steps = list(proof) if old & (old - 1) else [old_root, *proof]
    first, last = old - 1, new - 1
    while first & 1:
        first, last = first >> 1, last >> 1
    older = newer = steps[0]
    for step in steps[1:]:
        if last == 0:
            return False
        if first & 1 or first == last:
            older, newer = node_hash(step, older), node_hash(step, newer)
            while not first & 1 and first != 0:
                first, last = first >> 1, last >> 1
        else:
            newer = node_hash(newer, step)
        first, last = first >> 1, last >> 1
    return last == 0 and older == old_root and newer == new_root
