"""Navigational-text stations: who should be heard where and when, each row with its source and age.

The user's own table stands before the rows that come along. Rows from memory are hints and never decide. Lists age: the
official one is Annex 7 of the GMDSS Master Plan.
"""

from __future__ import annotations

import csv
import enum
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files
from pathlib import Path

import msgspec
import platformdirs

from sdrcheck.channels.channel import Mark
from sdrcheck.errors import TableError
from sdrcheck.stations.slots import LETTERS, Slot, minutes_of, open_slot, slot_after

EARTH_RADIUS_NM = 6371.0088 / 1.852
"""Mean radius of the Earth (IUGG) in nautical miles."""

OWN_COLUMNS = (
    *("name", "letter", "frequency_khz", "country", "navarea", "latitude", "longitude"),
    *("times_utc", "range_nm", "source", "source_date", "remark"),
)
"""Columns of the user's own table; the first three must be there."""


class Basis(enum.StrEnum):
    """What a station's times rest upon."""

    OWN = "own list"
    PUBLISHED = "published"
    RULE = "by the letter"
    MEMORY = "memory"
    UNKNOWN = "no times"


@dataclass(frozen=True, slots=True)
class Station:
    """One service of one station. What is not known is None or empty."""

    name: str
    country: str
    navarea: str
    latitude: float | None
    longitude: float | None
    letter: str | None
    frequency_khz: float | None
    minutes: tuple[int, ...]
    """Published starts, in minutes of the day UTC."""
    times_kind: str
    range_nm: float | None
    source: str
    source_date: str | None
    mark: Mark
    remembered_letter: str = ""
    remembered_frequency_khz: str = ""
    remembered_navarea: str = ""
    remark: str = ""
    own: bool = False

    @property
    def basis(self) -> Basis:
        """What the times given by `starts` rest upon."""
        if self.own:
            return Basis.OWN
        if self.mark is not Mark.SEEN:
            return Basis.MEMORY
        if self.minutes:
            return Basis.PUBLISHED
        if self.letter:
            return Basis.RULE
        return Basis.MEMORY if self.remembered_letter else Basis.UNKNOWN

    @property
    def starts(self) -> tuple[int, ...]:
        """Starts in minutes of the day: published ones, else by the letter, else by the letter as remembered."""
        letter = self.letter or self.remembered_letter[:1]
        return self.minutes or (minutes_of(letter) if letter else ())

    @property
    def decides(self) -> bool:
        """Its silence in a due slot may count as evidence: only the user's own rows are taken to be certain."""
        return self.own and self.frequency_khz is not None

    @property
    def age(self) -> str:
        """When its source was written, in words."""
        if self.mark is not Mark.SEEN:
            return "from memory"
        return self.source_date or "undated"

    def next_slot(self, when_utc: datetime) -> Slot | None:
        """The slot running at `when_utc` or the next, or None where no times are known."""
        starts = self.starts
        return slot_after(when_utc, starts, by_rule=not self.minutes) if starts else None

    def distance_nm(self, latitude: float, longitude: float) -> float | None:
        """Great-circle distance in nautical miles, or None where its position is not known."""
        if self.latitude is None or self.longitude is None:
            return None
        return great_circle_nm(latitude, longitude, self.latitude, self.longitude)


def great_circle_nm(latitude_1: float, longitude_1: float, latitude_2: float, longitude_2: float) -> float:
    """Great-circle distance between two positions in degrees, on a sphere, in nautical miles."""
    north_1, north_2 = math.radians(latitude_1), math.radians(latitude_2)
    half_north, half_east = (north_2 - north_1) / 2, math.radians(longitude_2 - longitude_1) / 2
    chord = math.sin(half_north) ** 2 + math.cos(north_1) * math.cos(north_2) * math.sin(half_east) ** 2
    return 2 * EARTH_RADIUS_NM * math.asin(math.sqrt(min(chord, 1.0)))


@cache
def built_in() -> tuple[Station, ...]:
    """The rows that come along."""
    text = files("sdrcheck.stations").joinpath("navtex-stations.csv").read_text(encoding="utf-8")
    return tuple(_station(row, own=False) for row in csv.DictReader(text.splitlines()))


def every_station(table: Path | None = None) -> tuple[Station, ...]:
    """The user's own rows, where there is a table, then the rows that come along. Raises TableError."""
    return (*(read_table(table) if table else ()), *built_in())


