"""The optional engine: Apache Spark carries the tasks of parlors to its executors.

One job of one row is one parlor's task; ``mapInArrow`` hands it to the same steps as the process pool,
and the partitions are written where they are made. No frame ever passes through Spark: sorting raw
frames by key is several times dearer than opening the files where they are needed (measured). A job a
parlor costs some tenths of a second each and means that a parlor which fails takes no other with it.

Captures and results must be reachable by every executor under the same paths. This is the only module
that knows Spark.
"""

from __future__ import annotations

import logging
import os
import sys
import warnings
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from itertools import takewhile
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import pyarrow as pa
import pyspark
from py4j.protocol import Py4JError
from pydantic import TypeAdapter
from pyspark.errors import PySparkException
from pyspark.sql import SparkSession

from detect.errors import InputError
from ingest.fleet.layout import ParlorTask
from ingest.fleet.record import Failure
from ingest.fleet.work import Outcome, StepReport, run_step
from store.fleet.lake import FLEET_VIEWS
from store.fleet.partitions import PARTITIONED
from store.schema import ColumnType, Table

ATTEMPTS: Final = 3
"""Times a parlor's job is tried; days that were finished are not done again (engineering choice)."""
IN_FLIGHT: Final = 64
"""Jobs handed to Spark at a time: more than its cores only wait there (engineering choice)."""
_SQL_TYPES: Final = {
    ColumnType.TEXT: "string",
    ColumnType.INTEGER: "int",
    ColumnType.LONG: "bigint",
    ColumnType.REAL: "double",
    ColumnType.FLAG: "boolean",
    ColumnType.INSTANT: "timestamp_ntz",
    ColumnType.BYTES: "binary",
}
MOST_CHARS: Final = 200
"""Of a reason that Spark gives so much is told: its lines can be pages long."""
_TASK: Final = TypeAdapter(ParlorTask)
_REPORT: Final = TypeAdapter(StepReport)
_LOG: Final = logging.getLogger(__name__)


class SparkEngine:
    """Run the tasks of parlors as Spark jobs.

    Parameters
    ----------
    session:
        An open session.
    """

    def __init__(self, session: SparkSession) -> None:
        self.session = session

    @classmethod
    def open(cls, master: str) -> Self:
        """Start a session.

        Parameters
        ----------
        master:
            Such as ``local[2]`` or ``spark://host:7077``.

        Raises
        ------
        InputError
            When there is no Java, or Spark does not know the master.
        """
        # Spark warns of pandas 3; nothing here ever becomes a pandas frame.
        warnings.filterwarnings("ignore", message="PySpark does not yet fully support pandas")
        try:
            session = _builder(master).getOrCreate()
        except (PySparkException, Py4JError) as error:
            raise InputError(f"Spark does not start: {_reason(error)}", where=master) from error
        session.sparkContext.setLogLevel("OFF")  # what fails is told by us, and once
        return cls(session)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.session.stop()

    def run(self, tasks: Sequence[ParlorTask]) -> Iterator[StepReport]:
        """Do all steps of all tasks, one job a parlor.

        Yields
        ------
        StepReport
            Parlor by parlor, as they come to their end.
        """
        driver = ThreadPoolExecutor(IN_FLIGHT)
        try:
            for job in as_completed([driver.submit(self._parlor, task) for task in tasks]):
                yield from job.result()
        finally:
            driver.shutdown(wait=False, cancel_futures=True)  # after Ctrl-C nobody waits for the others

    def _parlor(self, task: ParlorTask) -> list[StepReport]:
        """Do a parlor's steps; a job that is lost is tried again from the day it had reached."""
        lost = ""
        for _ in range(ATTEMPTS):
            try:
                return self._job(task)
            except (PySparkException, Py4JError) as error:
                lost = _reason(error)
                _LOG.warning("the job of %s was lost: %s", task.parlor, lost)
        failure = Failure(task.parlor, "", "", f"its Spark job was lost {ATTEMPTS} times: {lost}")
        return [StepReport(task.parlor, "", Outcome.FAILED, failures=(failure,))]

    def _job(self, task: ParlorTask) -> list[StepReport]:
        row = self.session.createDataFrame([(_TASK.dump_json(task).decode(),)], "task string")
        reports = row.coalesce(1).mapInArrow(_work, "report string").collect()
        return [_REPORT.validate_json(report.report) for report in reports]


def open_views(session: SparkSession, out: Path) -> None:
    """Make the tables of a fleet and its ready-made views known to Spark SQL.

    Parameters
    ----------
    session:
        An open session; its time zone should be UTC.
    out:
        The fleet's folder.
    """
    session.conf.set("spark.sql.sources.partitionColumnTypeInference.enabled", "false")
    for table in PARTITIONED:
        if (out / table.name).is_dir():
            rows = session.read.parquet(str(out / table.name))
        else:
            rows = session.createDataFrame([], _columns(table))
        rows.createOrReplaceTempView(table.name)
    for name, select in FLEET_VIEWS.items():
        session.sql(select).createOrReplaceTempView(name)


def _work(batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
    """Do the steps of the tasks in a stream of batches; runs on an executor."""
    for batch in batches:
        for text in batch.column("task").to_pylist():
            task = _TASK.validate_json(text)
            reports = [_REPORT.dump_json(report).decode() for report in _steps(task)]
            yield pa.RecordBatch.from_pydict({"report": pa.array(reports, pa.string())})


def _steps(task: ParlorTask) -> Iterator[StepReport]:
    """Do a parlor's steps in order, as far as they go."""
    for step in range(task.steps):
        report = run_step(task, step)
        yield report
        if report.outcome is Outcome.FAILED:
            return


def _columns(table: Table) -> str:
    """Return the columns of a table without partitions in Spark's words."""
    columns = {column.name: _SQL_TYPES[column.kind] for column in table.columns}
    columns |= {"parlor": "string", "date": "string", "detector_version": "int", "params_digest": "string"}
    return ", ".join(f"`{name}` {kind}" for name, kind in columns.items())


def _builder(master: str) -> SparkSession.Builder:
    builder = (
        SparkSession.builder.master(master)
        .appName("quietclaw fleet")
        .config("spark.ui.enabled", "false")
        .config("spark.ui.showConsoleProgress", "false")
        .config("spark.sql.session.timeZone", "UTC")
    )
    if master.startswith("local"):
        # Executors on this machine run this very code with this very Python, and nobody else hears them.
        os.environ.setdefault("SPARK_HOME", str(Path(pyspark.__file__).parent))
        os.environ.setdefault("SPARK_LOCAL_IP", "127.0.0.1")
        os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
        builder = builder.config("spark.executorEnv.PYTHONPATH", str(Path(__file__).parents[2]))
    return builder


def _reason(error: Exception) -> str:
    """Return the line of a failure that says most: the last one before Java's own stack."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    own = list(takewhile(lambda line: not line.startswith(("at ", "SQLSTATE", "JVM stacktrace")), lines))
    return own[-1][:MOST_CHARS] if own else type(error).__name__
