"""Who may do what over HTTP: tokens with roles, kept as digests; without tokens, this machine only.

A request carries its token as ``Authorization: Bearer TOKEN``, or as the password of HTTP basic
authentication, which any browser asks for. Every function here is pure; the web layer calls
:meth:`Access.refusal` before it answers anything.
"""

from __future__ import annotations

import base64
import hmac
import secrets
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from detect.errors import InputError
from ingest.config import is_loopback

TOKEN_BYTES: Final = 32
"""Random bytes of a new token: beyond guessing, so a plain digest is enough to keep (engineering choice)."""

QUERY_PATHS: Final = frozenset({"/v1/query", "/v1/backup"})
"""Addresses that give the whole history away."""


class Role(StrEnum):
    """What a token may be good for; each of them includes looking."""

    VIEW = "view"
    """The page, metrics and health."""
    ACKNOWLEDGE = "acknowledge"
    """Acknowledging alerts and noting maintenance."""
    QUERY = "query"
    """Questions to the whole history, and its backup."""


def required_role(method: str, path: str) -> Role:
    """Return what a request needs: whatever is posted and is no question acknowledges something."""
    if path.partition("?")[0] in QUERY_PATHS:
        return Role.QUERY
    return Role.VIEW if method in ("GET", "HEAD") else Role.ACKNOWLEDGE


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks: whether from this machine, and the headers ``Authorization`` and ``Host``."""

    local: bool = True
    authorization: str = ""
    host: str = ""


class Refusal(StrEnum):
    """Why a request is not answered."""

    UNKNOWN = "a token is needed: Authorization: Bearer TOKEN, or the token as password"
    FORBIDDEN = "this token has not the role for that"
    REMOTE = "without tokens only callers on this machine are answered"
    REBOUND = "the request names another host than this machine"


@dataclass(frozen=True, slots=True)
class Access:
    """The rule of one service: roles by the SHA-256 of their token; without any, this machine may all."""

    roles: Mapping[bytes, frozenset[Role]] = field(default_factory=dict)

    def refusal(self, caller: Caller, role: Role) -> Refusal | None:
        """Return why a caller may not do what a role allows, None when it may."""
        if not self.roles:
            return _refused_without_tokens(caller)
        granted = self._granted(_token(caller.authorization))
        if granted is None:
            return Refusal.UNKNOWN
        return None if role in granted or role is Role.VIEW else Refusal.FORBIDDEN

    def _granted(self, token: str) -> frozenset[Role] | None:
        """Look at every token, however early one fits, so that time tells nothing."""
        asked, found = sha256(token.encode(errors="replace")).digest(), None
        for digest, roles in self.roles.items():
            if hmac.compare_digest(digest, asked):
                found = roles
        return found


THIS_MACHINE: Final = Access()
"""The rule without tokens."""


def read_access(path: Path | None) -> Access:
    """Read the file of tokens: one table a token, with ``roles`` and ``sha256``; none for this machine only.

    Raises
    ------
    InputError
        When it cannot be read, or a token in it is not understood.
    """
    if path is None:
        return THIS_MACHINE
    try:
        document = tomllib.loads(path.read_text())
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"not TOML: {error}", where=str(path)) from error
    if not document:
        raise InputError("holds no token; make one with 'quietclaw token'", where=str(path))
    return Access(dict(_entry(name, table, path) for name, table in document.items()))


def new_token(name: str, roles: Iterable[Role]) -> tuple[str, str]:
    """Return a fresh token, and its table for the file, which does not give the token away."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    listed = ", ".join(f'"{role.value}"' for role in sorted(set(roles)))
    return token, f'[{name}]\nroles = [{listed}]\nsha256 = "{sha256(token.encode()).hexdigest()}"\n'


def _entry(name: str, table: Any, path: Path) -> tuple[bytes, frozenset[Role]]:
    try:
        digest = bytes.fromhex(table["sha256"])
        roles = frozenset(Role(role) for role in table["roles"])
    except (TypeError, KeyError, ValueError) as error:
        raise InputError(
            f"{name}: needs roles (of {', '.join(Role)}) and sha256 ({error})", where=str(path)
        ) from error
    if len(digest) != sha256().digest_size or not roles:
        raise InputError(f"{name}: needs a role and the 64 digits of a SHA-256", where=str(path))
    return digest, roles


def _refused_without_tokens(caller: Caller) -> Refusal | None:
    if not caller.local:
        return Refusal.REMOTE
    # A stranger's page can make the farmer's browser call this machine under the stranger's name.
    name = caller.host.rpartition(":")[0] if caller.host.rpartition(":")[2].isdecimal() else caller.host
    return None if not caller.host or is_loopback(name) else Refusal.REBOUND


def _token(authorization: str) -> str:
    """Return the token of a header, empty when there is none."""
    scheme, _, rest = authorization.partition(" ")
    if scheme.lower() == "bearer":
        return rest.strip()
    if scheme.lower() == "basic":
        try:
            return base64.b64decode(rest, validate=True).decode().partition(":")[2]
        except ValueError:
            return ""
    return ""
