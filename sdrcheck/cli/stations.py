"""`sdrcheck stations`: which navigational-text station should be heard here, and when."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from sdrcheck.stations.slots import Slot, clock_text, letter_at
from sdrcheck.stations.stations import (
    Basis,
    Station,
    every_station,
    find,
    near,
    remember_table,
    remembered_table,
)


class Position(click.ParamType[tuple[float, float]]):
    """`54.17,12.08`, `54 10N 012 05E`: latitude and longitude."""

    name = "LAT,LON"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        plain = re.fullmatch(r"\s*([+-]?\d+(?:\.\d+)?)\s*[, ]\s*([+-]?\d+(?:\.\d+)?)\s*", value)
        part = r"(\d+)(?:[ °-]\s*(\d+(?:\.\d+)?)?)?['’]?\s*"
        sailor = re.fullmatch(rf"\s*{part}([NS])[, ]*{part}([EW])\s*", value, re.IGNORECASE)
        if plain:
            latitude, longitude = float(plain[1]), float(plain[2])
        elif sailor:
            if float(sailor[2] or 0) >= 60 or float(sailor[5] or 0) >= 60:
                self.fail(f"{value!r}: minutes go from 0 to less than 60", param, ctx)
            latitude = (int(sailor[1]) + float(sailor[2] or 0) / 60) * (-1 if sailor[3] in "sS" else 1)
            longitude = (int(sailor[4]) + float(sailor[5] or 0) / 60) * (-1 if sailor[6] in "wW" else 1)
        else:
            self.fail(f"{value!r} is no position; write it like 54.17,12.08 or “54 10N 012 05E”", param, ctx)
        if not (abs(latitude) <= 90 and abs(longitude) <= 180):
            self.fail(f"{value!r}: latitude lies within ±90 and longitude within ±180", param, ctx)
        return latitude, longitude


class UtcTime(click.ParamType[datetime]):
    """`2026-03-01T12:34Z`, `12:34` or `1234` (today); always UTC."""

    name = "UTC"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        if isinstance(value, datetime):
            return value
        clock = re.fullmatch(r"\s*([01]\d|2[0-3]):?([0-5]\d)\s*Z?\s*", value, re.IGNORECASE)
        if clock:
            return datetime.now(UTC).replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
        try:
            when = datetime.fromisoformat(value.strip())
        except ValueError:
            self.fail(f"{value!r} is no time; write it like 12:34 or 2026-03-01T12:34Z", param, ctx)
        return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


@click.command("stations")
@click.argument("search", nargs=-1)
@click.option("--near", "place", type=Position(), help="Only stations in range of a position, with the distance.")
@click.option("--at", "when", type=UtcTime(), help="For another time than now.")
@click.option("--table", type=click.Path(path_type=Path, dir_okay=False), help="Your own list (CSV); it is remembered.")
@click.option("--forget-table", is_flag=True, help="Use only the rows that come along from now on.")
@click.option("--live", is_flag=True, help="Count down on the terminal until stopped with Ctrl-C.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    search: tuple[str, ...],
    place: tuple[float, float] | None,
    when: datetime | None,
    table: Path | None,
    forget_table: bool,
    live: bool,
    as_json: bool,
) -> None:
    """Show navigational-text stations that SEARCH fits: a name, country, letter, frequency or NAVAREA.

    Your own list comes first. Its columns: name, letter, frequency_khz; may have country, navarea, latitude, longitude,
    times_utc (0040 0440 …), range_nm, source, source_date, remark.
    """
    if live and (when is not None or as_json):
        raise click.UsageError("--live counts down from now on the terminal; leave out --at and --json")
    stations = find(every_station(_table(table, forget_table)), " ".join(search))
    found = _placed(stations, place)
    now = when or datetime.now(UTC)
    if as_json:
        _print_json(found, now)
    elif live:
        _count_down(found)
    else:
        _print_text(found, now, sum(s.latitude is None for s in stations) if place else 0)


def _table(given: Path | None, forget: bool) -> Path | None:
    if forget:
        remember_table(None)
        return None
    if given is not None:
        every_station(given)  # only a table that can be read is remembered
        remember_table(given)
        return given
    return remembered_table()


Row = tuple[Station, float | None]


def _placed(stations: tuple[Station, ...], place: tuple[float, float] | None) -> tuple[Row, ...]:
    return near(stations, *place) if place else tuple((station, None) for station in stations)


def _in_order(found: tuple[Row, ...], now: datetime) -> list[tuple[Station, float | None, Slot | None]]:
    rows = [(station, away, station.next_slot(now)) for station, away in found]
    never = datetime.max.replace(tzinfo=UTC)
    return sorted(rows, key=lambda row: (not row[0].own, row[2].start if row[2] else never))


def _print_json(found: tuple[Row, ...], now: datetime) -> None:
    import msgspec

    rows = [
        {
            "name": station.name,
            "country": station.country,
            "navarea": station.navarea or None,
            "latitude": station.latitude,
            "longitude": station.longitude,
            "letter": station.letter,
            "frequency_khz": station.frequency_khz,
            "times_utc": [clock_text(minute) for minute in station.minutes],
            "times_kind": station.times_kind or None,
            "next_slot_utc": slot.start if slot else None,
            "seconds_to_slot": max((slot.start - now).total_seconds(), 0.0) if slot else None,
            "distance_nm": away,
            "range_nm": station.range_nm,
            "basis": station.basis,
            "decides": station.decides,
            "source": station.source,
            "source_date": station.source_date,
            "mark": station.mark,
            "own": station.own,
            "remembered": {
                "letter": station.remembered_letter or None,
                "frequency_khz": station.remembered_frequency_khz or None,
                "navarea": station.remembered_navarea or None,
            },
            "remark": station.remark or None,
        }
        for station, away, slot in _in_order(found, now)
    ]
    document = {"schema": "sdrcheck.stations/1", "at_utc": now, "stations": rows}
    click.echo(msgspec.json.format(msgspec.json.encode(document), indent=2))


def _print_text(found: tuple[Row, ...], now: datetime, unplaced: int) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    if not found:
        console.print("No station of the list fits.")
    else:
        table, sources = _rendered(found, now)
        console.print(f"At {now:%Y-%m-%d %H:%M} UTC, the slot of letter {letter_at(now)} by the rule.")
        console.print(table)
        console.print()
        for number, source in enumerate(sources, 1):
            console.print(Text(f"[{number}] {source}"))
    if unplaced:
        console.print(f"{unplaced} stations without a known position are left out; search for them by name.")
    console.print(
        "Lists age, and many stations use a slot only when there is traffic: silence proves nothing unless a due "
        "station was certain, and only your own list (--table) is taken to be. Rows from memory are hints."
    )


def _rendered(found: tuple[Row, ...], now: datetime, *, live: bool = False) -> tuple[Any, list[str]]:
    """The table, and its sources in the order of their numbers; a live one counts seconds and names no sources."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    with_distance = any(away is not None for _, away in found)
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, padding=(0, 1, 0, 0))
    table.add_column("station", overflow="fold", min_width=14)
    table.add_column("", max_width=6)
    table.add_column("kHz", justify="right", max_width=7)
    table.add_column("next slot", no_wrap=True)
    if with_distance:
        table.add_column("NM", justify="right", no_wrap=True)
    table.add_column("times are", min_width=9)
    table.add_column("source", no_wrap=True)
    sources: dict[str, int] = {}
    for station, away, slot in _in_order(found, now):
        number = sources.setdefault(station.source, len(sources) + 1)
        frequency = f"{station.frequency_khz:g}" if station.frequency_khz else station.remembered_frequency_khz
        basis = station.basis.value
        if station.basis is Basis.PUBLISHED and station.times_kind not in ("", "all slots"):
            basis = station.times_kind
        name = f"{station.name}, {station.country}" if station.country and not with_distance else station.name
        cells: list[str | Text] = [
            Text(name),
            station.letter or (f"({station.remembered_letter})" if station.remembered_letter else "?"),
            frequency if station.frequency_khz else f"({frequency})" if frequency else "?",
            _slot_text(slot, now, seconds=live),
        ]
        if with_distance:
            reach = f" of {station.range_nm:.0f}" if station.range_nm else ""
            cells.append(f"{away:.0f}{reach}" if away is not None else "")
        table.add_row(*cells, basis, Text(station.age if live else f"[{number}] {station.age}"))
    return table, list(sources)


def _slot_text(slot: Slot | None, now: datetime, *, seconds: bool) -> str:
    if slot is None:
        return "not known"
    if slot.start <= now:
        return f"{slot.start:%H%M} running"
    hours, rest = divmod(round((slot.start - now).total_seconds()), 3600)
    left = f"{hours}:{rest // 60:02d}" + (f":{rest % 60:02d}" if seconds else "")
    return f"{slot.start:%H%M} in {left}"


def _count_down(found: tuple[Row, ...]) -> None:
    import time
    from contextlib import suppress

    from rich.live import Live

    with suppress(KeyboardInterrupt), Live(refresh_per_second=4) as view:
        while True:
            view.update(_rendered(found, datetime.now(UTC).replace(microsecond=0), live=True)[0])
            time.sleep(0.5)
