"""Slots against the published schedule and the sourced station rows; the user's own table; distances."""

from __future__ import annotations

import csv
import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from sdrcheck.channels.channel import Mark
from sdrcheck.cli.stations import command
from sdrcheck.errors import TableError
from sdrcheck.stations.slots import clock_text, letter_at, minutes_of, open_slot, slot_after
from sdrcheck.stations.stations import (
    Basis,
    Station,
    built_in,
    due,
    every_station,
    find,
    great_circle_nm,
    near,
    read_table,
    remember_table,
    remembered_table,
)

PUBLISHED = Path(__file__).parent.parent / "published" / "navtex-slots.csv"


def published() -> list[dict[str, str]]:
    lines = PUBLISHED.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def at(clock: str, day: int = 1) -> datetime:
    return datetime(2026, 3, day, int(clock[:2]), int(clock[2:]), tzinfo=UTC)


@pytest.mark.parametrize("row", published(), ids=lambda row: row["letter"])
def test_slots_of_each_letter(row: dict[str, str]) -> None:
    first = int(row["first"][:2]) * 60 + int(row["first"][2:])
    assert minutes_of(row["letter"]) == tuple(first + 240 * n for n in range(6))
    assert letter_at(at(row["first"])) == row["letter"]
    assert letter_at(at(row["first"]) + timedelta(hours=16, minutes=9)) == row["letter"]


SOURCED = [s for s in built_in() if s.mark is Mark.SEEN and s.letter and s.minutes]
MISMATCHES = {("Oostende", "V"), ("Haifa", "P")}  # documented: their sources print a letter in another letter's slot


@pytest.mark.parametrize("station", SOURCED, ids=lambda s: f"{s.name} {s.letter} {s.frequency_khz:g}")
def test_sourced_rows_fit_the_rule(station: Station) -> None:
    """Rows seen in a source with both letter and times: all but the two documented mismatches keep the rule."""
    assert station.letter is not None
    fits = set(station.minutes) <= set(minutes_of(station.letter))
    assert fits is ((station.name, station.letter) not in MISMATCHES)
    slot = station.next_slot(at("0000"))
    assert slot is not None
    assert not slot.by_rule
    assert slot.start.hour * 60 + slot.start.minute == min(station.minutes)


def test_the_sourced_rows_are_all_there() -> None:
    stations = built_in()
    assert len(stations) == 167
    assert sum(station.mark is Mark.SEEN for station in stations) == 96
    assert len(SOURCED) == 57
    assert all(station.source for station in stations)


def test_published_times_stand_before_the_rule() -> None:
    (haifa,) = find(built_in(), "Haifa")
    assert [clock_text(minute) for minute in haifa.starts][:2] == ["0020", "0420"]
    assert haifa.basis is Basis.PUBLISHED


def test_memory_never_decides() -> None:
    remembered = [s for s in built_in() if s.mark is not Mark.SEEN]
    assert remembered
    assert all(s.basis is Basis.MEMORY and s.letter is None and not s.decides for s in remembered)
    assert not any(s.decides for s in built_in())  # undated lists are no certainty either


@pytest.mark.parametrize(
    ("clock", "expected", "minutes_to_go"),
    [("0039", "0040", 1), ("0040", "0040", 0), ("0049", "0040", -9), ("0050", "0440", 230), ("2051", "0040", 229)],
)
def test_next_slot_counts_down(clock: str, expected: str, minutes_to_go: int) -> None:
    slot = slot_after(at(clock), minutes_of("E"), by_rule=True)
    assert slot.start.strftime("%H%M") == expected
    assert slot.start - at(clock) == timedelta(minutes=minutes_to_go)


@pytest.mark.parametrize(("clock", "inside"), [("0034", False), ("0035", True), ("0059", True), ("0100", False)])
def test_a_slot_allows_for_early_beginners_and_overrunners(clock: str, inside: bool) -> None:
    """−5 and +10 minutes: reception logs show stations that far from their time."""
    assert (open_slot(at(clock), minutes_of("E"), by_rule=True) is not None) is inside


def test_who_is_due() -> None:
    names = {(s.name, s.letter) for s in due(built_in(), at("0045"))}
    assert ("Niton", "E") in names
    assert ("Valentia", "W") not in names
    assert due(built_in(), at("0003")) != ()  # slots before midnight overrun into the day


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [  # an arc of one degree of a great circle of the mean sphere is 60.04 NM; a quarter circle 90 of them
        ((0, 0), (0, 1), 60.04),
        ((0, 0), (0, 90), 5403.6),
        ((90, 0), (0, 123), 5403.6),
        ((10, 179.5), (10, -179.5), 59.13),
        ((54, 8), (54, 8), 0.0),
    ],
)
def test_great_circle(one: tuple[float, float], other: tuple[float, float], expected: float) -> None:
    assert great_circle_nm(*one, *other) == pytest.approx(expected, abs=0.06)


