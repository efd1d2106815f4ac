"""The JSON Schema of the inspection, shipped as a file; `python -m sdrcheck.findings.schema` writes it anew."""

from __future__ import annotations

import json
from pathlib import Path

from sdrcheck.findings.inspection import SCHEMA, json_schema

PATH = Path(__file__).with_name("inspection.schema.json")


def text() -> str:
    """The schema as it should stand in the file, made from the types."""
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:{SCHEMA.replace('/', ':')}",
        "title": f"Result of an inspection, {SCHEMA}",
    }
    return json.dumps(head | json_schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    PATH.write_text(text(), encoding="utf-8")
