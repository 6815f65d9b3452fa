"""Findings as JSON: the keys of the contract, numbers rounded to what they carry, null for the rest."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, Final

from store.evidence.interval import Estimate
from store.inquiry.changes import SlipChange
from store.inquiry.compare import Comparison
from store.inquiry.daily import Completeness, Period
from store.inquiry.decompose import Decomposition
from store.inquiry.exposure import Contrast, ExposureFindings
from store.inquiry.investigate import Investigation
from store.inquiry.rise import Rise, Side
from store.inquiry.support import SupportCell, SupportPractice
from store.inquiry.units import UnitFigures

_DIGITS: Final = 6
"""Significant digits written: more would be noise, and differ from machine to machine."""

Json = dict[str, Any]
"""One JSON object."""


def investigation_json(found: Investigation) -> Json:
    """Return an investigation under the keys of the contract, further ones added."""
    windows = found.windows
    return {
        "parlor": found.parlor or None,
        "period": _period(windows.period if windows else None),
        "baseline": _period(windows.baseline if windows else None),
        "chosen_because": windows.reason if windows else None,
        "completeness": {
            "record": _completeness(found.record),
            "period": _completeness(found.period),
            "baseline": _completeness(found.baseline),
        },
        "spike": None
        if found.spike is None
        else {
            "date": _day(found.spike.day),
            "series": found.spike.series,
            "method": found.spike.method,
            "ratio": number(found.spike.ratio),
        },
        "rate": _rate(found.rise),
        "change_points": [_change(change) for change in found.changes],
        "stalls": _units(found.stalls.units),
        "groups": [_unit(unit, "group", unit.name) for unit in found.groups.units],
        "milkers": [_unit(unit, "milker", unit.name) for unit in found.milkers] or None,
        "exposure": _exposure(found.exposure),
        "decomposition": _decomposition(found.decomposition),
        "support": _support(found.support),
        "maintenance": [
            {"at": _day(work.at), "what": work.what, "stalls": list(work.stalls) or None}
            for work in found.work
        ],
        "detectors": list(found.detectors),
        "warnings": list(found.warnings),
    }


def comparison_json(found: Comparison) -> Json:
    """Return a comparison under the keys of the contract, further ones added."""
    rise = found.rise
    exact, control = rise.exact if rise else None, found.controlled
    return {
        "parlor": found.parlor or None,
        "changed_at": _day(found.changed),
        "what": found.what,
        "stalls": list(found.treated),
        "untreated_stalls": list(found.untreated),
        "excluded_stalls": list(found.excluded),
        "before_period": _period(found.before),
        "after_period": _period(found.after),
        "before": _side(rise.before if rise else None),
        "after": _side(rise.after if rise else None),
        **_estimate(exact),
        "p": number(exact.p if exact else None),
        "wide_ci_low": number(rise.wide.low if rise and rise.wide else None),
        "wide_ci_high": number(rise.wide.high if rise and rise.wide else None),
        "controlled_ratio": number(control.value if control else None),
        "controlled_ci_low": number(control.low if control else None),
        "controlled_ci_high": number(control.high if control else None),
        "step": None
        if found.step is None
        else {**_estimate(found.step.wider), "dispersion": number(found.step.dispersion)},
        "warnings": list(found.warnings),
    }


def number(value: float | None) -> float | None:
    """Return a number to six significant digits, None for one that is none."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{_DIGITS}g}")


def _day(day: date | datetime) -> str:
    return day.isoformat()


def _period(period: Period | None) -> Json:
    if period is None:
        return {"from": None, "to": None}
    return {"from": _day(period.start), "to": _day(period.end)}


def _completeness(seen: Completeness | None) -> Json | None:
    if seen is None:
        return None
    return {
        "days": seen.days,
        "days_with_data": seen.days_with_data,
        "milkings": seen.milkings,
        "complete_milkings": seen.complete,
        "complete_share": number(seen.complete_share),
    }


def _estimate(found: Estimate | None, name: str = "ratio") -> Json:
    return {
        name: number(found.value if found else None),
        "ci_low": number(found.low if found else None),
        "ci_high": number(found.high if found else None),
    }


