"""Passwords, PINs and tokens: hashed, compared, and made at random."""

import hashlib
import secrets
from threading import BoundedSemaphore

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

__all__ = ["digest_of_token", "hash_secret", "is_secret", "new_token", "weak_password"]

#: argon2id with 64 MiB, three passes, one lane; at most two at once, so that a flood of sign-ins
#: cannot take the machine's memory.
_HASH = PasswordHash((Argon2Hasher(time_cost=3, memory_cost=65536, parallelism=1),))
_AT_ONCE = BoundedSemaphore(2)

SHORTEST_PASSWORD = 12


def hash_secret(secret: str) -> str:
    """Hash a password or PIN."""
    with _AT_ONCE:
        return _HASH.hash(secret)


def is_secret(secret: str, kept: str) -> bool:
    """Tell whether a secret is the one that was hashed; takes its time for nobody's, too."""
    with _AT_ONCE:
        if not kept:
            _HASH.hash(secret)
            return False
        return _HASH.verify(secret, kept)


def new_token() -> str:
    """Make 256 random bits, safe in a cookie or a header."""
    return secrets.token_urlsafe(32)


def digest_of_token(token: str) -> str:
    """Give the digest under which a token is kept; it is random, so a plain hash is enough."""
    return hashlib.sha256(token.encode()).hexdigest()


def weak_password(password: str, *about: str) -> str | None:
    """Say why a password is too weak, or ``None``: length counts, and no own name in it.

    Source: OWASP ASVS 5.0, 6.2 (length instead of composition rules).
    """
    if len(password) < SHORTEST_PASSWORD:
        return f"use {SHORTEST_PASSWORD} characters or more; several words are easy to remember"
    lowered = password.lower()
    if any(len(word) >= 4 and word.lower() in lowered for word in about):  # noqa: PLR2004 - shorter words are in everything
        return "the password contains the account's own name"
    if len(set(password)) < 5:  # noqa: PLR2004 - aaaa and abab, not a rule of composition
        return "the password repeats the same few characters"
    return None
