"""Scores of mutation testing, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tests.mutation.children import Fate
from tests.mutation.transform import Mutant

ALIVE = (Fate.SURVIVED, Fate.UNREACHED)


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of the drawn mutants of one module, and how many there are in all."""

    module: str
    fates: list[tuple[Mutant, Fate]]
    all_mutants: int

    @property
    def killed(self) -> int:
        """Mutants that a test noticed, by a failure, a crash or an endless loop."""
        return sum(fate not in ALIVE for _, fate in self.fates)


def share(tried: Sequence[Tried]) -> str:
    """Return the share of the drawn mutants that were killed, with the numbers."""
    drawn, killed = sum(len(t.fates) for t in tried), sum(t.killed for t in tried)
    return f"{killed:5d} of {drawn:5d} {killed / drawn:6.1%}" if drawn else "    none drawn"


def weighted(tried: Sequence[Tried]) -> float:
    """Return the share that would be killed of all mutants: each module's share by how many it has."""
    some = [t for t in tried if t.fates]
    return sum(t.all_mutants * t.killed / len(t.fates) for t in some) / sum(t.all_mutants for t in some)


def as_text(tried: Sequence[Tried]) -> str:
    """Return the survivors, a line each, and then a line a module and one a room."""
    lines = [
        f"{t.module}:{mutant.line}: {mutant.what} [{mutant.number}] {fate.value}"
        for t in tried
        for mutant, fate in t.fates
        if fate in ALIVE
    ]
    lines += ["", f"{'module':28}   killed of drawn  score"]
    lines += [f"{t.module:28} {share([t])}  (of {t.all_mutants})" for t in tried]
    for room in sorted({t.module.partition(".")[0] for t in tried}):
        own = [t for t in tried if t.module.startswith(f"{room}.") and t.fates]
        if own:
            lines.append(f"{room:28} {share(own)}, by the size of its modules {weighted(own):.1%}")
    return "\n".join(lines)


def as_json(tried: Sequence[Tried]) -> list[dict[str, Any]]:
    """Return the same as plain values."""
    return [
        {
            "module": t.module,
            "drawn": len(t.fates),
            "killed": t.killed,
            "all": t.all_mutants,
            "alive": [
                {"number": m.number, "line": m.line, "what": m.what, "fate": fate.value}
                for m, fate in t.fates
                if fate in ALIVE
            ],
        }
        for t in tried
    ]
