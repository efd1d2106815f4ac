"""The visit file: one TOML document that a person writes, reads and corrects by hand.

It is read with every field known by name, and written back so that comments, order and spacing stay the user's own.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
import os
import tempfile
import tomllib
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from sdrcheck.errors import VisitError
from sdrcheck.visits.ship import SCHEMA, SetKind, Visit

FILE_NAME = "visit.toml"


def locate(path: Path) -> Path:
    """The visit file itself, from its own path or from the folder it lies in; raises VisitError without one."""
    found = path / FILE_NAME if path.is_dir() else path
    if not found.is_file():
        raise VisitError(f"no visit file at {found}; make one with: sdrcheck visit new {found.parent}")
    return found


def load(path: Path) -> Visit:
    """Read a visit file (or the one in a folder); raises VisitError in one sentence that names the field."""
    path = locate(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        raise VisitError(f"{path} cannot be read as UTF-8 text ({problem}); save it as UTF-8") from None
    return parse(text, str(path))


def parse(text: str, name: str = FILE_NAME) -> Visit:
    """Read the text of a visit file; `name` is what an error calls it."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise VisitError(f"{name} is not valid TOML: {problem}") from None
    if data.get("schema") != SCHEMA:
        raise VisitError(f'{name}: schema is {data.get("schema")!r}, expected "{SCHEMA}" as its first line')
    for place, field, known in unknown_fields(data, Visit):
        near = difflib.get_close_matches(field, known, n=1)
        meant = f"did you mean {near[0]!r}? " if near else ""
        raise VisitError(
            f"{name}: {place or 'the top level'} has no field {field!r}; {meant}known there: {', '.join(known)}"
        )
    try:
        visit = msgspec.convert(data, Visit)
    except msgspec.ValidationError as problem:
        raise VisitError(f"{name}: {_plainly(problem)}") from None
    _refuse_what_is_no_number(data, name)
    _refuse_doubles(visit, name)
    return visit


def unknown_fields(data: Any, kind: Any, place: str = "") -> Iterator[tuple[str, str, list[str]]]:
    """Yield (where, field, fields known there) for every field of `data` that the type does not have."""
    for struct, item, where in _tables(data, kind, place):
        known = {field.encode_name: field.type for field in msgspec.structs.fields(struct)}
        for name, value in item.items():
            inside = f"{where}.{name}" if where else name
            if name in known:
                yield from unknown_fields(value, known[name], inside)
            else:
                yield where, name, list(known)


def _tables(data: Any, kind: Any, place: str) -> Iterator[tuple[type[msgspec.Struct], dict[str, Any], str]]:
    origin = typing.get_origin(kind)
    if origin in (typing.Union, types.UnionType):
        for choice in typing.get_args(kind):
            yield from _tables(data, choice, place)
    elif origin is tuple and isinstance(data, list):
        for number, item in enumerate(data):
            yield from _tables(item, typing.get_args(kind)[0], f"{place}[{number}]")
    elif isinstance(kind, type) and issubclass(kind, msgspec.Struct) and isinstance(data, dict):
        yield kind, data, place


_PLAIN = {
    "Expected `float`": "Expected a number",
    "Expected `int`": "Expected a whole number",
    "Expected `str`": "Expected text in quotes",
    "Expected `array`": "Expected a list in brackets",
    "Expected `object`": "Expected a table of fields",
    "Expected `bool`": "Expected true or false",
    "Expected `datetime`": "Expected a time like 2026-05-12T08:00:00Z",
    "Expected `date`": "Expected a date like 2026-05-12",
    "Invalid RFC3339 encoded datetime": "Expected a time like 2026-05-12T08:00:00Z",
    "Invalid RFC3339 encoded date": "Expected a date like 2026-05-12",
    "Object missing required field": "the entry lacks the field",
}


def _refuse_what_is_no_number(data: Any, name: str, where: str = "") -> None:
    inside = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in inside:
        place = f"{where}.{key}" if where else str(key)
        if isinstance(value, float) and not math.isfinite(value):
            raise VisitError(f"{name}: {place} is {value}, which is no number to reckon with; write what was read")
        _refuse_what_is_no_number(value, name, place)


def _plainly(problem: msgspec.ValidationError) -> str:
    said, _, where = str(problem).partition(" - at `$")
    where = where.rstrip("`").lstrip(".")
    for technical, plain in _PLAIN.items():
        said = said.replace(technical, plain)
    return f"{where or 'the file'}: {said[0].lower()}{said[1:].replace('`', '')}"


def _refuse_doubles(visit: Visit, name: str) -> None:
    for what, ids in (
        ("sets", [radio.id for radio in visit.sets]),
        ("instruments", [instrument.id for instrument in visit.instruments]),
    ):
        for double in sorted({one for one in ids if ids.count(one) > 1}):
            raise VisitError(f"{name}: two {what} are called {double!r}; give each its own id")


def json_schema() -> dict[str, Any]:
    """JSON Schema of the visit file, made from the types."""
    return msgspec.json.schema(Visit)


