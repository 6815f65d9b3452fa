"""A fleet of parlors gives the tables of replays, whatever is cut, killed, added, changed or damaged."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from detect.errors import InputError
from ingest.fleet.layout import ParlorTask, plan_fleet
from ingest.fleet.pool import ProcessPool
from ingest.fleet.run import FAILURES, Engine, Summary, run_fleet
from ingest.fleet.work import Outcome, StepReport, run_step
from store.fleet.partitions import read_partitions
from store.schema import MILKING
from tests.ingest.barns import (
    FIRST_DAY,
    SECOND_DAY,
    Barn,
    digest,
    fleet_tables,
    lay,
    replayed_tables,
    three_barns,
)
from tests.ingest.deadly import VICTIM, deadly_step


@dataclass(frozen=True, slots=True)
class InThisProcess:
    """The plainest engine: one step after another."""

    def run(self, tasks: Sequence[ParlorTask]) -> Iterator[StepReport]:
        """Do all steps."""
        for task in tasks:
            yield from (run_step(task, step) for step in range(task.steps))


HERE = InThisProcess()


@dataclass(frozen=True, slots=True)
class Shipped:
    """Barns, where their captures lie, the hash of the tables of their replays, and a finished run."""

    barns: list[Barn]
    captures: Path
    digest: str
    out: Path
    summary: Summary


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Shipped:
    """Lay three parlors over two days, cut mid-milking, and replay each in one go."""
    folder = tmp_path_factory.mktemp("fleet")
    barns = three_barns()
    lay(barns, folder / "captures")
    tables = replayed_tables(barns, folder)
    assert all(frame.height for frame in tables.values()), "a table that is empty proves nothing"
    summary = run(folder / "captures", folder / "out")
    return Shipped(barns, folder / "captures", digest(tables), folder / "out", summary)


@pytest.fixture
def captures(shipped: Shipped, tmp_path: Path) -> Path:
    """Copy the captures, to be changed."""
    return shutil.copytree(shipped.captures, tmp_path / "captures")


@pytest.fixture
def out(shipped: Shipped, tmp_path: Path) -> Path:
    """Copy the results of the finished run, to go on from."""
    return shutil.copytree(shipped.out, tmp_path / "out")


def run(captures: Path, out: Path, *, engine: Engine = HERE, again: bool = False) -> Summary:
    return run_fleet(plan_fleet(captures, out, again=again), engine, out, tell=lambda _: None)


def test_one_process_gives_the_tables_of_replays(shipped: Shipped) -> None:
    """Files cut mid-milking and a milking over midnight leave no trace in any table."""
    assert (shipped.summary.done, shipped.summary.failures) == (6, ())
    assert shipped.summary.messages == sum(len(barn.messages) for barn in shipped.barns)
    assert digest(fleet_tables(shipped.out)) == shipped.digest
    spanning = list((shipped.out / "milking").glob(f"*/date={FIRST_DAY}/*-{SECOND_DAY}.parquet"))
    assert len(spanning) >= 3, "each parlor has milkings that began before midnight and ended after it"


def test_a_pool_gives_the_tables_of_replays(shipped: Shipped, tmp_path: Path) -> None:
    """Two processes tell the same, and the files are the same to the byte as those of one."""
    run(shipped.captures, tmp_path / "out", engine=ProcessPool(2))
    assert digest(fleet_tables(tmp_path / "out")) == shipped.digest
    assert partition_bytes(tmp_path / "out") == partition_bytes(shipped.out)


def test_a_killed_worker_changes_nothing(shipped: Shipped, tmp_path: Path) -> None:
    """When a worker is killed at work, its day is done again and the tables are those of replays."""
    plan = plan_fleet(shipped.captures, tmp_path / "out")
    reports = ProcessPool(2).run(plan.tasks)
    told = [next(reports)]
    os.kill(multiprocessing.active_children()[0].pid or 0, signal.SIGKILL)
    told += reports
    assert {(report.parlor, report.date) for report in told} == {
        (barn.parlor, day) for barn in shipped.barns for day in (FIRST_DAY, SECOND_DAY)
    }
    assert all(report.failures == () for report in told)
    assert digest(fleet_tables(tmp_path / "out")) == shipped.digest


def test_a_parlor_that_kills_its_workers_is_given_up_alone(shipped: Shipped, tmp_path: Path) -> None:
    """The others are finished, and who died is told."""
    summary = run(shipped.captures, tmp_path / "out", engine=ProcessPool(2, step=deadly_step))
    assert [(failure.parlor, failure.date) for failure in summary.failures] == [(VICTIM, FIRST_DAY)]
    assert summary.done + summary.kept == 4
    assert parlors(tmp_path / "out") == {barn.parlor for barn in shipped.barns} - {VICTIM}


def test_what_is_done_is_not_done_again(shipped: Shipped, out: Path) -> None:
    """A second run keeps every file; one that is told to do all again writes the same bytes."""
    before = times(out)
    summary = run(shipped.captures, out)
    assert (summary.done, summary.kept, summary.messages) == (0, 6, 0)
    assert times(out) == before
    content = partition_bytes(out)
    assert run(shipped.captures, out, again=True).done == 6
    assert partition_bytes(out) == content


def test_days_may_come_one_by_one(shipped: Shipped, captures: Path, tmp_path: Path) -> None:
    """What the first day's end had to close is opened again when the second day comes."""
    later = tmp_path / "later"
    for barn in shipped.barns:
        (later / barn.parlor).mkdir(parents=True)
        (captures / barn.parlor / SECOND_DAY).rename(later / barn.parlor / SECOND_DAY)
    out = tmp_path / "out"
    run(captures, out)
    assert digest(fleet_tables(out)) != shipped.digest
    for barn in shipped.barns:
        (later / barn.parlor / SECOND_DAY).rename(captures / barn.parlor / SECOND_DAY)
    summary = run(captures, out)
    assert (summary.done, summary.kept) == (3, 3)
    assert digest(fleet_tables(out)) == shipped.digest


