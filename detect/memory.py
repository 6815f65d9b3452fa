"""Write the detector's state into bytes and read it back, to the last bit."""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict, fields
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from detect.assemble import Figures, OpenMilking, StallBook
from detect.checkpoint import Checkpoint
from detect.codec import reading_from_json, reading_to_json, result_from_json, result_to_json
from detect.errors import CheckpointError
from detect.grid import PLANES, ROWS
from detect.params import DETECTOR_VERSION
from detect.results import AirEvent, SupportEvent
from detect.scene import SCENE_DTYPE, WHOLE_DTYPE
from detect.state import PLANT_DTYPE, STALL_DTYPE
from detect.timeline import Timeline

if TYPE_CHECKING:
    from detect.history import SlipHistory
    from detect.parlor import ParlorDetector

LEVEL: Final = 1
"""zlib level: the state is written several times a second."""


def store_detector(detector: ParlorDetector) -> Checkpoint:
    """Return the whole state of a detector; key 0 is the parlor, key n stall n, the last key the cows.

    The memory of cows changes only as a milking ends, so it is packed only then, and a store that
    rewrites what changed seldom has to write it.
    """
    blobs = {0: _parlor_blob(detector)}
    for index, book in enumerate(detector.books):
        records = (detector.state[index : index + 1], detector.witness.scenes[index : index + 1])
        blobs[book.stall] = _pack(_book_json(book), [record.view(np.uint8) for record in records])
    blobs[len(detector.books) + 1] = _cows_blob(detector.history)
    return Checkpoint(version=DETECTOR_VERSION, digest=detector.params.digest, blobs=blobs)


def restore_detector(detector: ParlorDetector, checkpoint: Checkpoint) -> None:
    """Put a stored state into a detector of the same version, parameters and size.

    Raises
    ------
    CheckpointError
        If the checkpoint does not fit.
    """
    _refuse_misfit(detector, checkpoint)
    try:
        head, arrays = _unpack(checkpoint.blobs[0])
        _restore_parlor(detector, head, arrays)
        for index in range(len(detector.books)):
            head, (record, scene) = _unpack(checkpoint.blobs[index + 1])
            detector.state[index] = record.view(STALL_DTYPE)[0]
            detector.witness.scenes[index] = scene.view(SCENE_DTYPE)[0]
            detector.books[index] = _book_from_json(head)
        cows, _ = _unpack(checkpoint.blobs[len(detector.books) + 1])
        detector.history.cows = {cow: (count, time_s) for cow, (count, time_s) in cows["cows"].items()}
        detector.history.packed_cows = None
    except (KeyError, ValueError, TypeError, zlib.error) as error:
        raise CheckpointError(f"the stored detector state is damaged ({error})") from error


def _refuse_misfit(detector: ParlorDetector, checkpoint: Checkpoint) -> None:
    if checkpoint.version != DETECTOR_VERSION:
        raise CheckpointError(
            f"the stored detector state has version {checkpoint.version}, this program {DETECTOR_VERSION}"
        )
    if checkpoint.digest != detector.params.digest:
        raise CheckpointError(
            f"the stored detector state belongs to parameters {checkpoint.digest}, "
            f"not to {detector.params.digest}"
        )
    if set(checkpoint.blobs) != set(range(len(detector.books) + 2)):
        raise CheckpointError(
            f"the stored detector state has {len(checkpoint.blobs) - 2} stalls, not {len(detector.books)}"
        )


def _parlor_blob(detector: ParlorDetector) -> bytes:
    line, history = detector.timeline, detector.history
    grid, rows = line.grid, line.rows()
    head = {
        "done_bin": line.done_bin,
        "rows": len(rows),
        "jump_bin": line.jump_bin,
        "accepted": line.accepted,
        "counters": line.counters,
        "cows": [reading_to_json(cow) for cow in line.cows],
        "pending": [reading_to_json(reading) for reading in line.pending],
        "cow_feed": detector.cow_feed,
        "unread": line.unread,
    }
    arrays = [
        grid.total[:, rows], grid.number[:, rows], *grid[2:],
        detector.plant.view(np.uint8), detector.witness.whole.view(np.uint8),
        history.counts, history.times, history.seen,
        history.stall_counts, history.stall_times, history.stall_seen,
    ]  # fmt: skip
    return _pack(head, arrays)