def _rate(rise: Rise | None) -> Json:
    exact = rise.exact if rise else None
    return {
        "slips_per_100_before": number(rise.before.per_100 if rise else None),
        "slips_per_100_after": number(rise.after.per_100 if rise else None),
        **_estimate(exact),
        "p": number(exact.p if exact else None),
        "mid_p_ci_low": number(rise.mid_p.low if rise and rise.mid_p else None),
        "mid_p_ci_high": number(rise.mid_p.high if rise and rise.mid_p else None),
        "wide_ci_low": number(rise.wide.low if rise and rise.wide else None),
        "wide_ci_high": number(rise.wide.high if rise and rise.wide else None),
        "within_stalls_ratio": number(rise.within_stalls.value if rise and rise.within_stalls else None),
        "dispersion": number(rise.dispersion if rise else None),
        "before": _side(rise.before if rise else None),
        "after": _side(rise.after if rise else None),
    }


def _side(side: Side | None) -> Json:
    return {
        "milkings": side.milkings if side else None,
        "slips": side.slips if side else None,
        "per_100": number(side.per_100 if side else None),
        "unsupported_share": number(side.unsupported_share if side else None),
    }


def _change(change: SlipChange) -> Json:
    return {
        "date": _day(change.day),
        "earliest": _day(change.earliest),
        "latest": _day(change.latest),
        **_estimate(change.ratio),
        "stalls": list(change.stalls) or None,
        "log_bayes_factor": number(change.log_bayes_factor),
    }


def _units(units: Iterable[UnitFigures]) -> list[Json]:
    return [_unit(unit, "stall", int(unit.name)) for unit in units]


def _unit(unit: UnitFigures, key: str, name: str | int) -> Json:
    return {
        key: name,
        "milkings": unit.milkings,
        "slips": unit.slips,
        "per_100": number(unit.per_100),
        "shrunk_ratio": number(unit.ratio),
        "ci_low": number(unit.low),
        "ci_high": number(unit.high),
        "outlier": unit.outlier,
        "q": number(unit.q),
    }


def _exposure(found: ExposureFindings | None) -> Json | None:
    if found is None:
        return None
    crude, pooled = found.crude, found.pooled
    return {
        "definition": found.definition,
        **_counts(crude),
        **_estimate(crude.ratio, "risk_ratio"),
        "mh_risk_ratio": number(pooled.value if pooled else None),
        "mh_ci_low": number(pooled.low if pooled else None),
        "mh_ci_high": number(pooled.high if pooled else None),
        "mh_odds_ratio": number(found.pooled_odds.value if found.pooled_odds else None),
        "strata": found.strata,
        "attributable_fraction": number(found.attributable.value if found.attributable else None),
        "attributable_ci_low": number(found.attributable.low if found.attributable else None),
        "attributable_ci_high": number(found.attributable.high if found.attributable else None),
        "population_attributable_fraction": number(found.population_share),
        "trend_p": number(found.trend_p),
        "detectable_ratio": number(found.detectable),
        "intervals": found.intervals,
        "cows": found.cows,
        "checks": [
            {"name": check.name, **_counts(check), **_estimate(check.ratio, "risk_ratio")}
            for check in found.checks
        ],
    }


def _counts(contrast: Contrast) -> Json:
    return {
        "exposed": contrast.exposed,
        "exposed_cases": contrast.exposed_cases,
        "unexposed": contrast.unexposed,
        "unexposed_cases": contrast.unexposed_cases,
    }


def _decomposition(found: Decomposition | None) -> Json | None:
    if found is None:
        return None
    return {
        "test_days": [
            {
                "date": _day(day.day),
                "tested": day.tested,
                "high": day.high,
                "at_risk": day.at_risk,
                "new": day.new,
                "chronic": day.chronic,
                "first_test_high": day.first_test_high,
            }
            for day in found.test_days
        ],
        "classes": [
            {
                "class": each.name,
                "tested_before": each.tested_before,
                "high_before": each.high_before,
                "tested": each.tested,
                "high": each.high,
            }
            for each in found.classes
        ],
        "tank": [{"cow": cow, "share": number(share)} for cow, share in found.tank],
    }


def _support(found: SupportPractice | None) -> Json | None:
    if found is None:
        return None
    return {
        "weeks": [_cell(cell) for cell in found.weeks],
        "shifts": [_cell(cell) for cell in found.shifts],
        "stalls": [_cell(cell) for cell in found.stalls],
        "training": None if found.training is None else _day(found.training),
        "before_training": None if found.before is None else _cell(found.before),
        "after_training": None if found.after is None else _cell(found.after),
    }


def _cell(cell: SupportCell) -> Json:
    return {"name": cell.name, "milkings": cell.milkings, "carried_share": number(cell.carried)}
