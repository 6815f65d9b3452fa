"""How a frame stands to what its topic has passed on before: by boot mark and number.

The clock of the device decides only where it sends no boot marks.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from ingest.decode import Stamp


@dataclass(frozen=True, slots=True)
class Past:
    """What a topic was before its last restart, by which old copies are known.

    Parameters
    ----------
    boots:
        Former boot marks, the latest last.
    end:
        Highest number and latest time before the last restart without a boot mark.
    """

    boots: tuple[str | None, ...] = ()
    end: Stamp | None = None


MOST_BOOTS: Final = 8
"""Former boot marks remembered for a topic: a broker keeps no older copies (engineering choice)."""
NO_PAST: Final = Past()
LATE_NS: Final = 60 * 10**9
"""A former boot mark so much later is no late copy: the device uses it again (engineering choice)."""
MOST_AHEAD: Final = 10_000_000
"""A number further from the last one is a fault: two months at two frames a second (engineering choice)."""


class Relation(Enum):
    """How a frame stands to the last one passed on."""

    AHEAD = "ahead"
    RESTART = "restart"
    DUPLICATE = "duplicate"
    STALE = "stale"
    ASTRAY = "astray"


def relation(stamp: Stamp, *, last: Stamp, past: Past) -> Relation:
    """Compare a frame's place with the last one passed on in its topic."""
    if stamp.boot != last.boot:
        is_old = stamp.boot in past.boots and stamp.t_ns <= last.t_ns + LATE_NS
        return Relation.STALE if is_old else Relation.RESTART
    if stamp.seq > last.seq + MOST_AHEAD:
        return Relation.ASTRAY
    if stamp.seq > last.seq:
        end = past.end if stamp.boot is None else None
        is_old = end is not None and stamp.seq <= end.seq and stamp.t_ns <= end.t_ns
        return Relation.STALE if is_old else Relation.AHEAD
    # Without a boot mark a restart; with one, the last number itself was astray.
    fell_back = stamp.t_ns > last.t_ns and (stamp.boot is None or stamp.seq < last.seq - MOST_AHEAD)
    return Relation.RESTART if fell_back else Relation.DUPLICATE


def after_restart(last: Stamp, past: Past) -> Past:
    """Remember where a topic stood, at a restart of its device."""
    boots = (*(boot for boot in past.boots if boot != last.boot), last.boot)[-MOST_BOOTS:]
    end = past.end
    if last.boot is None:
        end = Stamp(None, max(last.seq, end.seq if end else -1), last.t_ns)
    return Past(boots, end)
