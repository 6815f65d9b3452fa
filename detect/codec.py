"""Readings and results as JSON values, for checkpoints."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from enum import Enum
from typing import Any, Final, get_args, get_type_hints

import numpy as np

from detect import readings, results

READING_TYPES: Final = {
    kind.__name__: kind
    for kind in (
        readings.StallVacuum,
        readings.PlantVacuum,
        readings.MilkFlow,
        readings.ArmPosition,
        readings.CowAtStall,
    )
}
RESULT_TYPES: Final = {
    kind.__name__: kind
    for kind in (
        results.AirEvent,
        results.SupportEvent,
        results.Milking,
        results.PlantEvent,
        results.ConditionEvent,
    )
}


def reading_to_json(reading: readings.Reading) -> dict[str, Any]:
    """Return a reading as a JSON value; arrays become lists."""
    return _to_json(reading)


def reading_from_json(data: dict[str, Any]) -> Any:
    """Return the reading of :func:`reading_to_json`."""
    return _from_json(READING_TYPES, data)


def result_to_json(result: results.Result) -> dict[str, Any]:
    """Return a result as a JSON value; enums become their words."""
    return _to_json(result)


def result_from_json(data: dict[str, Any]) -> Any:
    """Return the result of :func:`result_to_json`."""
    return _from_json(RESULT_TYPES, data)


def _to_json(value: Any) -> dict[str, Any]:
    data: dict[str, Any] = {"type": type(value).__name__}
    for item in fields(value):
        part = getattr(value, item.name)
        if isinstance(part, np.ndarray):
            part = part.tolist()
        elif isinstance(part, Enum):
            part = part.value
        data[item.name] = part
    return data


def _from_json(types: Mapping[str, type], data: dict[str, Any]) -> Any:
    kind = types[data["type"]]
    hints = get_type_hints(kind)
    values = {}
    for item in fields(kind):
        part, hint = data[item.name], hints[item.name]
        if isinstance(part, list):
            part = np.array(part, np.float64)
        elif part is not None and (word := _enum(hint)):
            part = word(part)
        values[item.name] = part
    return kind(**values)


def _enum(hint: Any) -> type[Enum] | None:
    """Return the enum of a field's type, also of one that may be nothing."""
    options = get_args(hint) or (hint,)
    return next((kind for kind in options if isinstance(kind, type) and issubclass(kind, Enum)), None)
