"""Ed25519 (RFC 8032) checked strictly: neither the key nor the signature's first half may be of small order.

The library compares the encoding of the computed point with the one in the signature and refuses a second half at or over
the group order, as RFC 8032 5.1.7 asks. It does accept keys of small order, under which one signature fits many messages;
the fourteen encodings of such points are therefore refused here. They are computed, not listed: on
-x^2 + y^2 = 1 + d x^2 y^2 the orders 1, 2 and 4 have y = 1, -1 and 0, and a point whose double has y = 0 satisfies
d y^4 + 2 y^2 - 1 = 0, that is y^2 = (-1 + s) / d with s^2 = 1 + d.
"""

from __future__ import annotations

from hashlib import sha256

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

_P = 2**255 - 19
_D = -121665 * pow(121666, -1, _P) % _P


def _square_roots(value: int) -> list[int]:
    """Both roots modulo p, or none (p = 5 modulo 8)."""
    root = pow(value, (_P + 3) // 8, _P)
    for candidate in (root, root * pow(2, (_P - 1) // 4, _P) % _P):
        if candidate * candidate % _P == value % _P:
            return [candidate, -candidate % _P]
    return []


def _small_order_encodings() -> frozenset[bytes]:
    heights = {0, 1, _P - 1}
    for root in _square_roots(1 + _D):
        heights.update(_square_roots((root - 1) * pow(_D, -1, _P) % _P))
    # 0 and 1 have a second, unreduced encoding that still fits in 255 bits.
    heights.update({_P, _P + 1})
    return frozenset((y | sign << 255).to_bytes(32, "little") for y in heights for sign in (0, 1))


SMALL_ORDER = _small_order_encodings()


def is_weak(public_key: bytes) -> bool:
    """Whether no signature under this key proves anything."""
    return len(public_key) != 32 or public_key in SMALL_ORDER


def key_id(public_key: bytes) -> bytes:
    """How facts name a key: SHA-256(01 || public key), 01 for Ed25519."""
    return sha256(b"\x01" + public_key).digest()


def is_signed(public_key: bytes, signature: bytes, message: bytes) -> bool:
    """Whether `signature` (64 bytes) is a strict one of `message`."""
    if len(signature) != 64 or is_weak(public_key) or signature[:32] in SMALL_ORDER:
        return False
    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True
