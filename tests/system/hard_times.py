"""A longer trial of the store on real faults, apart from the tests: ``python -m tests.system.hard_times``.

As root it mounts small memory disks: full for the log, full for the checkpoint, then read-only. Then it
measures commits while bombs and backups run. It prints figures and ends with 1 when something is lost.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from detect.errors import DiskError, InputError, StoreError
from store.copying import copy_history
from store.engine import StoreSettings
from store.history import Batch, History, Quarantined, Watermark
from store.question import QueryLimits
from store.read_door import ReadDoor
from store.shared_history import SharedHistory
from store.verify import verify
from tests.store.drawn import PARLOR, T0_NS, air_event
from tests.store.test_read_door import BOMBS, TRESPASSES

TOPIC = "milking/willowmere/stall/1/vacuum"
COMMITS_S = 20.0


@contextmanager
def small_disk(megabytes: int) -> Iterator[Path]:
    """Mount a memory disk for as long as the block lasts."""
    with tempfile.TemporaryDirectory() as folder:
        run("mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "none", folder)
        try:
            yield Path(folder)
        finally:
            run("umount", "-l", folder)


def run(*words: str) -> None:
    subprocess.run(words, check=True)  # noqa: S603 - our own words


def batch(number: int, payload: bytes) -> Batch:
    """Return a batch of 50 refused messages, an event and the place of a topic."""
    refused = [Quarantined(T0_NS + n, TOPIC, payload[n * 64 :], "no JSON") for n in range(50)]
    return Batch(PARLOR, [air_event(number)], refused, {TOPIC: Watermark(None, number, T0_NS + number)})


def fill(path: Path, settings: StoreSettings) -> tuple[int, str]:
    """Commit until the disk is full; return the commits acknowledged and what was said."""
    noise = Path("/dev/urandom").open("rb")  # noqa: SIM115 - closed with the process
    done = -1
    try:
        with History.open(path, settings=settings) as history:
            while True:
                history.commit(batch(done + 1, noise.read(4096)))
                done += 1
    except DiskError as error:
        return done, error.what
    finally:
        noise.close()


def full_disk(threshold_mb: int) -> bool:
    """Fill a disk, give it room, and see whether every acknowledged commit is there once."""
    settings = StoreSettings(checkpoint_threshold_mb=threshold_mb)
    with small_disk(24) as folder:
        path = folder / "h.duckdb"
        done, said = fill(path, settings)
        with suppress(DiskError), History.open(path, settings=settings) as history:
            history.commit(batch(done + 1, bytes(5000)))
        run("mount", "-o", "remount,size=120m", str(folder))
        began_s = time.monotonic()
        with History.open(path, settings=settings) as history:
            seq = history.watermarks(PARLOR)[TOPIC].seq
            history.commit(batch(seq + 1, bytes(5000)))
        took_s = time.monotonic() - began_s
        events = verify(path)["air_event"]
        run("mount", "-o", "remount,ro", str(folder))
        try:
            History.open(path)
            read_only = "opened"
        except DiskError as error:
            read_only = error.what
    print(f"full at commit {done} ({said}); {events} events, place {seq}; going on took {took_s:.2f} s")
    print(f"read-only: {read_only}")
    return events == seq + 2 and seq >= done and "read-only" in read_only


def commits(history: History, seconds: float, first: int) -> tuple[int, list[float]]:
    """Commit four times a second and return the next number and how long each took [ms]."""
    took, until = [], time.monotonic() + seconds
    while time.monotonic() < until:
        began_s = time.monotonic()
        history.commit(batch(first, bytes(5000)))
        took.append(1000.0 * (time.monotonic() - began_s))
        first += 1
        threading.Event().wait(max(0.0, 0.25 - took[-1] / 1000.0))
    return first, sorted(took)


def besieged() -> bool:
    """Measure commits alone, and while bombs, trespasses and backups run."""
    with tempfile.TemporaryDirectory() as folder, SharedHistory.open(Path(folder) / "h.duckdb") as history:
        door = ReadDoor(history.path, held=history.held)
        over = threading.Event()
        tally = {"refused": 0, "answered": 0, "backups": 0}

        def besiege() -> None:
            for words in [*BOMBS.values(), *TRESPASSES.values()] * 100:
                if over.is_set():
                    return
                try:
                    door.ask(words, (), QueryLimits(time_s=2.0))
                    tally["answered"] += 1
                except (InputError, StoreError):
                    tally["refused"] += 1

        def back_up() -> None:
            while not over.is_set():
                copy_history(history.path, Path(folder) / "copy.duckdb", held=history.held)
                tally["backups"] += 1

        number, alone = commits(history, COMMITS_S, 0)
        threads = [threading.Thread(target=work) for work in (besiege, back_up)]
        for thread in threads:
            thread.start()
        number, under = commits(history, COMMITS_S, number)
        over.set()
        for thread in threads:
            thread.join()
        door.close()
        copied = verify(Path(folder) / "copy.duckdb")["air_event"]
    for name, took in (("alone", alone), ("besieged", under)):
        print(
            f"{name}: {len(took)} commits, p50 {took[len(took) // 2]:.0f} ms, "
            f"p99 {took[int(0.99 * len(took))]:.0f} ms, worst {took[-1]:.0f} ms"
        )
    print(f"{tally}, last copy {copied} of {number} events")
    return tally["answered"] == 0 and copied <= number


def main() -> int:
    """Run everything."""
    outcomes = [full_disk(64), full_disk(1), besieged()]
    print("sound" if all(outcomes) else f"NOT SOUND: {outcomes}")
    return 0 if all(outcomes) else 1


if __name__ == "__main__":
    sys.exit(main())
