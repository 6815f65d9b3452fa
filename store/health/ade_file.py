"""Health records as ICAR Animal Data Exchange JSON: test-day results, diagnoses, lactations.

A file holds one resource, a list, a collection with ``member``, or one resource a line. What is no
record of udder health is passed over; a resource that should be one and cannot be read is refused.

References
----------
.. [1] ICAR Animal Data Exchange, schemas of version 1.3 (Apache-2.0; field names seen).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any, Final

from detect.errors import InputError
from store.engine import Row
from store.health.cow_id import cow_key, tidy_cow
from store.health.records import (
    HIGHEST_SCC,
    Beside,
    Fact,
    HealthFile,
    Refusal,
    clinical_case,
    read_count,
    read_day,
    read_number,
    test_day,
)
from store.schema import CLINICAL_CASE, TEST_DAY

_TEST_DAY: Final = "icarTestDayResultEventResource"
_DIAGNOSIS: Final = "icarDiagnosisEventResource"
_LACTATION: Final = "icarLactationResource"
_PLAIN_UNITS: Final = ("cells/ml", "1/ml", "/ml")
_THOUSANDS: Final = ("", "1000/ml", "1000 cells/ml", "k/ml", "10*3/ml")
_QUARTER_OF: Final = {
    "udderfrontleft": "lf",
    "udderfrontright": "rf",
    "udderbackleft": "lr",
    "udderbackright": "rr",
    "udderrearleft": "lr",
    "udderrearright": "rr",
}

Resource = Mapping[str, Any]
"""One resource of the exchange."""
Lactations = dict[str, list[tuple[date, int | None]]]
"""Start and parity of each cow's lactations, by the key of the cow."""


def parse_ade(text: str, *, where: str) -> HealthFile:
    """Return what the resources of a JSON file say; ``line`` counts resources where it is one document.

    Parameters
    ----------
    text:
        The file's content.
    where:
        The file's name, for errors.

    Raises
    ------
    InputError
        When it is no JSON at all.
    """
    file = HealthFile()
    resources = list(_resources(text, file, where))
    lactations = _lactations(resources)
    for number, resource in resources:
        try:
            facts = [Fact(*made, number) for made in _facts(resource, lactations)]
        except (ValueError, TypeError, AttributeError, KeyError) as error:
            file.refused.append(Refusal(number, _why(error)))
            continue
        deleted = bool(_mapping(resource.get("meta")).get("isDeleted"))
        (file.withdrawn if deleted else file.facts).extend(facts)
    return file


def _resources(text: str, file: HealthFile, where: str) -> Iterator[tuple[int, Resource]]:
    """Yield each resource with its number, refusing what is no object."""
    try:
        documents = [(1, json.loads(text))]
    except json.JSONDecodeError:
        documents = list(_lines(text, file))
        if not documents:
            raise InputError("is no JSON", where=where) from None
    for number, document in documents:
        members = document.get("member", [document]) if isinstance(document, dict) else document
        if not isinstance(members, list):
            file.refused.append(Refusal(number, "is no resource"))
            continue
        for place, member in enumerate(members, start=number):
            if isinstance(member, dict):
                yield place, member
            else:
                file.refused.append(Refusal(place, "is no resource"))


def _lines(text: str, file: HealthFile) -> Iterator[tuple[int, Any]]:
    """Yield the documents of a file with one a line, refusing lines that are none."""
    refused = []
    found = 0
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        try:
            document = json.loads(line)
        except json.JSONDecodeError:
            refused.append(Refusal(number, "is no JSON"))
            continue
        found += 1
        yield number, document
    if found:
        file.refused.extend(refused)


def _facts(resource: Resource, lactations: Lactations) -> Iterator[tuple[Any, Row]]:
    """Yield the table and row of each fact a resource holds."""
    kind = resource.get("resourceType")
    if kind == _TEST_DAY:
        cow, day = _cow(resource), _day(resource)
        for characteristic in resource.get("milkCharacteristics") or []:
            if str(characteristic.get("characteristic", "")).upper() == "SCC":
                beside = _beside(resource, lactations, cow, day)
                yield TEST_DAY, test_day(cow, day, _scc(characteristic), beside)
    elif kind == _DIAGNOSIS:
        cow, day = _cow(resource), _day(resource)
        for diagnosis in resource.get("diagnoses") or []:
            if "mastitis" in str(diagnosis.get("name", "")).lower():
                severity = diagnosis.get("severity")
                for quarter in _quarters(diagnosis):
                    told = (None, None if severity is None else str(severity))
                    yield CLINICAL_CASE, clinical_case(cow, day, quarter, told)
    elif kind is None:
        raise ValueError("resourceType is missing")


def _cow(resource: Resource) -> str:
    """Return the cow of an animal event."""
    identifier = _mapping(resource.get("animal")).get("id")
    if not isinstance(identifier, str):
        raise ValueError("animal.id is missing")  # noqa: TRY004 - a fault of the data, like the others
    return tidy_cow(identifier)


def _day(resource: Resource) -> date:
    """Return the day of an event."""
    return read_day(str(resource.get("eventDateTime", "")))


def _scc(characteristic: Resource) -> int:
    """Return a cell count [cells/mL]; ICAR's unit is a thousand cells unless the record says otherwise."""
    unit = str(characteristic.get("unit") or "").strip().lower()
    if unit not in (*_PLAIN_UNITS, *_THOUSANDS):
        raise ValueError(f"unit {unit} of SCC is unknown")
    scale = 1.0 if unit in _PLAIN_UNITS else 1000.0
    number = read_number("SCC", str(characteristic.get("value", "")), low=0, high=HIGHEST_SCC / scale)
    return round(scale * number)


def _beside(resource: Resource, lactations: Lactations, cow: str, day: date) -> Beside:
    """Return yield, parity and days in milk of a test day where they are known."""
    weight = _mapping(resource.get("milkWeight24Hours")).get("value")
    milk_kg = None if weight is None else read_number("milkWeight24Hours", str(weight), low=0, high=150)
    begun = [each for each in lactations.get(cow_key(cow), []) if each[0] <= day]
    if not begun:
        return Beside(milk_kg=milk_kg)
    start, parity = max(begun, key=lambda each: each[0])
    return Beside(parity=parity, dim=(day - start).days, milk_kg=milk_kg)


def _lactations(resources: list[tuple[int, Resource]]) -> Lactations:
    """Return when each cow's lactations began; an unreadable one is met again and refused there."""
    found: Lactations = {}
    for _, resource in resources:
        if resource.get("resourceType") != _LACTATION:
            continue
        try:
            parity = resource.get("parity")
            count = None if parity is None else read_count("parity", str(parity), low=0, high=20)
            start = read_day(str(resource.get("beginDate", "")))
            found.setdefault(cow_key(_cow(resource)), []).append((start, count))
        except ValueError:
            continue
    return found


def _quarters(diagnosis: Resource) -> list[str | None]:
    """Return the quarters a diagnosis names, or None once when it names none."""
    words = [str(_mapping(p).get("position", p)).lower() for p in diagnosis.get("positions") or []]
    return [_QUARTER_OF.get(word) for word in words] or [None]


def _mapping(value: Any) -> Resource:
    """Return a JSON object, an empty one for anything else."""
    return value if isinstance(value, dict) else {}


def _why(error: Exception) -> str:
    """Return the reason of a refusal."""
    return str(error) if isinstance(error, ValueError) else "has another shape than its type"