def _cows_blob(history: SlipHistory) -> bytes:
    """Return the memory of cows packed: 4000 of them took 11 ms, four times a second (measured)."""
    if history.packed_cows is None:
        history.packed_cows = _pack({"cows": history.cows}, [])
    return history.packed_cows


def _restore_parlor(detector: ParlorDetector, head: dict[str, Any], arrays: list[NDArray[Any]]) -> None:
    line = Timeline(len(detector.books), detector.params.timeline)
    line.done_bin, line.jump_bin, line.accepted = head["done_bin"], head["jump_bin"], head["accepted"]
    line.counters.update(head["counters"])
    line.cows = [reading_from_json(item) for item in head["cows"]]
    line.pending = [reading_from_json(item) for item in head["pending"]]
    if len(arrays[0]) > PLANES:
        line.add_tubes()
    for part, stored in zip(line.grid[2:], arrays[2:7], strict=True):
        part[:] = stored
    rows = np.arange(line.done_bin, line.done_bin + head["rows"]) % ROWS
    line.grid.total[:, rows], line.grid.number[:, rows] = arrays[0], arrays[1]
    detector.timeline = line
    detector.plant[:] = arrays[7].view(PLANT_DTYPE)
    detector.witness.whole[:] = arrays[8].view(WHOLE_DTYPE)
    history = detector.history
    history.counts, history.times, history.seen = arrays[9:12]
    history.stall_counts, history.stall_times, history.stall_seen = arrays[12:15]
    detector.cow_feed, line.unread = head["cow_feed"], head["unread"]


def _book_json(book: StallBook) -> dict[str, Any]:
    data = {f.name: getattr(book, f.name) for f in fields(book)}
    data["left"] = asdict(book.left) if book.left else None
    if book.milking:
        milking = {f.name: getattr(book.milking, f.name) for f in fields(book.milking)}
        milking["held"] = [result_to_json(event) for event in book.milking.held]
        data["milking"] = milking
    return data


def _book_from_json(data: dict[str, Any]) -> StallBook:
    left, milking = data.pop("left"), data.pop("milking")
    book = StallBook(**data)
    book.left = Figures(**left) if left else None
    if milking:
        held = [result_from_json(item) for item in milking.pop("held")]
        book.milking = OpenMilking(**milking)
        book.milking.held = [event for event in held if isinstance(event, AirEvent | SupportEvent)]
    return book


def _pack(head: dict[str, Any], arrays: list[NDArray[Any]]) -> bytes:
    """Return a JSON head and arrays as compressed bytes."""
    head = {**head, "_arrays": [[_name_of(a.dtype), list(a.shape)] for a in arrays]}
    text = json.dumps(head, separators=(",", ":")).encode()
    body = b"".join([len(text).to_bytes(4, "little"), text, *(a.tobytes() for a in arrays)])
    return zlib.compress(body, LEVEL)


@cache
def _name_of(dtype: np.dtype[Any]) -> str:
    """Return the name of a type of numbers; numpy puts it together anew each time, a tenth of all packing."""
    return str(dtype)


def _unpack(blob: bytes) -> tuple[dict[str, Any], list[NDArray[Any]]]:
    body = zlib.decompress(blob)
    at = 4 + int.from_bytes(body[:4], "little")
    head = json.loads(body[4:at])
    arrays = []
    for dtype, shape in head.pop("_arrays"):
        size = int(np.prod(shape)) * np.dtype(dtype).itemsize
        arrays.append(np.frombuffer(body[at : at + size], dtype).reshape(shape).copy())
        at += size
    return head, arrays