def test_captures_may_go_when_they_are_done(shipped: Shipped, captures: Path, out: Path) -> None:
    """The tables of a day stay when its captures are removed, and the next day goes on from it."""
    for barn in shipped.barns:
        shutil.rmtree(captures / barn.parlor / FIRST_DAY)
        (captures / barn.parlor / "parlor.toml").write_text(
            f'[parlor]\nname = "{barn.parlor}"\nstalls = {barn.stalls}\n'
        )
    summary = run(captures, out, again=True)
    assert (summary.done, summary.failures) == (3, ())
    assert digest(fleet_tables(out)) == shipped.digest


def test_a_changed_file_moves_all_that_follows(captures: Path, out: Path, tmp_path: Path) -> None:
    """A file that is replaced makes its day and the days after it anew, of its parlor only."""
    first = min((captures / "oakhollow" / FIRST_DAY).iterdir())
    pl.read_parquet(first).head(500).write_parquet(first)
    summary = run(captures, out)
    assert (summary.done, summary.kept) == (2, 4)
    run(captures, tmp_path / "anew")
    assert digest(fleet_tables(out)) == digest(fleet_tables(tmp_path / "anew"))
    assert names(out) == names(tmp_path / "anew")


def test_a_damaged_file_is_told_and_the_rest_is_done(
    shipped: Shipped, captures: Path, tmp_path: Path
) -> None:
    """One torn file costs what was in it, which shows as a gap; other parlors are untouched."""
    victim = sorted((captures / "willowmere" / FIRST_DAY).iterdir())[1]
    victim.write_bytes(victim.read_bytes()[:-200])
    summary = run(captures, tmp_path / "out")
    assert [(f.parlor, f.date, f.file) for f in summary.failures] == [("willowmere", FIRST_DAY, victim.name)]
    told = pl.read_parquet(tmp_path / "out" / FAILURES)
    assert told.select("parlor", "date", "file").rows() == [("willowmere", FIRST_DAY, victim.name)]
    assert parlors(tmp_path / "out") == {barn.parlor for barn in shipped.barns}
    ours, clean = fleet_tables(tmp_path / "out"), fleet_tables(shipped.out)
    for name, frame in ours.items():
        others = pl.col("parlor") != "willowmere"
        assert frame.filter(others).equals(clean[name].filter(others))
    missing = [tables["data_gap"].filter(parlor="willowmere")["frames"].sum() for tables in (ours, clean)]
    assert missing[0] > missing[1] + 500
    assert run(captures, tmp_path / "out").failures == summary.failures, "it is told until it is mended"


