"""Mistakes that show in what a parlor sends: topics, units, stalls, clocks, silence, zeros.

The limits are engineering choices around what any milking parlor must show: milking vacuum in the
claw between 25 and 60 kPa, no milk flow without vacuum, no vacuum in an open unit.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from dashboards.doctor.finding import Check, Finding, Verdict, bad, doubt, good
from dashboards.doctor.hearing import Hearing, StallHeard
from detect.units import KG_MIN_PER_FLOW_UNIT, KPA_PER_VACUUM_UNIT

MILKING_KPA: Final = (25.0, 60.0)
ATTACHED_KPA: Final = 15.0
"""Above it a unit is on a cow."""
FLOWING_KG_MIN: Final = 0.3
PEAK_FLOW_KG_MIN: Final = (1.0, 12.0)
"""The highest flow of a whole parlor lies here, whatever the herd."""
CLOCK_S: Final = 1.0
ZERO_KPA: Final = 1.5
STILL_KPA: Final = 0.8
"""An open unit swings less than this within a frame."""
SURE_S: Final = 4
"""So many seconds of a contradiction are no accident of timing."""


def examine(hearing: Hearing) -> list[Finding]:
    """Return the findings of all checks that what was heard allows."""
    topics = _topics(hearing)
    if not hearing.ours:
        return [topics]
    units = _units(hearing)
    findings = [topics, units, _clocks(hearing), _silence(hearing)]
    if units.verdict is not Verdict.BAD:  # in the wrong unit nothing below says anything
        findings += [_stall_map(hearing), _zero(hearing)]
    return findings


def _topics(hearing: Hearing) -> Finding:
    wanted = f"{hearing.config.broker.root}/{hearing.config.parlor.name}"
    if hearing.ours:
        return good(Check.TOPICS, f"{hearing.ours} messages under {wanted}")
    if hearing.others:
        (root, parlor), count = hearing.others.most_common(1)[0]
        return bad(
            Check.TOPICS,
            f"nothing under {wanted}, but {count} messages under {root}/{parlor}",
            f'set broker.root = "{root}" and parlor.name = "{parlor}"',
        )
    return bad(
        Check.TOPICS,
        f"nothing under {wanted}, {hearing.messages} other messages",
        "see that the gateways run and publish to this broker; listen longer with --seconds",
    )


def _units(hearing: Hearing) -> Finding:
    vacuum = [v for s in hearing.stalls.values() for v in s.vacuum_kpa.values()]
    flow = [v for s in hearing.stalls.values() for v in s.flow_kg_min.values()]
    top_kpa = float(np.percentile(vacuum, 95)) if vacuum else 0.0
    if top_kpa > 3.0 and not _within(top_kpa, MILKING_KPA):
        sent = top_kpa / KPA_PER_VACUUM_UNIT[hearing.config.parlor.vacuum_unit]
        fits = [unit.value for unit, k in KPA_PER_VACUUM_UNIT.items() if _within(sent * k, MILKING_KPA)]
        advice = f'set parlor.vacuum_unit = "{fits[0]}"' if fits else "check the gain of the sensors"
        return bad(Check.UNITS, f"milking vacuum would be {top_kpa:.1f} kPa", advice)
    top_kg = max(flow, default=0.0)
    if top_kg > PEAK_FLOW_KG_MIN[1]:
        sent = top_kg / KG_MIN_PER_FLOW_UNIT[hearing.config.parlor.flow_unit]
        fits = [unit.value for unit, k in KG_MIN_PER_FLOW_UNIT.items() if _within(sent * k, PEAK_FLOW_KG_MIN)]
        advice = f"set parlor.flow_unit to {' or '.join(fits) or 'that of the meters'}"
        return bad(Check.UNITS, f"the highest flow would be {top_kg:.1f} kg/min", advice)
    if top_kpa <= 3.0:
        return doubt(Check.UNITS, "no unit was on a cow", "run the doctor again during milking")
    return good(Check.UNITS, f"milking vacuum {top_kpa:.1f} kPa, highest flow {top_kg:.1f} kg/min")


def _stall_map(hearing: Hearing) -> Finding:
    stalls = hearing.stalls
    dry = [n for n in sorted(stalls) if _contradictions(stalls[n], stalls[n]) >= SURE_S]
    if not dry:
        return good(Check.STALL_MAP, "no stall has milk flow without vacuum")
    pairs = [(n, m) for n in dry if (m := _partner(n, stalls)) is not None]
    named = "; ".join(f"{n} with {m}" for n, m in pairs) or "with which one is not clear yet"
    return bad(
        Check.STALL_MAP,
        f"milk flows without vacuum in stall {', '.join(map(str, dry))}",
        f"the vacuum sensors of two stalls are probably exchanged ({named}): check the wiring and the "
        "gateway's map by opening one unit after the other",
    )


def _partner(number: int, stalls: dict[int, StallHeard]) -> int | None:
    """Return the nearest stall whose vacuum fits this one's flow, and the other way round."""
    for other in sorted(stalls, key=lambda n: abs(n - number)):
        if other == number or _shared(stalls[number], stalls[other]) < SURE_S:
            continue
        if not _contradictions(stalls[number], stalls[other]) and _idle_vacuum(stalls[other]) >= SURE_S:
            return other
    return None


