"""How often cups slipped so far, in this parlor, this stall and under this cow: what a cause is worth.

Every slip is shared out over its likely causes (:mod:`detect.cause`), and the shares are counted
against the time for which each circumstance was there (:mod:`detect.scene`). Rates are Gamma-Poisson:
a prior worth :data:`PRIOR_SLIPS` slips, then the parlor's own count over its own time, so that a new
parlor starts from the simulated ones and ends at itself. A stall and a cow are ordinary or one of a
few sizes of bad; their excess is the posterior mean over that ladder, hence one unlucky milking
names nobody. Only what happened before a slip counts for it. Counts and times fade with attached
time, so that the memory is bounded and new liners are believed in the end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from detect.cause import CIRCUMSTANCES, Evidence, Excess
from detect.kinds import AirKind, Cause

BASE_PER_S: Final = 0.002
"""Slips without a reason before anything is known [1/s attached], 0.6 in 5 min (engineering choice)."""
EXCESS: Final = {
    Cause.WEIGHT_NOT_CARRIED: 8.0,
    Cause.QUARTER_DRY: 4.0,
    Cause.LOW_PLANT_VACUUM: 1.6,
    Cause.COW: 40.0,
}
"""Excess over the base rate at strength 1 before anything is known (tuned on simulated parlors)."""
PRIOR_SLIPS: Final = 5.0
"""What these priors are worth in slips (engineering choice)."""
STALL_LADDER: Final = ((0.0, 0.88), (1.5, 0.05), (4.0, 0.04), (9.0, 0.02), (20.0, 0.01))
"""Excess of a stall and its prior: most are sound, a few have a bad liner (engineering choice)."""
COW_LADDER: Final = ((0.0, 0.97), (2.0, 0.02), (6.0, 0.01))
"""Excess of a cow and its prior (engineering choice)."""
PARLOR_MEMORY_S: Final = 2e6
"""Attached seconds over which the parlor's counts fade, about 7000 milkings (engineering choice)."""
STALL_MEMORY_S: Final = 6e4
"""The same for a stall, about 200 milkings: a few days of a rotary (engineering choice)."""
COW_MEMORY_S: Final = 6e3
"""The same for a cow, about 20 milkings (engineering choice)."""
MOST_COWS: Final = 4000
"""Cows remembered; the one not milked for longest goes first."""
KINDS: Final = len(CIRCUMSTANCES)


@dataclass(slots=True)
class SlipHistory:
    """Counts of slips by likely cause, and the times they are counted over.

    Attributes
    ----------
    counts, times:
        Of the parlor: base rate first, then :data:`detect.cause.CIRCUMSTANCES` [slips], [s].
    seen:
        The kernel's exposures as of the last look [s].
    stall_counts, stall_times, stall_seen:
        The same for every stall: slips that no circumstance explains.
    cows:
        Unexplained slips and attached seconds of every cow, latest milked last.
    packed_cows:
        The same as bytes of a checkpoint, as long as it stays so.
    """

    stalls: int
    counts: NDArray[np.float64] = field(init=False)
    times: NDArray[np.float64] = field(init=False)
    seen: NDArray[np.float64] = field(init=False)
    stall_counts: NDArray[np.float64] = field(init=False)
    stall_times: NDArray[np.float64] = field(init=False)
    stall_seen: NDArray[np.float64] = field(init=False)
    cows: dict[str, tuple[float, float]] = field(default_factory=dict)
    packed_cows: bytes | None = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Begin with nothing counted."""
        self.counts, self.times, self.seen = np.zeros((3, KINDS + 1))
        self.stall_counts, self.stall_times, self.stall_seen = np.zeros((3, self.stalls))

    def excess(self, index: int, cow: str | None, note: Any) -> Excess:
        """Return what a slip's circumstances are worth, from all that happened before it.

        Parameters
        ----------
        index:
            Stall number less one.
        cow:
            Who stands there.
        note:
            Row of NOTE_DTYPE with the exposures until now.
        """
        self._live_until(index, note)
        base = self.base_per_s
        by_cause = {
            cause: float(
                (PRIOR_SLIPS + self.counts[k]) / (PRIOR_SLIPS / EXCESS[cause] + base * self.times[k])
            )
            for k, cause in enumerate(CIRCUMSTANCES, start=1)
        }
        stall = ladder_mean(STALL_LADDER, self.stall_counts[index], base * self.stall_times[index])
        count, time_s = self.cows.get(cow, (0.0, 0.0)) if cow else (0.0, 0.0)
        return Excess(
            by_cause=by_cause,
            stall=stall,
            cow=ladder_mean(COW_LADDER, count, base * time_s),
        )

    @property
    def base_per_s(self) -> float:
        """Rate of slips that nothing explains [1/s attached]."""
        return float((PRIOR_SLIPS + self.counts[0]) / (PRIOR_SLIPS / BASE_PER_S + self.times[0]))

    def count(self, index: int, evidence: Evidence, shares: Mapping[Cause, float]) -> float:
        """Count a slip by its shares and return what of it the cow may be charged with."""
        if evidence.kind is not AirKind.LINER_SLIP:
            return 0.0
        moved = evidence.strengths[Cause.COW] > 0.0
        for k, cause in enumerate(CIRCUMSTANCES, start=1):
            self.counts[k] += shares[cause] if cause is not Cause.COW or moved else 0.0
        plain = shares[Cause.UNKNOWN] + (0.0 if moved else shares[Cause.COW])
        self.counts[0] += plain
        self.stall_counts[index] += plain + shares[Cause.STALL_FAULT]
        return shares[Cause.UNKNOWN] + shares[Cause.COW]

    def close_milking(self, cow: str | None, slips: float, attached_s: float) -> None:
        """Add a finished milking to its cow's memory."""
        if cow is None:
            return
        self.packed_cows = None
        count, time_s = self.cows.pop(cow, (0.0, 0.0))
        keep = COW_MEMORY_S / (COW_MEMORY_S + attached_s)
        self.cows[cow] = (keep * count + slips, keep * time_s + attached_s)
        if len(self.cows) > MOST_COWS:
            del self.cows[next(iter(self.cows))]

    def _live_until(self, index: int, note: Any) -> None:
        """Let counts fade and times grow by what the kernel lived through since the last look."""
        now = np.array([note["all_s"], *note["all_strength_s"]])
        keep = PARLOR_MEMORY_S / (PARLOR_MEMORY_S + now[0] - self.seen[0])
        self.times = keep * self.times + now - self.seen
        self.counts *= keep
        self.seen = now
        passed = float(note["stall_s"]) - self.stall_seen[index]
        keep = STALL_MEMORY_S / (STALL_MEMORY_S + passed)
        self.stall_times[index] = keep * self.stall_times[index] + passed
        self.stall_counts[index] *= keep
        self.stall_seen[index] = float(note["stall_s"])


def ladder_mean(ladder: tuple[tuple[float, float], ...], count: float, expected: float) -> float:
    """Return the posterior mean excess after ``count`` slips where ``expected`` were ordinary.

    Parameters
    ----------
    ladder:
        Pairs of excess and prior probability.
    count, expected:
        Slips seen, and slips expected at the base rate.
    """
    sizes, prior = np.array(ladder).T
    fit = np.log(prior) + count * np.log1p(sizes) - expected * sizes
    weight = np.exp(fit - fit.max())
    return float(weight @ sizes / weight.sum())
