"""The visit file refuses what it does not know, by name, and keeps what the user wrote."""

import datetime as dt
import json
import re
import tomllib
from pathlib import Path

import jsonschema
import msgspec
import pytest

from sdrcheck.errors import VisitError
from sdrcheck.visits import document
from sdrcheck.visits.ship import SetKind
from tests.visits import made


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('call_sign = "XX0TEST"', 'callsign = "XX0TEST"', "ship has no field 'callsign'; did you mean 'call_sign'?"),
        ("[job]", "[jobb]", "the top level has no field 'jobb'; did you mean 'job'?"),
        ('maker = "invented"', 'makr = "invented"', "sets[0] has no field 'makr'; did you mean 'maker'?"),
        ("db = 30.0", 'db = "30"', "attenuation[1].db"),
        ("db = 30.0", "db = -30.0", "attenuation[1].db"),
        ('kind = "NAVTEX"', 'kind = "NAVTEXX"', "sets[3].kind"),
        ('id = "vhf-2"', 'id = "vhf-1"', "two sets are called 'vhf-1'"),
        ('id = "vhf-2"', 'id = "../vhf"', "sets[1].id"),
        ('"sdrcheck.visit/1"', '"sdrcheck.visit/9"', "schema is 'sdrcheck.visit/9'"),
        ("08:05:02Z", "08:05:02", "clock.laptop_utc"),
        ("[ship]", "[ship", "is not valid TOML"),
        ("latitude = 54.175", "latitude = 94.175", "job.latitude"),
    ],
)
def test_a_bad_field_is_named_in_one_sentence(old: str, new: str, said: str) -> None:
    with pytest.raises(VisitError) as refused:
        document.parse(made.VISIT.replace(old, new), "visit.toml")
    assert said in str(refused.value)
    assert str(refused.value).startswith("visit.toml")
    assert "\n" not in str(refused.value)
    assert "`" not in str(refused.value)


def test_an_unknown_field_lists_the_known_ones() -> None:
    with pytest.raises(VisitError, match=r"known there: name, db, uncertainty_db, power_w, due"):
        document.parse(made.VISIT.replace('name = "pad"', 'title = "pad"'))


def test_a_change_keeps_every_other_character(tmp_path: Path) -> None:
    folder = made.folder_with_visit(tmp_path / "visit")
    document.change(folder, "sets.vhf-1.serial", "0042")
    document.change(folder, "ship.gross_tonnage", "499")
    after = (folder / "visit.toml").read_text(encoding="utf-8")
    visit = document.load(folder)
    assert visit.sets[0].serial == "0042"  # text stays text, whatever it looks like
    assert visit.ship.gross_tonnage == 499
    added = [line for line in after.splitlines() if line not in made.VISIT.splitlines()]
    assert sorted(added) == ["gross_tonnage = 499", 'serial = "0042"']
    assert all(line in after.splitlines() for line in made.VISIT.splitlines())


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("ship.nonsense", "1", "has no field 'nonsense'"),
        ("sets.vhf-9.serial", "1", "there is no 'vhf-9' in that list; known there: vhf-1, vhf-2, mf-1, navtex-1"),
        ("sets", "1", "sets"),
        ("job.latitude", "north", "job.latitude"),
    ],
)
def test_a_refused_change_leaves_the_file_alone(tmp_path: Path, field: str, value: str, said: str) -> None:
    folder = made.folder_with_visit(tmp_path / "visit")
    with pytest.raises(VisitError) as refused:
        document.change(folder, field, value)
    assert said in str(refused.value)
    assert (folder / "visit.toml").read_text(encoding="utf-8") == made.VISIT


def test_the_shipped_schema_accepts_what_is_read_and_refuses_what_is_not() -> None:
    """The schema is checked by a general library that knows nothing of ours."""
    schema = document.json_schema()
    plain = msgspec.json.decode(msgspec.json.encode(document.parse(made.VISIT)))
    jsonschema.validate(plain, schema)
    plain["ship"]["callsign"] = "x"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(plain, schema)


def test_a_blank_file_is_valid_whatever_the_names_hold(tmp_path: Path) -> None:
    nasty = 'EVIL"\n[ship]\nname = "other'
    text = document.blank(nasty, 'who "quoted" \\ #', dt.datetime(2026, 3, 2, tzinfo=dt.UTC), tuple(SetKind))
    visit = document.parse(text)
    assert visit.ship.name == nasty
    assert visit.job.who == 'who "quoted" \\ #'
    assert {radio.kind for radio in visit.sets} == set(SetKind)
    assert len({radio.id for radio in visit.sets}) == len(SetKind)
    assert tomllib.loads(text)["job"]["limit_set"] == "marine"


def test_no_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="sdrcheck visit new"):
        document.load(tmp_path)


def test_the_schema_file_beside_the_code_is_that_of_the_types() -> None:
    """Made anew with: sdrcheck visit schema > sdrcheck/visits/visit.schema.json"""
    shipped = Path(document.__file__).with_name("visit.schema.json").read_text(encoding="utf-8")
    assert json.loads(shipped) == json.loads(json.dumps(document.json_schema()))


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (
            "[reference]\ncorrection_ppm = nan\nuncertainty_ppm = 0.6\n",
            "correction_ppm is nan, which is no number",
        ),
        ("[reference]\ncorrection_ppm = 'x'\nuncertainty_ppm = 0.6\n", "expected a number"),
        ("[reference]\ncorrection_ppm = 1.0\n", "lacks the field uncertainty_ppm"),
        ("[clock]\nship_utc = 'noon'\n", "expected a time like 2026-05-12T08:00:00Z"),
    ],
)
def test_wrong_values_are_told_in_plain_words(lines: str, said: str) -> None:
    with pytest.raises(VisitError, match=re.escape(said)):
        document.parse(f'schema = "{document.SCHEMA}"\n[job]\nwho = "N. N."\n[ship]\nname = "X"\n' + lines)
