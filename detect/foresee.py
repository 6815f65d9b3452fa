"""Foresee the vacuum: what a stall's own last 1.2 s say about its next 50 ms.

Pulsation, slugs of milk and slow drifts are all predictable from what went before; an opening is
not. The steps of the vacuum from bin to bin are modelled as an autoregression::

    d(t) = -sum_k a_k d(t-k) + u(t),    k = 1..24

whose coefficients follow from the running lag products of the stall's quiet bins by the recursion of
Levinson and Durbin. A sudden fall of the vacuum at ``t0`` leaves the trace ``-a_0, -a_1, ...`` in the
innovations ``u``, a fall over two bins the sum of two such traces; held against these over several
widths (matched filters), an opening is found near the limit that Gaussian noise allows. Whatever many
stalls innovate in the same bin belongs to the plant.

References
----------
J. Durbin, "The fitting of time-series models", Rev. Inst. Int. Statist. 28 (1960) 233-244 (from memory).
S. M. Kay, "Fundamentals of Statistical Signal Processing II: Detection Theory", 1998, generalized
matched filter in coloured noise (from memory).
"""

from __future__ import annotations

import math
from typing import Any, Final

from detect.machine import compiled
from detect.params import BIN_S, KernelNumbers
from detect.state import MILKED, NEIGHBOUR, ORDER, SHAPES, TRACE, WIDTHS

MASK: Final = TRACE - 1
LEARN_BINS, SOON_BINS = 9600, 200.0  # memory of the lag products: 8 min of quiet milking; less at first
REFIT = 40  # quiet bins (2 s) between two solutions
LOADING = 0.01  # of the power, as white noise: keeps the recursion sound
STEEPEST = 0.95  # reflection coefficient: milking shows 0.5 to 0.75, and no signal has 1 or more
POWER_GAIN, OUTLIER = 0.003, 9.0  # running power of the steps [per bin]; one step counts at most so much
AFTER_GAP = 0.4  # the first innovation after a gap stems from a longer guess
GUESSED = 10  # bins (one frame of 0.5 s) that may be guessed; after more the trace begins anew
SPREAD_S = 15.0  # memory of the innovations' spread
LEAST_SPREAD_KPA = 0.03  # no sensor of the parlor is finer (engineering choice)
WILD = 4.0  # one innovation moves the spread by at most so many spreads
PLAIN, MOST_TAIL = 5.0, 12.0  # what exceeds the tail by more is no slug and teaches nothing about slugs
DRY = 2.0  # in its first milk a unit may still be settling: it must say twice as much
GREEN_BINS, GREEN = 400, 0.5  # so long a stall is new: it must say half as much again


@compiled
def begin_trace(s: Any) -> None:
    """Forget the last steps, as at attaching or after a long gap; what was learned stays."""
    s.trace_n, s.trace_gap, s.calm_run = 0, 0, 0
    s.news, s.told = 0.0, 0


@compiled
def foresee(s: Any, level_kpa: float) -> None:
    """Take one bin's vacuum [kPa], NaN without data; ``news`` is what it innovates, in spreads."""
    s.told = 0
    missing = math.isnan(level_kpa)
    if not missing and s.trace_gap > GUESSED:
        begin_trace(s)
    if s.trace_n == 0:
        if not missing:
            s.trace_level, s.trace_n = level_kpa, 1
        return
    i = s.trace_n
    guess = 0.0
    for k in range(1, min(ORDER, i - 1) + 1):
        guess -= s.ahead[k] * s.step[(i - k) & MASK]
    s.news = 0.0
    if missing:  # nothing is known of this bin: it brings no news
        s.step[i & MASK] = guess
        s.trace_level += guess
        s.trace_gap += 1
    else:
        step = level_kpa - s.trace_level
        s.step[i & MASK] = step
        s.trace_level = level_kpa
        if i > ORDER:
            s.news = (step - guess) * (AFTER_GAP if s.trace_gap > 0 else 1.0) / s.spread
            s.told = 1
        s.trace_gap = 0
    s.trace_n = i + 1


@compiled
def keep_news(s: Any, shared: float) -> None:
    """Keep this bin's innovation, less what all stalls share [both in spreads]."""
    s.fresh[s.trace_n & MASK] = s.news - shared if s.told == 1 else 0.0


@compiled
def compare(s: Any) -> None:
    """Hold the newest innovations against all traces: ``now_score`` for a fall, ``now_rise`` for a reseal."""
    fall, rise = 0.0, 0.0
    for k in range(len(WIDTHS)):
        first = s.trace_n - WIDTHS[k] + 1
        one, two = 0.0, 0.0  # both shapes at once: each sum waits for its last addition (measured)
        for j in range(WIDTHS[k]):
            news = s.fresh[(first + j) & MASK]
            one -= s.falls[0, j] * news
            two -= s.falls[1, j] * news
        one, two = one / s.norm[0, k], two / s.norm[1, k]
        fall, rise = max(fall, one, two), max(rise, -one, -two)
    s.now_score, s.now_rise = fall, rise


