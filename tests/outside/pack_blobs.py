"""Texts, pictures and names beside the facts: each is named by a fact, and each attachment that a fact names is there.

An annex (named by the SHA-256 of its salt and bytes) may be kept back or may have been erased; the custodian's erasure is a
fact in the pack. An attachment or a procedure is named by its plain SHA-256. The text of a procedure need not be
there for each fact that merely names it; the fact that publishes it has it as an attachment.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import messages
from facts import Fact, unchanged
from flaw import Flaw
from pack_bytes import Blob
from pack_links import Item

ANNEX, ATTACHMENT, PROCEDURE = "AnnexRef", "AttachmentRef", "ProcedureRef"
_SORTS = (ANNEX, ATTACHMENT, PROCEDURE)


def references(message: Any) -> Iterator[tuple[str, bytes]]:
    """Sort and digest of every reference in a message, however deep."""
    for field, value in message.ListFields():
        if field.message_type is None:
            continue
        for part in value if field.is_repeated else [value]:
            if field.message_type.name in _SORTS:
                yield field.message_type.name, part.digest
            else:
                yield from references(part)


def named_by(fact: Fact) -> Iterator[tuple[str, bytes]]:
    """What a fact names; a correction also what it puts in the place of the old. What is no digest names nothing."""
    if fact.body is None:
        return
    named = list(references(fact.body))
    if fact.kind == "corrected":
        replacement = messages.fact.Fact()
        if unchanged(replacement, fact.body.kind_field):
            named += references(replacement)
    yield from ((sort, digest) for sort, digest in named if len(digest) == 32)


def check_blobs(items: list[Item], blobs: tuple[Blob, ...]) -> set[bytes]:
    """Gives the digests of the annexes that facts name and that are not in the pack."""
    there = {(blob.digest, blob.is_annex) for blob in blobs}
    named: set[tuple[bytes, bool]] = set()
    for item in items:
        for sort, digest in named_by(item.fact):
            named.add((digest, sort == ANNEX))
            if sort == ATTACHMENT:
                item.need((digest, False) in there, "blob", f"names the attachment {digest.hex()}, which is not in the pack")
    for digest, is_annex in sorted(there):
        if (digest, is_annex) not in named:
            raise Flaw("blob", f"no fact names the {'annex' if is_annex else 'attachment'} {digest.hex()}")
    return {digest for digest, is_annex in named - there if is_annex}