def test_a_parlor_that_cannot_be_planned_does_not_stop_the_others(
    shipped: Shipped, captures: Path, tmp_path: Path
) -> None:
    """A settings file of another parlor is told; the rest is done."""
    (captures / "ferncroft" / "parlor.toml").write_text('[parlor]\nname = "elsewhere"\nstalls = 5\n')
    summary = run(captures, tmp_path / "out")
    assert [failure.parlor for failure in summary.failures] == ["ferncroft"]
    assert "elsewhere" in summary.failures[0].what
    assert parlors(tmp_path / "out") == {barn.parlor for barn in shipped.barns} - {"ferncroft"}


def test_a_lost_state_stops_its_parlor_and_says_how_to_go_on(captures: Path, out: Path) -> None:
    """A day never begins silently without what the day before left."""
    (out / "_runs" / "parlor=oakhollow" / f"{FIRST_DAY}.state").unlink()
    changed = max((captures / "oakhollow" / SECOND_DAY).iterdir())
    pl.read_parquet(changed).head(500).write_parquet(changed)
    summary = run(captures, out)
    assert [(f.parlor, f.date) for f in summary.failures] == [("oakhollow", SECOND_DAY)]
    assert "--again" in summary.failures[0].what
    assert run(captures, out, again=True).failures == ()


def test_every_row_says_which_detector_told_it(shipped: Shipped, tmp_path: Path) -> None:
    """Version and digest of the parameters stand beside each row; the digest knows the parlor's height."""
    captures = shutil.copytree(shipped.captures, tmp_path / "captures")
    (captures / "oakhollow" / "parlor.toml").write_text(
        '[parlor]\nname = "oakhollow"\nstalls = 6\naltitude_m = 900.0\n'
    )
    run(captures, tmp_path / "out")
    labels = (
        read_partitions(tmp_path / "out", MILKING)
        .group_by("parlor")
        .agg(pl.col("detector_version", "params_digest").unique())
    )
    digests = {row["parlor"]: row["params_digest"] for row in labels.iter_rows(named=True)}
    assert all(len(those) == 1 and those[0] for those in digests.values())
    assert digests["oakhollow"] != digests["ferncroft"] == digests["willowmere"]


def test_a_record_that_cannot_be_read_stops_its_parlor_only(shipped: Shipped, tmp_path: Path) -> None:
    """A fault of the disk under one parlor is told when the run is planned; the others are planned."""
    (tmp_path / "_runs").mkdir()
    (tmp_path / "_runs" / "parlor=oakhollow").write_text("a file where a folder belongs")
    plan = plan_fleet(shipped.captures, tmp_path)
    assert [failure.parlor for failure in plan.failures] == ["oakhollow"]
    assert {task.parlor for task in plan.tasks} == {"ferncroft", "willowmere"}


def test_an_empty_folder_is_the_users_mistake(tmp_path: Path) -> None:
    """No folder and a folder without parlors are refused at once."""
    with pytest.raises(InputError, match="no such folder"):
        plan_fleet(tmp_path / "nowhere", tmp_path / "out")
    with pytest.raises(InputError, match="no folder of a parlor"):
        plan_fleet(tmp_path, tmp_path / "out")


def test_steps_after_a_failure_are_not_tried(shipped: Shipped, tmp_path: Path) -> None:
    """A pool does not go on with a parlor whose day could not be written."""
    out = tmp_path / "out"
    (out / "quarantine").mkdir(parents=True)
    (out / "quarantine" / "parlor=oakhollow").write_text("a file where a folder belongs")
    plan = plan_fleet(shipped.captures, out)
    failed = [report for report in ProcessPool(2).run(plan.tasks) if report.outcome is Outcome.FAILED]
    assert [(report.parlor, report.date) for report in failed] == [("oakhollow", FIRST_DAY)]


def parlors(out: Path) -> set[str]:
    return set(read_partitions(out, MILKING)["parlor"])


def partition_files(out: Path) -> list[Path]:
    return sorted(out.glob("*/parlor=*/date=*/*.parquet"))


def names(out: Path) -> list[str]:
    return [file.relative_to(out).as_posix() for file in partition_files(out)]


def partition_bytes(out: Path) -> dict[str, bytes]:
    return {file.relative_to(out).as_posix(): file.read_bytes() for file in partition_files(out)}


def times(out: Path) -> dict[str, int]:
    return {file.relative_to(out).as_posix(): file.stat().st_mtime_ns for file in partition_files(out)}
