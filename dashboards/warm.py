"""The detector compiled before the first message comes: on a new machine that takes up to a minute."""

from __future__ import annotations

from dataclasses import replace

from detect.parlor import ParlorDetector
from detect.readings import Reading
from ingest.decode import Decoder, Frame
from simulator.rotary import simulate
from simulator.scenario import plain

STALLS = 2
MINUTES = 3.0
"""Length of the record [min]: enough to reach nearly all compiled functions (counted)."""


def compile_detector() -> None:
    """Let a detector hear some minutes of an invented parlor; what it says is thrown away.

    While it compiles it stores nothing. A parlor that is simulated faster than real time meanwhile
    sends tens of thousands of frames, and then all of them again when the service speaks up at last.
    """
    scenario = replace(plain(stalls=STALLS, hours=MINUTES / 60.0), loaded=True)
    decoder = Decoder(scenario.root, scenario.parlor, STALLS)
    detector = ParlorDetector(parlor=scenario.parlor, stalls=STALLS)
    for message in simulate(scenario):
        frame = decoder.decode(message)
        if isinstance(frame, Frame) and isinstance(frame.content, Reading):
            detector.feed(frame.content)
    detector.flush()
