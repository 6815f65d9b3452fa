"""The detector's state as bytes: what survives a restart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """State of one parlor's detector.

    Attributes
    ----------
    version:
        Version of the layout; another version is refused.
    digest:
        Digest of the parameters; other parameters are refused.
    blobs:
        Bytes by stall number; key 0 holds what belongs to the whole parlor.
    """

    version: int
    digest: str
    blobs: Mapping[int, bytes]
