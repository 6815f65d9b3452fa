"""Whether the causes were told right, and whether the shares mean what they say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboards.score.figures import Confusion, Share, agreement, confusion, ratio, share, share_of
from dashboards.score.spells import AirSpell
from detect.kinds import Cause

BINS: Final = 10
"""Bins of equal width over 0 to 1 in which a share is held against what came true."""


@dataclass(frozen=True, slots=True)
class ShareBin:
    """Verdicts whose share lies in (low, high]: the mean share, and how many were right."""

    low: float
    high: float
    count: int
    mean_share: float
    right: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """Expected calibration error over the filled bins, None without a verdict."""

    error: float | None
    bins: tuple[ShareBin, ...]


@dataclass(frozen=True, slots=True)
class CauseScore:
    """Agreement of causes over matched events whose true cause is told.

    ``right`` counts ``unknown`` as wrong unless it is the truth; the ``named`` figures leave it out.
    ``commonest`` is what always telling the commonest true cause would reach.
    """

    right: Share
    commonest: Share
    named: Share
    named_right: Share
    table: Confusion
    calibration: Calibration
    named_calibration: Calibration


def score_causes(both: Sequence[tuple[AirSpell, AirSpell]]) -> CauseScore:
    """Score the causes of matched pairs, the true event first."""
    told = [(t, f) for t, f in both if t.cause is not None and f.cause is not None]
    named = [(t, f) for t, f in told if f.cause != Cause.UNKNOWN]
    table = confusion((t.cause, f.cause) for t, f in told)
    return CauseScore(
        right=agreement(table),
        commonest=share(max((sum(row.values()) for row in table.values()), default=0), len(told)),
        named=share(len(named), len(told)),
        named_right=share_of(t.cause == f.cause for t, f in named),
        table=table,
        calibration=calibration(_verdicts(told)),
        named_calibration=calibration(_verdicts(named)),
    )


def calibration(verdicts: Sequence[tuple[float, bool]]) -> Calibration:
    r"""Hold stated shares against what came true.

    The error is :math:`\sum_b (n_b / N) |\mathrm{right}_b - \mathrm{share}_b|` over ten bins of equal width.

    Parameters
    ----------
    verdicts:
        For each verdict its share [0..1] and whether it was right.

    Notes
    -----
    With few verdicts the error is biased upwards: with 30 in a bin chance alone leaves about 0.07.

    References
    ----------
    .. [1] C. Guo, G. Pleiss, Y. Sun, K. Weinberger, "On calibration of modern neural networks", 2017, eq. 2-3
       (from memory).
    """
    filled = []
    for k in range(BINS):
        inside = [(stated, right) for stated, right in verdicts if _bin(stated) == k]
        if inside:
            mean_share = sum(stated for stated, _ in inside) / len(inside)
            right = sum(right for _, right in inside) / len(inside)
            filled.append(ShareBin(k / BINS, (k + 1) / BINS, len(inside), mean_share, right))
    gap = sum(one.count * abs(one.right - one.mean_share) for one in filled)
    return Calibration(ratio(gap, len(verdicts)), tuple(filled))


def _bin(stated: float) -> int:
    """Return the bin of a share; an edge belongs to the bin below it, 0 to the first."""
    return next((k for k in range(BINS) if stated <= (k + 1) / BINS), BINS - 1)


def _verdicts(pairs: Sequence[tuple[AirSpell, AirSpell]]) -> list[tuple[float, bool]]:
    return [(f.cause_share, t.cause == f.cause) for t, f in pairs if f.cause_share is not None]
