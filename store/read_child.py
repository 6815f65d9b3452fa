"""The fenced process that answers one question: ``python -m store.read_child`` with a JSON line at its input.

It lays its limits on itself before it reads the question: memory, processor time, no file written, no
core dump. It has the history as a copy opened for reading, and nothing of its parent's environment. It
answers with one JSON line: columns, rows and whether there were more, or what is wrong.
"""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path
from typing import Any, Final

from store.child_process import stand_aside

MEMORY_BYTES: Final = 2 * 2**30
"""Address space of the process; a quarter of it goes to libraries before the question (measured)."""
ENGINE_MB: Final = 96
"""What the engine may use of it: the advisor's views of 2.2 million milkings go within 64 (measured)."""
ROOM_BYTES: Final = 150 * 2**20
"""What the process may take, once its libraries are loaded: one of those views failed within 130 MB.

The engine's own limit leaves out what an expression builds; that of the address space is no use for so
little, since libraries take hundreds of megabytes of it that are never touched.
"""
ANSWER_BYTES: Final = 32 * 2**20
"""Largest answer (engineering choice: ten thousand rows of three thousand characters)."""


def main() -> None:
    """Answer the question at standard input."""
    asked = json.loads(sys.stdin.readline())
    for kind, most in (
        (resource.RLIMIT_AS, MEMORY_BYTES),
        (resource.RLIMIT_CPU, int(asked["time_s"]) + 5),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_NOFILE, 64),
    ):
        resource.setrlimit(kind, (most, most))
    stand_aside()
    text = json.dumps(answer(asked))
    if len(text) > ANSWER_BYTES:
        text = json.dumps({"wrong": f"query: the answer has more than {ANSWER_BYTES // 2**20} MB; narrow it"})
    sys.stdout.write(text)


def answer(asked: dict[str, Any]) -> dict[str, Any]:
    """Answer ``{path, sql, params, rows, time_s}`` with plain values, or with ``wrong`` or ``failed``."""
    from detect.errors import InputError, StoreError  # noqa: PLC0415 - after the limits
    from store.engine import StoreSettings  # noqa: PLC0415
    from store.history import History  # noqa: PLC0415
    from store.question import QueryLimits, question  # noqa: PLC0415

    leave_room()
    settings = StoreSettings(threads=1, memory_limit_mb=ENGINE_MB, spill_limit_mb=0)
    limits = QueryLimits(rows=asked["rows"], time_s=asked["time_s"])
    try:
        with (
            History.open(Path(asked["path"]), read_only=True, settings=settings) as history,
            question(history, asked["sql"], asked["params"], limits) as relation,
        ):
            columns, rows = relation.columns, relation.fetchall()
    except InputError as error:
        return {"wrong": str(error)}
    except StoreError as error:
        return {"failed": error.what}
    shown = [[_plain(value) for value in row] for row in rows[: limits.rows]]
    return {"columns": list(columns), "rows": shown, "truncated": len(rows) > limits.rows}


def leave_room() -> None:
    """Let this process take only so much more memory of its own, where the system tells what it has."""
    if (status := Path("/proc/self/status")).exists():
        lines = status.read_text().splitlines()
        taken_kb = next(int(line.split()[1]) for line in lines if line.startswith("VmData"))
        most = 1024 * taken_kb + ROOM_BYTES
        resource.setrlimit(resource.RLIMIT_DATA, (most, most))


def _plain(value: object) -> object:
    """Make a cell fit for JSON: instants as ISO text, bytes as text, no NaN."""
    if isinstance(value, float) and value - value != 0.0:
        return None
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    return value if isinstance(value, str | int | float | bool | None) else str(value)


if __name__ == "__main__":
    main()
