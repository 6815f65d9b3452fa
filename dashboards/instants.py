"""Instants as people write them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Final

from detect.errors import InputError

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def instant_ns(text: str, *, where: str) -> int:
    """Read an ISO 8601 instant; one without an offset is UTC.

    Parameters
    ----------
    text:
        Such as ``2026-03-01T05:30`` or ``2026-03-01T05:30+02:00``.
    where:
        The option that carries it, for the error.

    Returns
    -------
    int
        Nanoseconds since 1970-01-01 UTC.

    Raises
    ------
    InputError
        It is no such instant.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"'{text}' is no ISO time such as 2026-03-01T05:30", where=where) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return (moment - _EPOCH) // timedelta(microseconds=1) * 1000


def stall_list(text: str, *, where: str) -> tuple[int, ...]:
    """Read stall numbers and ranges such as ``3,17,20-24``.

    Raises
    ------
    InputError
        A part is neither a positive number nor a rising range.
    """
    stalls: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            raise InputError(f"'{part}' is no stall or range such as 3 or 20-24", where=where)
        low, high = int(first), int(last or first)
        if not 1 <= low <= high <= low + 999:
            raise InputError(f"'{part}' is no rising range of stalls", where=where)
        stalls.extend(range(low, high + 1))
    return tuple(stalls)


def day_of(text: str, *, where: str) -> date:
    """Read an ISO day, or the UTC day of an ISO instant.

    Raises
    ------
    InputError
        It is neither.
    """
    return (_EPOCH + timedelta(microseconds=instant_ns(text, where=where) // 1000)).date()
