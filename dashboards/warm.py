"""The detector's machine code, ready before the first message comes.

On a new machine compiling takes up to a minute and some 300 MB, which the process that compiles keeps
(measured). So a process of its own compiles; the service then only loads what that one has kept.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from dashboards.lean import COMPILER, give_back, trim
from detect.checkpoint import Checkpoint
from detect.claw import ClawModel
from detect.leak import extra_air_l_min
from detect.machine import CACHE_VARIABLE, whole_mark
from detect.norms import usual_of
from detect.parlor import ParlorDetector
from ingest.decode import NS_PER_MS, Decoder, Frame
from ingest.lanes import Lanes
from ingest.messages import Messages
from ingest.sequencer import Sequencer
from ingest.traces import traces
from ingest.usual import decode_all
from ingest.wire import EARLIEST_MS, Message, StreamKind, VacuumPayload, stall_topic
from store.batch import Batch, Watermark
from store.child_process import command, environment

STALLS: Final = 4
MINUTES: Final = 8.0
"""Length of the record [min]: enough to reach nearly all compiled functions (counted)."""
FRAMES: Final = 20
"""Frames of a quarter of a second: enough to have every function called that Python calls (counted)."""
TURN_S: Final = 0.5
"""Longest time without a sign of life while another process compiles [s] (engineering choice)."""
BOUND: Final = "while-waited-for"
"""Asks the process that compiles to end with its standard input."""
COMPILING: Final = command("dashboards.warm", BOUND)
_LOG: Final = logging.getLogger(__name__)


def make_ready(
    stop: threading.Event, *, on_turn: Callable[[], None] = lambda: None, compiling: Sequence[str] = COMPILING
) -> None:
    """Have the machine code made where it is missing, load it, and give back what only loading needed.

    Parameters
    ----------
    stop:
        Ends the waiting for the other process, and that process.
    on_turn:
        Called again and again while the other process compiles: we are alive.
    compiling:
        The command that compiles.
    """
    mark = whole_mark()
    if mark is None:
        _LOG.warning("no writable folder for machine code: every start compiles anew; see %s", CACHE_VARIABLE)
    elif not mark.exists():
        _LOG.info("compiling the detector: up to a minute on a new machine")
        compile_apart(compiling, stop, on_turn=on_turn)
    if not stop.is_set():
        give_back(COMPILER)
        _load()
        give_back(COMPILER)
        trim()


def compile_apart(
    compiling: Sequence[str], stop: threading.Event, *, on_turn: Callable[[], None] = lambda: None
) -> None:
    """Wait for the process that compiles; when it fails, this one compiles as it goes on."""
    kept = {name: os.environ[name] for name in (CACHE_VARIABLE,) if name in os.environ}
    with subprocess.Popen(compiling, env=environment() | kept, stdin=subprocess.PIPE) as process:  # noqa: S603
        while process.poll() is None:
            on_turn()
            if stop.wait(TURN_S):
                process.terminate()
                break
    if process.returncode and not stop.is_set():
        _LOG.warning("the detector could not be compiled beforehand: exit code %d", process.returncode)


def _load() -> None:
    """Read a few seconds of steady vacuum, and throw away what comes of it."""
    topic = stall_topic(root="milking", parlor="nowhere", stall=1, kind=StreamKind.VACUUM)
    decoder, sequencer = Decoder("milking", "nowhere", 1), Sequencer({})
    detector = ParlorDetector(parlor="nowhere", stalls=1)
    for seq in range(FRAMES):
        t_ms = EARLIEST_MS + 250 * seq
        payload = VacuumPayload(seq=seq, t_ms=t_ms, rate_hz=100.0, kpa=[42.0] * 25).to_bytes()
        batch = decode_all(decoder, Messages.of([Message(t_ms * NS_PER_MS, topic, payload)]))
        lanes = Lanes(sequencer, batch)
        frame = batch.frame(0)
        if lanes.run(0) == 0 and isinstance(frame, Frame):
            lanes.push(frame)
        lanes.close()
        detector.feed_batch(batch.readings)
        traces(batch.readings)
    detector.flush()
    _call_seldom_ones()


def _call_seldom_ones() -> None:
    """Call what only a leak or a parlor with many stalls needs, hours later."""
    extra_air_l_min(ClawModel(), 2.0, 1.0)
    usual_of(np.zeros(1, np.int64), np.zeros(1), 0, (1, 1))


class _Nowhere:
    """A store that keeps nothing."""

    def checkpoint(self, _parlor: str, /) -> Checkpoint | None:
        """Return no state."""

    def watermarks(self, _parlor: str, /) -> Mapping[str, Watermark]:
        """Return no places."""
        return {}

    def commit(self, _batch: Batch, /) -> None:
        """Keep nothing."""


def compile_detector() -> None:
    """Replay some minutes of an invented parlor; what is found is thrown away."""
    from ingest.pipeline import Pipeline  # noqa: PLC0415 - loading alone needs no engine of the store
    from ingest.replay import replay  # noqa: PLC0415
    from simulator.rotary import simulate  # noqa: PLC0415 - the service has no use for a simulator
    from simulator.scenario import plain  # noqa: PLC0415

    scenario = replace(plain(stalls=STALLS, hours=MINUTES / 60.0), loaded=True)
    pipeline = Pipeline.open(
        history=_Nowhere(),
        detector=ParlorDetector(parlor=scenario.parlor, stalls=STALLS),
        decoder=Decoder(scenario.root, scenario.parlor, STALLS),
    )
    replay([Messages.of(simulate(scenario))], pipeline)
    _call_seldom_ones()


def end_with_the_input() -> None:
    """End this process as soon as its standard input ends: whoever waits for it was killed.

    Read past Python's own file, whose lock this thread would hold at a good end: Python aborts then.
    """
    while os.read(0, 4096):
        pass
    os._exit(1)


if __name__ == "__main__":
    if BOUND in sys.argv:
        threading.Thread(target=end_with_the_input, daemon=True).start()
    compile_detector()
    if (whole := whole_mark()) is not None:
        whole.touch()