def read_table(path: Path) -> tuple[Station, ...]:
    """Read the user's own table (CSV, see OWN_COLUMNS). Raises TableError naming line and column."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TableError(f"there is no station table {path}; give another with --table, or --forget-table") from None
    except (OSError, UnicodeDecodeError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else "it is no UTF-8 text"
        raise TableError(f"the station table {path} cannot be read ({reason}); it should be CSV in UTF-8") from None
    reader = csv.DictReader(text.splitlines(), strict=True)
    columns = reader.fieldnames or []
    unknown = [name for name in columns if name not in OWN_COLUMNS]
    missing = [name for name in OWN_COLUMNS[:3] if name not in columns]
    if unknown or missing:
        wrong = f"has no column {missing[0]!r}" if missing else f"has an unknown column {unknown[0]!r}"
        raise TableError(f"the station table {path} {wrong}; its first line may name {', '.join(OWN_COLUMNS)}")
    stations = []
    try:
        for row in reader:
            try:
                stations.append(_station(row, own=True))
            except (ValueError, TypeError) as problem:
                raise TableError(f"the station table {path}, line {reader.line_num}: {problem}") from None
    except csv.Error as problem:
        raise TableError(f"the station table {path}, line {reader.line_num}: {problem}") from None
    return tuple(stations)


def find(stations: Iterable[Station], text: str) -> tuple[Station, ...]:
    """The stations that all words of `text` fit: name, country, letter, frequency, NAVAREA."""
    words = text.casefold().split()
    return tuple(station for station in stations if all(_fits(station, word) for word in words))


def near(
    stations: Iterable[Station], latitude: float, longitude: float, *, unknown_range_nm: float = 400.0
) -> tuple[tuple[Station, float], ...]:
    """Stations within their range of a position, nearest first, with the distance in nautical miles.

    Where no range is known, `unknown_range_nm` is taken. Stations without a known position cannot be placed.
    """
    placed = ((station, station.distance_nm(latitude, longitude)) for station in stations)
    within = [
        (station, away)
        for station, away in placed
        if away is not None and away <= (station.range_nm or unknown_range_nm)
    ]
    return tuple(sorted(within, key=lambda pair: (not pair[0].own, pair[1])))


def due(stations: Iterable[Station], when_utc: datetime) -> tuple[Station, ...]:
    """Stations whose slot is running at `when_utc`, early beginners and overrunners allowed for."""
    return tuple(station for station in stations if open_slot(when_utc, station.starts, by_rule=not station.minutes))


# -- the remembered table ---------------------------------------------------------------------------------------------


class _Settings(msgspec.Struct, frozen=True):
    table: str | None = None


def _settings_path() -> Path:
    return Path(platformdirs.user_config_dir("sdrcheck")) / "stations.json"


def remembered_table() -> Path | None:
    """The user's table as remembered, or None."""
    try:
        settings = msgspec.json.decode(_settings_path().read_bytes(), type=_Settings)
    except (OSError, msgspec.DecodeError, UnicodeDecodeError):
        return None
    return Path(settings.table) if settings.table else None


def remember_table(path: Path | None) -> None:
    """Remember the user's table for the next time, or forget it. Raises TableError."""
    where = _settings_path()
    try:
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(msgspec.json.encode(_Settings(str(path.resolve()) if path else None)))
    except OSError as problem:
        raise TableError(f"which station table to use cannot be remembered in {where}: {problem.strerror}") from None


# -- rows -------------------------------------------------------------------------------------------------------------


def _station(row: Mapping[str, str | None], *, own: bool) -> Station:
    def cell(column: str) -> str:
        return (row.get(column) or "").strip()

    if None in row:
        raise ValueError("there are more cells than columns")
    name, letter = cell("name"), cell("letter").upper()
    if not name:
        raise ValueError("the station has no name")
    if letter and letter not in LETTERS:
        raise ValueError(f"letter {letter!r} is not one of A to X")
    if own and not letter and not cell("times_utc"):
        raise ValueError(f"{name} has neither a letter nor times")
    return Station(
        name=name,
        country=cell("country"),
        navarea=cell("navarea"),
        latitude=_number(cell("latitude"), "latitude", 90),
        longitude=_number(cell("longitude"), "longitude", 180),
        letter=letter or None,
        frequency_khz=_number(cell("frequency_khz"), "frequency_khz", 30_000),
        minutes=tuple(_minute(time) for time in cell("times_utc").split()),
        times_kind=cell("times_kind"),
        range_nm=_number(cell("range_nm").split("-")[0], "range_nm", 10_000),
        source=cell("source") or ("your own table" if own else ""),
        source_date=cell("source_date") or None,
        mark=Mark.SEEN if own else Mark(cell("mark")),
        remembered_letter=cell("remembered_letter"),
        remembered_frequency_khz=cell("remembered_frequency_khz"),
        remembered_navarea=cell("remembered_navarea"),
        remark=cell("remark"),
        own=own,
    )


def _number(text: str, column: str, most: float) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{column} {text!r} is no number") from None
    if not abs(value) <= most:
        raise ValueError(f"{column} {text} lies outside ±{most:g}")
    return value


def _minute(time: str) -> int:
    plain = time.replace(":", "")
    if len(plain) != 4 or not plain.isdecimal() or int(plain[:2]) > 23 or int(plain[2:]) > 59:
        raise ValueError(f"time {time!r} is not HHMM")
    return int(plain[:2]) * 60 + int(plain[2:])


def _fits(station: Station, word: str) -> bool:
    if len(word) == 1:
        return word == (station.letter or station.remembered_letter[:1]).casefold()
    frequency = f"{station.frequency_khz:g}" if station.frequency_khz else station.remembered_frequency_khz
    area = station.navarea or station.remembered_navarea
    return word in f"{station.name} {station.country} {frequency}".casefold() or word == area.casefold()
