"""The rules of the house hold in every room: size, imports, documents and words."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

HOME = Path(__file__).parent.parent
BELOW = {
    "detect": set(),
    "store": {"detect"},
    "ingest": {"detect", "store"},
    "simulator": {"ingest"},
    "dashboards": {"detect", "store", "ingest", "simulator"},
}
THIRD_PARTY = {
    "detect": {"numpy", "numba"},
    "store": {"duckdb", "polars", "numpy", "scipy", "statsmodels"},
    "ingest": {
        *("iotcore", "numpy", "paho", "polars", "pydantic", "zstandard"),
        *("py4j", "pyarrow", "pyspark"),
    },
    "simulator": {"numba", "numpy", "paho", "polars"},
    "dashboards": {
        *("jinja2", "numpy", "polars", "prometheus_client", "rich", "starlette", "typer", "uvicorn"),
        "weasyprint",
    },
}
MAX_LINES = 400
LONG_FUNCTION = 25


def modules(room: str) -> list[Path]:
    return sorted((HOME / room).rglob("*.py"))


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides the room"
            yield node.module or ""


def functions(room: str) -> Iterator[tuple[Path, ast.FunctionDef | ast.AsyncFunctionDef]]:
    for path in modules(room):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                yield path, node


def tracked() -> list[Path]:
    """Return every file of the project that is not ignored, new ones included."""
    if not (HOME / ".git").exists():  # unpacked from an archive: everything but what the tools leave
        left = {".venv", "__pycache__", ".pytest_cache", ".mypy_cache", ".ruff_cache", ".hypothesis"}
        found = [path for path in HOME.rglob("*") if path.suffix not in (".password", ".duckdb")]
        return [path for path in found if path.is_file() and not left & {*path.parts}]
    listing = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],  # noqa: S607 - git of the developer
        cwd=HOME,
        capture_output=True,
        text=True,
        check=True,
    )
    return [HOME / name for name in listing.stdout.splitlines() if (HOME / name).is_file()]


@pytest.mark.parametrize("room", BELOW)
def test_rooms_import_downwards_only(room: str) -> None:
    """A room imports itself, the rooms below it, the standard library and its own third parties."""
    allowed = {room, "__future__"} | BELOW[room] | THIRD_PARTY[room] | set(sys.stdlib_module_names)
    wrong = [
        f"{path.relative_to(HOME)}: {name}"
        for path in modules(room)
        for name in imports(path)
        if name.partition(".")[0] not in allowed
    ]
    assert wrong == []


def test_one_module_knows_spark() -> None:
    """Spark and what comes with it is an extra: only its engine imports it, when it is asked for."""
    extra = {"py4j", "pyarrow", "pyspark"}
    knowing = [
        str(path.relative_to(HOME))
        for room in BELOW
        for path in modules(room)
        if any(name.partition(".")[0] in extra for name in imports(path))
    ]
    assert knowing == ["ingest/fleet/spark.py"]


def test_the_simulator_knows_only_the_wire() -> None:
    """Of all other rooms the simulator sees ``ingest.wire`` and nothing else."""
    seen = {name for path in modules("simulator") for name in imports(path) if name.startswith("ingest")}
    assert seen <= {"ingest.wire"}


def test_the_worlds_know_neither_detector_nor_simulator() -> None:
    """What the detector is judged by is made without it: only the test of the worlds sees ``ingest.wire``."""
    seen = {n for path in (HOME / "tests/worlds").glob("*.py") for n in imports(path)}
    assert {n for n in seen if n.partition(".")[0] in BELOW} <= {"ingest.wire"}


def test_only_the_command_line_starts_the_simulator() -> None:
    """No room but dashboards imports the simulator, so no truth can leak into detection."""
    rooms = ("detect", "store", "ingest")
    leaks = [p for room in rooms for p in modules(room) if any(n.startswith("simulator") for n in imports(p))]
    assert leaks == []


@pytest.mark.parametrize("room", [*BELOW, "tests"])
def test_one_file_is_one_subject(room: str) -> None:
    """No module is longer than 400 lines."""
    long = {str(p.relative_to(HOME)): len(p.read_text().splitlines()) for p in modules(room)}
    assert {name: lines for name, lines in long.items() if lines > MAX_LINES} == {}


@pytest.mark.parametrize("room", BELOW)
def test_functions_stay_short(room: str) -> None:
    """Nine of ten functions, docstring apart, have under 25 lines."""
    lengths = sorted(_body_lines(node) for _, node in functions(room))
    if lengths:
        assert lengths[int(0.9 * (len(lengths) - 1))] < LONG_FUNCTION


@pytest.mark.parametrize("room", BELOW)
def test_functions_take_at_most_four_positional_parameters(room: str) -> None:
    """Beyond four parameters (self apart) the rest is given by keyword."""
    wrong = [
        f"{path.relative_to(HOME)}:{node.lineno} {node.name}"
        for path, node in functions(room)
        if len([a for a in node.args.posonlyargs + node.args.args if a.arg not in ("self", "cls")]) > 4
        and not any("compiled" in ast.unparse(decorator) for decorator in node.decorator_list)
    ]
    assert wrong == []


def test_every_test_says_its_claim() -> None:
    """Each test function has a docstring sentence."""
    silent = [
        f"{path.relative_to(HOME)}: {node.name}"
        for path, node in functions("tests")
        if node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert silent == []


def test_tests_mirror_the_rooms() -> None:
    """Test modules live in the folder of their room, which is no package."""
    assert list((HOME / "tests").rglob("__init__.py")) == []
    folders = {path.parent.relative_to(HOME / "tests").parts[:1] for path in modules("tests")}
    assert folders <= {(room,) for room in (*BELOW, "bench", "mutation", "system", "worlds")} | {()}


FORBIDDEN = ["py" + "pi.org", "python" + "hosted", "/wo" + "rk/", "/tm" + "p/", "TO" + "DO", "FIX" + "ME"]
FORBIDDEN_IN_CODE = ["pytest.mark." + word for word in ("skip", "xfail")] + ["pytest." + "skip("]


@pytest.mark.parametrize("word", FORBIDDEN + FORBIDDEN_IN_CODE)
def test_no_file_carries_a_word_of_the_workshop(word: str) -> None:
    """No registry host, no path of one machine, no promise instead of work, no test that looks away."""
    found = [str(path.relative_to(HOME)) for path in tracked() if word.encode() in path.read_bytes()]
    assert found == []


def test_pinned_versions_carry_no_address() -> None:
    """Anyone can install from a registry of their own: the pins name versions only."""
    pins = (HOME / "constraints.txt").read_text()
    assert "==" in pins
    assert "://" not in pins


def _body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    first = node.body[1] if ast.get_docstring(node) and len(node.body) > 1 else node.body[0]
    return (node.end_lineno or first.lineno) - first.lineno + 1