def change(path: Path, field: str, value: str) -> Visit:
    """Set one field (`ship.mmsi`, `sets.vhf-1.serial`) and keep everything else of the file as the user wrote it.

    The value is taken as TOML where it reads as TOML of the right type, else as text. Nothing is written unless the
    whole file is still valid with it.
    """
    import tomlkit

    path = locate(path)
    before = path.read_text(encoding="utf-8-sig")
    parse(before, str(path))
    problem: VisitError | None = None
    for candidate in _readings_of(value):
        document = tomlkit.parse(before)
        *way, last = field.split(".")
        _step_into(document, way, field)[last] = candidate
        try:
            after = tomlkit.dumps(document)
            visit = parse(after, str(path))
        except VisitError as refused:
            problem = problem or refused
            continue
        write_whole(path, after.encode())
        return visit
    assert problem is not None
    raise problem


def _readings_of(value: str) -> list[Any]:
    try:
        return [tomllib.loads(f"value = {value}")["value"], value]
    except tomllib.TOMLDecodeError:
        return [value]


def _step_into(table: Any, way: list[str], field: str) -> Any:
    import tomlkit

    for name in way:
        if isinstance(table, list):
            found = next((item for item in table if item.get("id") == name), None)
            if found is None:
                known = ", ".join(str(item.get("id", "?")) for item in table) or "none"
                raise VisitError(f"{field}: there is no {name!r} in that list; known there: {known}")
            table = found
        else:
            if name not in table:
                table[name] = tomlkit.table()
            table = table[name]
    if isinstance(table, list) or not hasattr(table, "items"):
        raise VisitError(f"{field} does not name one field; write it like ship.mmsi or sets.vhf-1.serial")
    return table


def write_whole(path: Path, data: bytes) -> None:
    """Replace a file so that either the old or the new one is there, whatever happens in between."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as part:
            part.write(data)
            part.flush()
            os.fsync(part.fileno())
        Path(name).chmod(path.stat().st_mode & 0o777 if path.exists() else 0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def blank(ship_name: str, who: str, now: dt.datetime, kinds: tuple[SetKind, ...] = ()) -> str:
    """A new visit file to fill in, with a word on each part."""
    import tomlkit

    def quoted(text: str) -> str:
        return tomlkit.item(text).as_string()

    sets = "".join(
        _BLANK_SET.format(id=set_id, kind=quoted(kind.value), frequencies=_FREQUENCY_HINT[kind.value.startswith("MF")])
        for set_id, kind in _named(kinds)
    )
    return _BLANK.format(
        schema=SCHEMA,
        who=quoted(who),
        ship=quoted(ship_name),
        now=now.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        sets=sets,
    )


def _named(kinds: tuple[SetKind, ...]) -> Iterator[tuple[str, SetKind]]:
    stems = [kind.value.lower().replace(" dsc", "").replace("/", "").replace(" ", "-") for kind in kinds]
    for place, (stem, kind) in enumerate(zip(stems, kinds, strict=True)):
        yield f"{stem}-{stems[: place + 1].count(stem)}", kind


_FREQUENCY_HINT = {
    True: '# frequencies = ["2187.5 kHz", "8414.5 kHz"]',
    False: '# channels = ["06", "13", "16"]',
}

_BLANK_SET = """
[[sets]]
id = "{id}"
kind = {kind}
maker = ""
model = ""
serial = ""
software = ""
supplies = ["main", "reserve"]
closed_cable = false            # true once the set works into a load in a closed cable
connection = ""                 # how the dongle is connected to this set
# mmsi = "…"                    # only where it is not the ship's
{frequencies}
"""

_BLANK = """\
schema = "{schema}"
# One job aboard one ship. Fill in what you know and delete what you do not need; an unknown field is refused by name.
# Every field: sdrcheck visit schema

[job]
who = {who}
licence = ""
purpose = ""
where = ""
# latitude = 54.175             # where the ship lies, degrees, north and east positive
# longitude = 12.083
started = {now}
transmit_permission = ""        # who allowed transmitting, and what was ruled out
limit_set = "marine"            # see: sdrcheck limits

[ship]
name = {ship}
call_sign = ""
# mmsi = "…"                    # nine digits
# imo_number = "…"              # seven digits
flag = ""
sea_areas = []                  # such as ["A1", "A2"]
{sets}
# [[instruments]]
# id = "wattmeter"
# name = "through-line wattmeter"
# serial = ""
# due = 2027-01-31              # calibration

# [dongle]
# serial = ""
# gain_db = 0.0
# warm_up_minutes = 20

# [[attenuation]]               # from the set to the dongle, in order
# name = "load with sampler"
# db = 40.0
# power_w = 50.0

# [reference]                   # from: sdrcheck reference
# correction_ppm = 2.7
# uncertainty_ppm = 0.6
# method = "counter on the same carrier"
# taken = {now}

# [clock]                       # read both at the same moment
# ship_utc = {now}
# laptop_utc = {now}
"""
