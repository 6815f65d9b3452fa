"""The detector compiled before the first message comes: on a new machine that takes up to a minute."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from detect.checkpoint import Checkpoint
from detect.parlor import ParlorDetector
from ingest.decode import Decoder
from ingest.messages import Messages
from ingest.pipeline import Pipeline
from ingest.replay import replay
from simulator.rotary import simulate
from simulator.scenario import plain
from store.batch import Batch, Watermark

STALLS = 2
MINUTES = 3.0
"""Length of the record [min]: enough to reach nearly all compiled functions (counted)."""


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
    """Replay some minutes of an invented parlor; what is found is thrown away.

    While it compiles it stores nothing. A parlor that is simulated faster than real time meanwhile
    sends tens of thousands of frames, and then all of them again when the service speaks up at last.
    """
    scenario = replace(plain(stalls=STALLS, hours=MINUTES / 60.0), loaded=True)
    pipeline = Pipeline.open(
        history=_Nowhere(),
        detector=ParlorDetector(parlor=scenario.parlor, stalls=STALLS),
        decoder=Decoder(scenario.root, scenario.parlor, STALLS),
    )
    replay([Messages.of(simulate(scenario))], pipeline)
