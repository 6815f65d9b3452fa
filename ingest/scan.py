"""Read payloads of the usual shape by compiled code; whatever else a payload may be is left to the wire.

One scan takes what devices send all day: a flat object of the known fields, plain decimal numbers, a
boot mark of printable ASCII. It never refuses: what it does not understand, or what is not within the
limits, it passes by, and :mod:`ingest.wire` decides. What it reads it reads as the wire does, to the
last bit: a decimal of at most 15 digits is the quotient of two whole numbers that a double holds
exactly, so one division rounds it correctly (W. D. Clinger, "How to read floating point numbers
accurately", 1990, from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from detect.batch import ARM, COW, FLOW, PLANT, VACUUM
from detect.machine import compiled, compiled_allocating

if TYPE_CHECKING:
    from ingest.usual import ScanLimits

SEQ, T_MS, BOOT, RATE, KPA, CHANNEL, KG_MIN, ANGLE, CORD = range(9)
_NAMES: Final = (
    b"seq",
    b"t_ms",
    b"boot",
    b"rate_hz",
    b"kpa",
    b"channel",
    b"kg_min",
    b"angle_deg",
    b"cord_mm",
)
NAMES: Final = np.array(_NAMES, "S12").view(np.uint8).reshape(-1, 12)
CHANNELS: Final = np.array((b"claw", b"lf", b"rf", b"lr", b"rr"), "S12").view(np.uint8).reshape(-1, 12)
"""Words of the channels in the order of their streams, filled up with zeros as the names above."""
VACUUM_FIELDS: Final = (1 << SEQ) | (1 << T_MS) | (1 << RATE) | (1 << KPA)
FLOW_FIELDS: Final = (1 << SEQ) | (1 << T_MS) | (1 << KG_MIN)
ARM_FIELDS: Final = (1 << SEQ) | (1 << T_MS) | (1 << RATE) | (1 << ANGLE) | (1 << CORD)
OPTIONAL_FIELDS: Final = (1 << BOOT) | (1 << CHANNEL)
SURE_DIGITS, LONGEST_DIGITS = 15, 18
POWERS: Final = 10.0 ** np.arange(SURE_DIGITS + 1)
NOT_READ: Final = -1
MOST_MARK: Final = 64
NS_PER_MS: Final = 1_000_000
PADDING: Final = b"\0\0\0"
"""Stands behind all payloads: bytes that belong to no number, as many as are looked at ahead."""


@compiled
def space(text: Any, at: int, end: int) -> int:
    """Return the first place from ``at`` on that is no white space; ``NOT_READ`` stays what it is."""
    while 0 <= at < end and (text[at] == 32 or text[at] == 9 or text[at] == 10 or text[at] == 13):
        at += 1
    return at


@compiled
def mark(text: Any, at: int, end: int, sign: int) -> int:
    """Return the place behind one sign and the white space around it."""
    at = space(text, at, end)
    if at < 0 or at >= end or text[at] != sign:
        return NOT_READ
    return int(space(text, at + 1, end))


@compiled
def number(text: Any, at: int, end: int) -> tuple[int, int, int]:
    """Read a plain decimal: the place behind it, its digits as a whole number, and its decimal places.

    A whole number has -1 places. Exponents, ``-0`` and more digits than fit are not read.
    """
    negative = at >= 0 and at < end and text[at] == 45
    at = at + 1 if negative else at
    first, whole, digits, places = at, 0, 0, -1
    while 0 <= at < end:
        c = text[at]
        if 48 <= c <= 57:
            whole = 10 * whole + (c - 48)
            digits += 1
            places += 1 if places >= 0 else 0
        elif c == 46 and places < 0 and digits > 0:
            places = 0
        else:
            break
        at += 1
    leading = digits > 1 and text[first] == 48 and text[first + 1] != 46
    if (
        digits == 0
        or digits > LONGEST_DIGITS
        or places == 0
        or leading
        or (negative and whole == 0 and places < 0)
    ):
        return NOT_READ, 0, 0
    return at, (-whole if negative else whole), places


@compiled
def decimal(text: Any, at: int, end: int) -> tuple[int, float]:
    """Read a number that one division rounds correctly."""
    behind, whole, places = number(text, at, end)
    if behind < 0 or abs(whole) >= 10**SURE_DIGITS or places > SURE_DIGITS:
        return NOT_READ, 0.0
    if whole == 0 and text[at] == 45:
        return behind, -0.0
    return behind, whole / POWERS[max(places, 0)]


@compiled
def usual_decimal(text: Any, at: int) -> tuple[int, float]:
    """Read a number with one or two decimal places in half the time; other numbers are not read.

    No end is looked for: a number that ends elsewhere than its payload shows by its place, and behind
    all payloads stands PADDING.
    """
    negative = text[at] == 45
    at = at + 1 if negative else at
    first, whole = at, 0
    while 48 <= text[at] <= 57:
        whole = 10 * whole + (text[at] - 48)
        at += 1
    if text[at] != 46 or not (at == first + 1 or (first < at <= first + 9 and text[first] != 48)):
        return NOT_READ, 0.0
    tenths, hundredths = text[at + 1] - 48, text[at + 2] - 48
    two = 0 <= hundredths <= 9
    at = at + 3 if two else at + 2
    if not 0 <= tenths <= 9 or 48 <= text[at] <= 57:
        return NOT_READ, 0.0
    whole = 10 * whole + tenths
    value = (10 * whole + hundredths) / 100.0 if two else whole / 10.0
    return at, (-value if negative else value)


@compiled
def samples(text: Any, at: int, end: int, values: Any, first: int) -> tuple[int, int]:
    """Read a list of numbers into ``values`` from a place on; return the place behind it and their number."""
    at, count = mark(text, at, end, 91), 0
    while at >= 0:
        behind, value = usual_decimal(text, at)
        if behind < 0 or behind >= end:
            behind, value = decimal(text, at, end)
        values[first + count] = value
        count += 1
        at = behind
        if text[at] == 44 and text[at + 1] > 32:
            at += 1
            continue
        at = space(text, at, end)
        if at < 0 or at >= end or text[at] != 44:
            break
        at = space(text, at + 1, end)
    return mark(text, at, end, 93), count


@compiled
def string(text: Any, at: int, end: int) -> tuple[int, int]:
    """Read a string of printable ASCII without escapes; return the place behind it and its length."""
    if at < 0 or at >= end or text[at] != 34:
        return NOT_READ, 0
    first = at + 1
    at = first
    while at < end and 32 <= text[at] <= 126 and text[at] != 34 and text[at] != 92:
        at += 1
    return (at + 1 if at < end and text[at] == 34 else NOT_READ), at - first


@compiled
def word_at(text: Any, at: int, size: int, words: Any) -> int:
    """Return which of some words the text holds at a place, ``NOT_READ`` when it is none."""
    for k in range(words.shape[0]):
        i = 0
        while i < size and i < words.shape[1] and text[at + i] == words[k, i]:
            i += 1
        if i == size and words[k, i] == 0:
            return k
    return NOT_READ


@compiled
def whole_number(text: Any, at: int, end: int) -> tuple[int, int]:
    """Read a number without decimal places."""
    at, whole, places = number(text, at, end)
    return (at if places < 0 else NOT_READ), whole


@compiled
def word_field(text: Any, at: int, end: int, field: int, row: Any, stamp: Any) -> int:
    """Read a boot mark or a channel; return the place behind it."""
    behind, size = string(text, at, end)
    if behind < 0 or size < 1 or size > MOST_MARK:
        return NOT_READ
    if field == BOOT:
        stamp.boot_at, stamp.boot_size = at + 1, size
        return int(behind)
    channel = word_at(text, at + 1, size, CHANNELS)
    if channel < 0 or row.stall == PLANT or row.stream != VACUUM:
        return NOT_READ
    row.stream = VACUUM if channel == 0 else ARM + channel
    return int(behind)


@compiled
def list_field(text: Any, at: int, end: int, field: int, row: Any, pool: tuple[Any, Any]) -> int:
    """Read samples into the pool behind what is used of it; cords must come behind their angles."""
    values, used = pool
    behind, count = samples(text, at, end, values, used[0])
    if behind < 0 or (field == CORD and (row.count != count or row.first + count != used[0])):
        return NOT_READ
    if field != CORD:
        row.first, row.count = used[0], count
    used[0] += count
    return int(behind)


@compiled
def field_value(text: Any, at: int, end: int, field: int, row: Any, stamp: Any, pool: tuple[Any, Any]) -> int:
    """Read the value of one field into the row or the stamp; return the place behind it."""
    if field == BOOT or field == CHANNEL:
        return int(word_field(text, at, end, field, row, stamp))
    if field == SEQ:
        at, stamp.seq = whole_number(text, at, end)
        return int(at)
    if field == T_MS:
        at, row.t_ns = whole_number(text, at, end)
        return int(at)
    if field == RATE:
        at, row.rate_hz = decimal(text, at, end)
        return int(at)
    if field == KG_MIN:
        values, used = pool
        row.first, row.count, row.rate_hz = used[0], 1, 1.0
        at, values[used[0]] = decimal(text, at, end)
        used[0] += 1
        return int(at)
    return int(list_field(text, at, end, field, row, pool))


@compiled
def fields(text: Any, span: tuple[int, int], row: Any, stamp: Any, pool: tuple[Any, Any]) -> int:
    """Read a whole flat object; return which fields it has as bits, 0 when it is not as usual."""
    end, seen = span[1], 0
    at = mark(text, span[0], end, 123)
    while at >= 0:
        behind, size = string(text, at, end)
        field = word_at(text, at + 1, size, NAMES) if behind >= 0 else NOT_READ
        if field < 0 or seen & (1 << field):
            return 0
        seen |= 1 << field
        at = field_value(text, mark(text, behind, end, 58), end, field, row, stamp, pool)
        at = space(text, at, end)
        if at < 0 or at >= end or text[at] != 44:
            break
        at = space(text, at + 1, end)
    return seen if mark(text, at, end, 125) == end else 0


@compiled
def within(values: Any, first: int, count: int, factor: float, bounds: tuple[float, float]) -> bool:
    """Give numbers their unit; tell whether they all lie within the bounds."""
    for k in range(first, first + count):
        values[k] *= factor
        if not bounds[0] <= values[k] <= bounds[1]:
            return False
    return True


@compiled
def is_possible(row: Any, seen: int, values: Any, limits: ScanLimits) -> bool:
    """Tell whether the fields are those of the stream and the numbers within the limits."""
    if not 1 <= row.count <= limits.samples:
        return False
    if row.stream == FLOW:
        bounds = (0.0, limits.flow_kg_min)
        return bool(seen == FLOW_FIELDS and within(values, row.first, 1, limits.flow_factor, bounds))
    if row.stream == ARM:
        angles = within(values, row.first, row.count, 1.0, limits.angle_deg)
        cords = within(values, row.first + row.count, row.count, 1.0, limits.cord_mm)
        timed = limits.arm_hz[0] <= row.rate_hz <= limits.arm_hz[1]
        return bool(seen == ARM_FIELDS and angles and cords and timed)
    timed = limits.vacuum_hz[0] <= row.rate_hz <= limits.vacuum_hz[1]
    kpa = within(values, row.first, row.count, limits.vacuum_factor, limits.vacuum_kpa)
    return bool(seen == VACUUM_FIELDS and kpa and timed)


@compiled
def scan_one(
    text: Any,
    span: tuple[int, int],
    recv_ns: int,
    row: Any,
    stamp: Any,
    pool: tuple[Any, Any],
    limits: ScanLimits,
) -> bool:
    """Read one payload; tell whether it was as usual."""
    values, used = pool
    before = used[0]
    seen = fields(text, span, row, stamp, pool) if span[1] - span[0] <= limits.bytes else 0
    on_time = limits.earliest_ms <= row.t_ns < limits.latest_ms and stamp.seq >= 0
    row.t_ns *= NS_PER_MS
    if seen == 0 or not on_time or row.t_ns - limits.ahead_ns > recv_ns:
        used[0] = before
        return False
    if is_possible(row, seen & ~OPTIONAL_FIELDS, values, limits):
        return True
    used[0] = before
    return False


@compiled_allocating
def scan(text: Any, ends: Any, recv_ns: Any, rows: Any, stamps: Any, values: Any, limits: ScanLimits) -> int:
    """Read all payloads of the usual shape; return how many numbers they hold.

    Parameters
    ----------
    text, ends:
        Payloads one behind the other and PADDING, bytes, and where each ends.
    recv_ns:
        When each was received.
    rows, stamps:
        What is read, of ROW_DTYPE and STAMP_DTYPE. Beforehand a row holds stream and stall, or the
        stream of cows for what is not to be read.
    values:
        Room for the numbers of all rows: half as many as there are bytes, and one.
    limits:
        What a reading may be.
    """
    used = np.zeros(1, np.int64)
    first = 0
    for i in range(ends.shape[0]):
        if rows[i].stream != COW:
            span = (first, ends[i])
            read = scan_one(text, span, recv_ns[i], rows[i], stamps[i], (values, used), limits)
            stamps[i].read = 1 if read else 0
        first = ends[i]
    return int(used[0])
