"""What befell the store itself: damage repaired, commits that failed; kept for whoever looks later."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class IncidentKind(StrEnum):
    """What befell the store itself."""

    LOG_RESTORED = "log_restored"
    """The write-ahead log was damaged and written anew from its copy: nothing is lost."""
    LOG_CUT = "log_cut"
    """The log was damaged and no copy reached so far: what came after the damage is gone."""
    STORE_FAILED = "store_failed"
    """A commit could not be made; the service began again from what was stored."""


@dataclass(frozen=True, slots=True)
class Incident:
    """One thing that befell the store, in a sentence."""

    what: IncidentKind
    detail: str