def _contradictions(flow_of: StallHeard, vacuum_of: StallHeard) -> int:
    """Count the seconds in which one stall has flow and the other no vacuum."""
    return sum(
        flow > FLOWING_KG_MIN and vacuum_of.vacuum_kpa.get(second, ATTACHED_KPA) < ATTACHED_KPA
        for second, flow in flow_of.flow_kg_min.items()
    )


def _shared(flow_of: StallHeard, vacuum_of: StallHeard) -> int:
    return len(flow_of.flow_kg_min.keys() & vacuum_of.vacuum_kpa.keys())


def _idle_vacuum(stall: StallHeard) -> int:
    """Count the seconds with vacuum and without flow."""
    return sum(
        kpa > ATTACHED_KPA and stall.flow_kg_min.get(second, FLOWING_KG_MIN) < FLOWING_KG_MIN
        for second, kpa in stall.vacuum_kpa.items()
    )


def _clocks(hearing: Hearing) -> Finding:
    offsets = {n: s.offset_s for n, s in hearing.stalls.items() if np.isfinite(s.offset_s)}
    wrong = {n: offset for n, offset in offsets.items() if abs(offset) > CLOCK_S}
    if wrong:
        worst = max(wrong, key=lambda n: abs(wrong[n]))
        way = "behind" if wrong[worst] > 0 else "ahead"
        return bad(
            Check.CLOCKS,
            f"{len(wrong)} of {len(offsets)} stalls are off, stall {worst} {abs(wrong[worst]):.1f} s {way}",
            "let gateways and this machine take their time from one server (NTP)",
        )
    return good(Check.CLOCKS, f"{len(offsets)} stalls within {CLOCK_S:g} s of this machine")


def _silence(hearing: Hearing) -> Finding:
    if hearing.beyond:
        return bad(
            Check.SILENCE,
            f"stall {max(hearing.beyond)} sends, parlor.stalls is {hearing.config.parlor.stalls}",
            f"set parlor.stalls = {max(hearing.beyond)}, or correct the gateway's numbers",
        )
    silent = [n for n in range(1, hearing.config.parlor.stalls + 1) if not hearing.stalls[n].vacuum_kpa]
    if silent:
        return bad(
            Check.SILENCE,
            f"no vacuum from stall {', '.join(map(str, silent[:20]))}" + (" ..." if silent[20:] else ""),
            "check sensor, cable and gateway of these stalls, or parlor.stalls",
        )
    return good(Check.SILENCE, f"all {hearing.config.parlor.stalls} stalls send vacuum")


def _zero(hearing: Hearing) -> Finding:
    opens = {n: list(_open(stall)) for n, stall in hearing.stalls.items()}
    rests = {n: float(np.median(rest)) for n, rest in opens.items() if len(rest) >= SURE_S}
    wrong = {n: kpa for n, kpa in rests.items() if abs(kpa) > ZERO_KPA}
    if wrong:
        listed = ", ".join(f"{n} ({kpa:+.1f} kPa)" for n, kpa in sorted(wrong.items()))
        return bad(
            Check.ZERO, f"open units do not read zero: stall {listed}", "set the zero of these sensors anew"
        )
    if not rests:
        return doubt(Check.ZERO, "no unit hung open", "run the doctor again between milkings")
    return good(Check.ZERO, f"{len(rests)} open units read zero")


def _open(stall: StallHeard) -> Iterator[float]:
    """Give the vacuum of the seconds in which the unit hangs open: no flow, no swing, hardly any vacuum."""
    for second, kpa in stall.vacuum_kpa.items():
        still = stall.swing_kpa[second] < STILL_KPA and abs(kpa) < ATTACHED_KPA
        if still and stall.flow_kg_min.get(second, 0.0) < FLOWING_KG_MIN / 3.0:
            yield kpa


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]