def test_near_takes_the_station_s_own_range() -> None:
    found = near(built_in(), 54.17, 7.9)
    assert [name for name in (s.name for s, _ in found) if name == "Valentia"] == []
    distances = [away for _, away in found]
    assert distances == sorted(distances)
    assert all(away <= (station.range_nm or 400) for station, away in found)


OWN = "name,letter,frequency_khz,latitude,longitude,range_nm,source_date\nTestinghaven,Q,518,54.2,7.8,200,2026-02-01\n"


def test_own_table_comes_first_and_is_remembered(tmp_path: Path) -> None:
    table = tmp_path / "mine.csv"
    table.write_text(OWN, encoding="utf-8")
    runner = CliRunner()
    document = json.loads(
        runner.invoke(command, ["--near", "54.17,7.9", "--at", "0235", "--table", str(table), "--json"]).output
    )
    first = document["stations"][0]
    assert (first["name"], first["own"], first["decides"], first["basis"]) == ("Testinghaven", True, True, "own list")
    assert first["seconds_to_slot"] == 300
    assert remembered_table() == table
    again = runner.invoke(command, ["Testinghaven"])
    assert "Testinghaven" in again.output
    assert "2026-02-01" in again.output
    runner.invoke(command, ["--forget-table"])
    assert remembered_table() is None


def test_settings_that_are_no_text_are_none() -> None:
    remember_table(Path("mine.csv"))
    where = Path(os.environ["XDG_CONFIG_HOME"]) / "sdrcheck" / "stations.json"
    where.write_bytes(where.read_bytes().replace(b"mine", b"\xff"))
    assert remembered_table() is None


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("name,letter\nX,A\n", "has no column 'frequency_khz'"),
        ("name,letter,frequency_khz,colour\n", "unknown column 'colour'"),
        ("name,letter,frequency_khz\nX,Z,518\n", "line 2: letter 'Z'"),
        ("name,letter,frequency_khz\nX,A,fast\n", "line 2: frequency_khz 'fast' is no number"),
        ("name,letter,frequency_khz\n,A,518\n", "line 2: the station has no name"),
        ("name,letter,frequency_khz,latitude\nX,A,518,91\n", "line 2: latitude 91 lies outside"),
        ("name,letter,frequency_khz,times_utc\nX,,518,2460\n", "time '2460' is not HHMM"),
        ("name,letter,frequency_khz\nX,,518\n", "neither a letter nor times"),
        ("name,letter,frequency_khz\nX,A,518,1,2\n", "more cells than columns"),
        ("name,letter,frequency_khz,latitude\nX,A,518,nan\n", "lies outside"),
    ],
)
def test_bad_tables_get_one_sentence(tmp_path: Path, text: str, complaint: str) -> None:
    table = tmp_path / "mine.csv"
    table.write_text(text, encoding="utf-8")
    with pytest.raises(TableError) as raised:
        read_table(table)
    assert complaint in str(raised.value)
    assert "\n" not in str(raised.value)


def test_absent_or_foreign_files_get_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="there is no station table"):
        every_station(tmp_path / "absent.csv")
    binary = tmp_path / "binary.csv"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(TableError, match="CSV in UTF-8"):
        every_station(binary)


def test_command_shows_source_age_and_memory() -> None:
    runner = CliRunner()
    shown = runner.invoke(command, ["XV", "--at", "2026-03-01T12:34Z"]).output
    assert "from memory" in shown
    assert "(A)" in shown
    assert "1600 in 3:26 " in shown
    sailor = runner.invoke(command, ["--near", "54 10N 007 54E", "--at", "12:34"])
    assert "Pinneberg" in sailor.output
    assert "undated" in sailor.output
    assert all(len(line) <= 80 for line in sailor.output.splitlines())
    every = runner.invoke(command, ["--at", "12:34"]).output.splitlines()
    assert all(len(line) <= 80 for line in every)
    assert any(line.startswith("Prince Rupert,") for line in every)  # no name is broken in the middle of a word
    assert any(line.endswith("from memory ") for line in every)
    assert runner.invoke(command, ["--near", "somewhere"]).exit_code == 2
    assert runner.invoke(command, ["--live", "--at", "12:34"]).exit_code == 2
    assert runner.invoke(command, ["--at", "25:00"]).exit_code == 2
    assert "No station" in runner.invoke(command, ["atlantis"]).output