@compiled
def bar(s: Any, num: KernelNumbers) -> float:
    """Return the likeness that opens an event on this stall."""
    green = 1.0 + GREEN * max(0.0, 1.0 - s.taught / GREEN_BINS)
    dry = 1.0 if s.milked >= MILKED else DRY
    return float(max(num.threshold, num.tail_factor * s.tail) * max(green, dry))


@compiled
def likeness(s: Any, shape: int, width: int) -> float:
    """Return the product of the last ``width`` innovations with the trace of a fall that began there."""
    total = 0.0
    for j in range(width):
        total -= s.falls[shape, j] * s.fresh[(s.trace_n - width + 1 + j) & MASK]
    return total


@compiled
def began_ago(s: Any, sign: float) -> int:
    """Return how many bins ago, this one included, a fall (sign 1) or a reseal (-1) most likely began."""
    best, began = 0.0, 1
    for shape in range(SHAPES):
        energy = 0.0
        for w in range(1, ORDER + 1):
            energy += s.falls[shape, w - 1] ** 2
            score = sign * likeness(s, shape, w) / math.sqrt(energy)
            if score > best:
                best, began = score, w
    return began


@compiled
def learn_tail(s: Any, num: KernelNumbers) -> None:
    """Follow the likeness that this stall's bins seldom exceed: slugs that are no slips raise the bar."""
    if s.now_score <= s.tail:
        s.tail_before = s.tail
    slug = s.tail < s.now_score < PLAIN * s.tail
    s.tail *= 1.0 + num.tail_gain * ((1.0 if slug else 0.0) - num.tail_share)
    s.tail = min(s.tail, MOST_TAIL)


@compiled
def learn_trace(s: Any) -> None:
    """Learn from a quiet bin: lag products and spread."""
    s.calm_run = s.calm_run + 1 if s.told == 1 else 0
    if s.calm_run <= ORDER:
        return
    i = s.trace_n - 1
    step = s.step[i & MASK]
    s.spread *= 1.0 + BIN_S / SPREAD_S * (min(1.25 * abs(s.news), WILD) - 1.0)
    s.spread = max(s.spread, LEAST_SPREAD_KPA)
    if abs(s.news) > WILD:  # perhaps an opening that stayed below the bar
        s.calm_run = 0
        return
    s.power += POWER_GAIN * (min(step * step, OUTLIER * s.power) - s.power)
    gain = 1.0 / min(LEARN_BINS, s.taught + SOON_BINS)
    share = gain * step / max(s.power, 1e-4)
    for k in range(ORDER + 1):
        s.lags[k] += share * s.step[(i - k) & MASK] - gain * s.lags[k]
    s.taught += 1
    if s.taught % REFIT == 0:
        solve_trace(s)


@compiled
def solve_trace(s: Any) -> None:
    """Solve for the filter that foretells; lags that belong to no signal are forgotten.

    Learned from little, while milk came in and the power changed, they may be such; the filter would then
    foretell ever more, and the stall would be deaf for as long as it milks.
    """
    if not recurse(s):
        s.taught = 0
        for k in range(ORDER + 1):
            s.lags[k] = 0.0
        s.lags[0], s.lags[1] = 1.0, NEIGHBOUR
        recurse(s)
    for shape in range(SHAPES):
        energy, k = 0.0, 0
        for j in range(ORDER):
            s.falls[shape, j] = s.ahead[j] + (s.ahead[j - 1] if shape == 1 and j > 0 else 0.0)
            energy += s.falls[shape, j] ** 2
            if j + 1 == WIDTHS[k]:
                s.norm[shape, k] = math.sqrt(energy)
                k += 1


@compiled
def recurse(s: Any) -> bool:
    """Solve the normal equations of the autoregression by the Levinson-Durbin recursion.

    False when a reflection coefficient comes near 1: only below it is the filter stable.
    """
    a, power = s.ahead, s.lags[0] * (1.0 + LOADING)
    a[:] = 0.0
    a[0] = 1.0
    for i in range(1, ORDER + 1):
        lag = s.lags[i]
        for j in range(1, i):
            lag += a[j] * s.lags[i - j]
        turn = -lag / power
        if abs(turn) > STEEPEST:
            return False
        for j in range(1, i // 2 + 1):
            low, high = a[j], a[i - j]
            a[j] = low + turn * high
            if j != i - j:
                a[i - j] = high + turn * low
        a[i] = turn
        power *= 1.0 - turn * turn
    return True
