"""ICAR Animal Data Exchange resources become test days and cases."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest

from detect.errors import InputError
from store.health.ade_file import parse_ade
from store.health.records import HealthFile

COW = {"scheme": "eu.animalId", "id": "276000312312345"}


def result(value: str = "215", **changes: Any) -> dict[str, Any]:
    return {
        "resourceType": "icarTestDayResultEventResource",
        "id": "1",
        "meta": {"source": "lab", "sourceId": "7", "modified": "2026-03-02T08:00:00Z"},
        "eventDateTime": "2026-03-01T05:30:00Z",
        "animal": COW,
        "milkWeight24Hours": {"unitCode": "KGM", "value": 31.5},
        "milkCharacteristics": [
            {"characteristic": "FAT", "value": "4.1"},
            {"characteristic": "SCC", "value": value},
        ],
    } | changes


def parse(*resources: Any) -> HealthFile:
    return parse_ade(
        json.dumps({"view": {"totalItems": len(resources)}, "member": list(resources)}), where="x"
    )


@pytest.mark.source("ICAR Animal Data Exchange 1.3, icarTestDayResultEventResource: SCC in thousands per mL")
def test_a_test_day_result_is_in_thousands() -> None:
    """The text 215 is 215 000 cells/mL; the yield comes along."""
    (fact,) = parse(result()).facts
    assert fact.row == ("276000312312345", date(2026, 3, 1), 215_000, None, None, 31.5, None)


def test_a_unit_is_honoured_and_an_unknown_one_refused() -> None:
    """Cells per mL are taken as they are; what nobody knows is not guessed."""
    plain = [{"characteristic": "SCC", "value": "215000", "unit": "cells/mL"}]
    odd = [{"characteristic": "SCC", "value": "215", "unit": "bushels"}]
    file = parse(result(milkCharacteristics=plain), result(milkCharacteristics=odd))
    assert [fact.row[2] for fact in file.facts] == [215_000]
    assert "bushels" in file.refused[0].reason


def test_lactations_give_parity_and_days_in_milk() -> None:
    """The lactation that had begun by the test day counts, not a later one."""
    lactations = [
        {"resourceType": "icarLactationResource", "animal": COW, "beginDate": begin, "parity": parity}
        for begin, parity in (("2025-01-01", 1), ("2026-01-20", 2), ("2027-02-01", 3))
    ]
    (fact,) = parse(*lactations, result()).facts
    assert fact.row[3:5] == (2, 40)


def test_a_diagnosis_of_mastitis_is_a_case_a_quarter() -> None:
    """Named quarters are one case each; another disease is none."""
    diagnosis = {
        "resourceType": "icarDiagnosisEventResource",
        "eventDateTime": "2026-03-05T09:00:00Z",
        "animal": COW,
        "diagnoses": [
            {
                "name": "Clinical mastitis",
                "severity": "Severe",
                "positions": [{"position": "UdderFrontLeft"}],
            },
            {"name": "Lameness", "positions": []},
        ],
    }
    (fact,) = parse(diagnosis).facts
    assert fact.row == ("276000312312345", date(2026, 3, 5), "lf", None, "Severe")


def test_bad_resources_are_refused_with_their_reason() -> None:
    """No cow, no date, no number, another shape: each is named, the good one kept."""
    bad = [
        result(animal=None),
        result(eventDateTime="yesterday"),
        result("n/a"),
        result(milkCharacteristics="SCC"),
        {"id": "no type"},
        "text",
    ]
    file = parse(*bad, result())
    assert len(file.facts) == 1
    assert len(file.refused) == 6


def test_deleted_records_are_withdrawn_and_lines_are_read_too() -> None:
    """A deleted record is told apart; one resource a line is a file as well, a broken line costs itself."""
    gone = result() | {"meta": {"isDeleted": True}}
    text = "\n".join([json.dumps(gone), "{broken", json.dumps(result())])
    file = parse_ade(text, where="x")
    assert (len(file.withdrawn), len(file.facts), len(file.refused)) == (1, 1, 1)


def test_what_is_no_json_is_an_error_of_the_file() -> None:
    """Nothing readable at all ends the import."""
    with pytest.raises(InputError, match="no JSON"):
        parse_ade("{broken", where="x")
