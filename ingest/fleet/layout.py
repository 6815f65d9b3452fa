"""What lies in the folder of a fleet's captures, and the work that follows from it.

::

    CAPTURES/willowmere/2031-03-03/05.parquet    messages received that UTC day, files in name order
             willowmere/parlor.toml              optional: the service's file, for stalls, units, site
             willowmere/tables/                  optional: what `quietclaw export` wrote in the barn

Only names and sizes are looked at, so that planning a thousand parlors takes seconds; a parlor without
``parlor.toml`` costs a look through the topics of its captures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from detect.errors import InputError
from ingest.capture import capture_files
from ingest.config import SLUG, BrokerConfig, Config, ParlorConfig
from ingest.fleet.record import Failure, load_record
from ingest.settings import load_settings
from ingest.survey import survey

SETTINGS_NAME: Final = "parlor.toml"
TABLES_NAME: Final = "tables"


@dataclass(frozen=True, slots=True)
class Day:
    """The capture files of one parlor and UTC day, in order."""

    date: str
    files: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class ParlorTask:
    """All work of one parlor: its days must be worked through in order.

    Attributes
    ----------
    config:
        What the messages' meaning depends on; nothing else of a service's settings.
    days:
        In order.
    tables:
        Folder of tables exported in the barn, if there is one.
    out:
        The fleet's folder.
    again:
        Whether days that were worked through already are worked through again.
    """

    config: Config
    days: tuple[Day, ...]
    tables: Path | None
    out: Path
    again: bool

    @property
    def parlor(self) -> str:
        """Return the parlor's name."""
        return self.config.parlor.name

    @property
    def steps(self) -> int:
        """Return how many steps there are: the days, then the barn's own tables."""
        return len(self.days) + (self.tables is not None)

    @property
    def size_bytes(self) -> int:
        """Return the size of all captures, the measure of the work."""
        return sum(file.stat().st_size for day in self.days for file in day.files)


@dataclass(frozen=True, slots=True)
class Plan:
    """The tasks, the largest first, and what could not be planned."""

    tasks: tuple[ParlorTask, ...]
    failures: tuple[Failure, ...]

    @property
    def steps(self) -> int:
        """Return how many steps there are."""
        return sum(task.steps for task in self.tasks)


def plan_fleet(captures: Path, out: Path, *, again: bool = False) -> Plan:
    """Look through the folder of captures.

    Parameters
    ----------
    captures:
        One folder a parlor.
    out:
        The fleet's folder of results.
    again:
        Whether finished days are worked through again.

    Raises
    ------
    InputError
        When there is no such folder or no parlor in it.
    """
    if not captures.is_dir():
        raise InputError("no such folder", where=str(captures))
    folders = sorted(f for f in captures.iterdir() if f.is_dir() and not f.name.startswith((".", "_")))
    if not folders:
        raise InputError("holds no folder of a parlor", where=str(captures))
    tasks: list[ParlorTask] = []
    failures: list[Failure] = []
    for folder in folders:
        try:
            tasks.append(_task(folder, out.resolve(), again=again))
        except InputError as error:
            failures.append(Failure(folder.name, "", error.where, error.what))
        except OSError as error:
            failures.append(Failure(folder.name, "", str(error.filename), str(error.strerror)))
    # The longest chain of days decides when everything is done, so it begins first.
    tasks.sort(key=lambda task: (-task.size_bytes, task.parlor))
    return Plan(tuple(tasks), tuple(failures))


def _task(folder: Path, out: Path, *, again: bool) -> ParlorTask:
    """Plan one parlor."""
    if not SLUG.fullmatch(folder.name):
        raise InputError("not a parlor's name: letters, digits, and _ . - inside", where=str(folder))
    folder = folder.resolve()
    days = tuple(Day(day.name, tuple(capture_files(day))) for day in sorted(folder.iterdir()) if _is_day(day))
    tables = folder / TABLES_NAME
    if not days and not tables.is_dir():
        raise InputError("holds neither days such as 2031-03-03 nor tables", where=str(folder))
    return ParlorTask(
        config=_config(folder, days, out),
        days=days,
        tables=tables if tables.is_dir() else None,
        out=out,
        again=again,
    )


def _is_day(folder: Path) -> bool:
    """Tell whether a folder is named after a day and holds captures."""
    try:
        is_day = folder.is_dir() and date.fromisoformat(folder.name).isoformat() == folder.name
        return is_day and bool(capture_files(folder))
    except (ValueError, InputError):
        return False


def _config(folder: Path, days: Sequence[Day], out: Path) -> Config:
    """Return what decides the meaning of a parlor's messages."""
    settings = folder / SETTINGS_NAME
    if not settings.is_file():
        return _found(folder, days, out)
    config = load_settings(settings, environ={}).config
    if config.parlor.name != folder.name:
        raise InputError(
            f"parlor.name is {config.parlor.name}, the folder {folder.name}", where=str(settings)
        )
    return Config(broker=BrokerConfig(root=config.broker.root), parlor=config.parlor)


def _found(folder: Path, days: Sequence[Day], out: Path) -> Config:
    """Return what the captures themselves tell; a file that cannot be read tells nothing."""
    root, stalls = BrokerConfig().root, load_record(out, folder.name).stalls
    for file in (file for day in days for file in day.files):
        try:
            found = survey(file)
        except InputError:
            continue  # told when its day is worked through
        if found.parlor == folder.name:
            root, stalls = found.root, max(stalls, found.stalls)
    if days and not stalls:
        raise InputError(f"no message of a parlor of that name; add {SETTINGS_NAME}", where=str(folder))
    parlor = ParlorConfig.model_validate({"name": folder.name, "stalls": stalls or 1})
    return Config(broker=BrokerConfig(root=root), parlor=parlor)
