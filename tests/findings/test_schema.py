"""The published JSON Schema is current, and documents are held against it by a general validator."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import msgspec
import pytest

from sdrcheck.findings import schema
from sdrcheck.findings.inspection import Inspection
from tests.findings.sample import SAMPLE


def validator() -> jsonschema.Draft202012Validator:
    published = json.loads(schema.PATH.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(published)
    return jsonschema.Draft202012Validator(published)


def test_the_published_schema_is_current() -> None:
    """If this fails: python -m sdrcheck.findings.schema."""
    assert schema.PATH.read_text(encoding="utf-8") == schema.text()


def test_a_document_validates() -> None:
    validator().validate(json.loads(SAMPLE.to_json()))
    assert Inspection.from_json(SAMPLE.to_json()) == SAMPLE


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("recording", "sample_rate_hz"), "fast"),
        (("transmissions", 0, "kind"), "song"),
        (("transmissions", 0, "readings", 0, "value"), None),
        (("transmissions", 1, "calls", 0, "error_check"), "perhaps"),
        (("relations", 0, "between"), "1 and 2"),
    ],
)
def test_a_broken_document_does_not(place: tuple[Any, ...], value: Any) -> None:
    document = json.loads(SAMPLE.to_json())
    inner = document
    for step in place[:-1]:
        inner = inner[step]
    assert place[-1] in inner or isinstance(place[-1], int)
    inner[place[-1]] = value
    assert not validator().is_valid(document)


@pytest.mark.parametrize("spoilt", [b"", SAMPLE.to_json()[:-9], SAMPLE.to_json().replace(b"DSC call", b"\xff\xfe")])
def test_a_damaged_document_is_no_inspection(spoilt: bytes) -> None:
    with pytest.raises(msgspec.DecodeError):
        Inspection.from_json(spoilt)


def test_a_missing_field_does_not_validate() -> None:
    document = json.loads(SAMPLE.to_json())
    del document["reference"]["correction_ppm"]
    assert not validator().is_valid(document)
