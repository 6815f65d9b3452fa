"""One table of many scores: counts of a world's captures are added up, quantiles averaged."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

Score = dict[str, Any]
Cell = Callable[[list[Score]], str]


def _at(score: Score, path: str) -> Any:
    """Return what lies at a dotted path; None where a figure is not known."""
    value: Any = score
    for key in path.split("."):
        value = None if value is None else value.get(key)
    return value


def _share(path: str) -> Cell:
    def cell(scores: list[Score]) -> str:
        part = sum(_at(s, f"{path}.part") or 0 for s in scores)
        whole = sum(_at(s, f"{path}.whole") or 0 for s in scores)
        return f"{100 * part / whole:.1f} % ({part}/{whole})" if whole else "-"

    return cell


def _per_100(path: str) -> Cell:
    def cell(scores: list[Score]) -> str:
        milkings = sum(s["capture"]["milkings"] for s in scores)
        return f"{100 * sum(_at(s, path) or 0 for s in scores) / milkings:.1f}" if milkings else "-"

    return cell


def _mean(*paths: str, scale: float = 1.0, digits: int = 2) -> Cell:
    def one(scores: list[Score], path: str) -> str:
        known = [value for s in scores if (value := _at(s, path)) is not None]
        return f"{scale * sum(known) / len(known):.{digits}f}" if known else "-"

    return lambda scores: " / ".join(one(scores, path) for path in paths)


def _found(path: str) -> Cell:
    def cell(scores: list[Score]) -> str:
        found = sum(_at(s, f"{path}.matched") or 0 for s in scores)
        return f"{found}/{sum(_at(s, f'{path}.truth') or 0 for s in scores)}"

    return cell


COLUMNS: Final[tuple[tuple[str, Cell], ...]] = (
    ("milkings", lambda scores: str(sum(s["capture"]["milkings"] for s in scores))),
    ("found, 0.15 L and 2 kPa", _share("clear_events")),
    ("found, 0.15 L", _share("events.recall_from_150_ml")),
    ("found, 2 kPa", _share("events.recall_from_2_kpa")),
    ("false per 100", _per_100("events.false.count")),
    ("repeats per 100", _per_100("events.repeats.count")),
    ("kind right", _share("events.kind_right")),
    ("onset p95 s", _mean("events.onset_error_s.p95")),
    ("delay p95 s", _mean("events.delay_s.p95")),
    ("litres p10/50/90", _mean(*(f"events.slip_litres_ratio.p{p}" for p in (10, 50, 90)))),
    ("milkings found", _found("milkings.counts")),
    ("both ends 5 s", _share("milkings.both_ends_within_5_s")),
    ("yield p95 %", _mean("milkings.yield_error_ratio.p95", scale=100.0, digits=1)),
    ("support found", _found("support.counts")),
    ("support false per 100", _per_100("support.false.count")),
    ("state right", _share("support.state_right")),
    ("support delay p50 s", _mean("support.delay_s.p50", digits=0)),
    ("plant found", _found("plant")),
    ("plant false", lambda scores: str(sum(_at(s, "plant.false") or 0 for s in scores))),
    ("cause right", _share("events.causes.right")),
    ("calibration", _mean("events.causes.calibration.error")),
)


def table(scores: list[Score]) -> str:
    """Return the table in Markdown: a row a capture, and a row a world that has several."""
    heads = ["capture", *(head for head, _ in COLUMNS)]
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    for world in dict.fromkeys(s["capture"]["world"] for s in scores):
        own = [s for s in scores if s["capture"]["world"] == world]
        lines += [_line(s["capture"]["folder"], [s]) for s in own]
        if len(own) > 1:
            lines.append(_line(f"**{world}**, {len(own)} captures", own))
    return "\n".join(lines)


def _line(head: str, scores: list[Score]) -> str:
    return "| " + " | ".join([head, *(cell(scores) for _, cell in COLUMNS)]) + " |"
