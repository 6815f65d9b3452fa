"""How near to the bound: ``python -m dashboards.score.near CAPTURE TRUTH`` prints what can be heard at best.

It feeds the capture to the detector, takes the noise of its air estimate from where the truth knows of
nothing, and prints for boxcar slips the detectability index and the recall of the matched filter: in Gaussian
noise of that covariance, and with the bar that this very noise needs.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from dashboards.matching import NS_PER_S
from dashboards.score.bound import (
    Boxcar,
    Filter,
    FloatArray,
    autocovariance,
    bar,
    matched_filter,
    outputs,
    recall,
    rings,
)
from dashboards.score.quiet import listen, quiet_stretches
from dashboards.score.spells import Record
from dashboards.score.truth import read_truth
from detect.errors import InputError, QuietclawError
from detect.params import BIN_S

DURATIONS_S: Final = (0.25, 0.5, 1.0, 2.0)
LITRES: Final = (0.05, 0.1, 0.15, 0.3)
FALSE_PER_100: Final = (1.0, 4.0, 12.0)
LAGS: Final = 128
"""Lags of the covariance [bins]: the longest slip with its surroundings takes 100."""
FEWEST: Final = 3
"""Rings below which the bar of the real noise is not read off (engineering choice)."""


def report(stretches: Sequence[FloatArray], milking_s: float) -> Iterator[str]:
    """Yield the lines of the report.

    Parameters
    ----------
    stretches:
        Quiet stretches of the air estimate [L/min].
    milking_s:
        Mean length of a milking [s]: 100 of them are the exposure of the false rate.
    """
    covariance = autocovariance(stretches, LAGS)
    yield _noise_line(stretches)
    yield f"A milking lasts {milking_s:.0f} s. Recall at so many false alarms in 100 of them:"
    heads = "   ".join(f"at {rate:2.0f}: bound  noise" for rate in FALSE_PER_100)
    yield f"  slip [s]  [L]  [L/min]     d'   {heads}"
    for duration in DURATIONS_S:
        for litres in LITRES:
            slip = Boxcar(duration, 60.0 * litres / duration)
            matched = matched_filter(covariance, slip, BIN_S)
            made = outputs(matched, stretches)
            cells = [_cell(matched, made, rate / (100.0 * milking_s)) for rate in FALSE_PER_100]
            figures = f"  {duration:8.2f} {litres:4.2f} {slip.air_l_min:8.1f} {matched.d_prime:6.2f}   "
            yield figures + "   ".join(cells)
    yield "bound: Gaussian noise of the same covariance. noise: the same filter, its bar raised until this"
    yield "very noise rings no more often; a dash where the record is too short to tell."


def _noise_line(stretches: Sequence[FloatArray]) -> str:
    rest = np.concatenate([stretch - stretch.mean() for stretch in stretches])
    kurtosis = float(np.mean(rest**4) / np.mean(rest**2) ** 2)
    return (
        f"Noise of the air estimate: {rest.size * BIN_S / 3600.0:.2f} quiet hours,"
        f" standard deviation {rest.std():.1f} L/min, kurtosis {kurtosis:.1f} (Gaussian 3)"
    )


def _cell(matched: Filter, made: FloatArray, rings_per_s: float) -> str:
    """Return the recall of the bound and of the real noise at a rate of false alarms."""
    gaussian = recall(matched.d_prime, bar(rings_per_s * BIN_S, matched.neighbour))
    allowed = int(rings_per_s * BIN_S * np.sum(np.isfinite(made)))
    real = f"{recall(matched.d_prime, needed_bar(made, allowed)):5.3f}" if allowed >= FEWEST else "    -"
    return f"       {gaussian:5.3f}  {real}"


def needed_bar(made: FloatArray, allowed: int) -> float:
    """Return the lowest bar from which on outputs rise through it at most ``allowed`` times."""
    low, high = 0.0, 1.0 + float(np.nanmax(made))
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if rings(made, middle) > allowed else (low, middle)
    return high


def _milking_s(truth: Record) -> float:
    lengths = [(milking.end_ns - milking.start_ns) / NS_PER_S for milking in truth.milkings or ()]
    if not lengths:
        raise InputError("tells of no milking, so there is no exposure", where="the truth")
    return sum(lengths) / len(lengths)


def main(words: Sequence[str]) -> int:
    """Print the report for a capture and its truth; return the exit code."""
    if len(words) != 2:
        print("usage: python -m dashboards.score.near CAPTURE TRUTH_FOLDER", file=sys.stderr)
        return 2
    try:
        truth = read_truth(Path(words[1]))
        for line in report(quiet_stretches(listen(Path(words[0])), truth), _milking_s(truth)):
            print(line)
    except QuietclawError as error:
        print(f"quietclaw: {error}", file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
