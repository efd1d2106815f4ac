"""`sdrcheck ready`: is everything here and working? Each finding comes with its remedy."""

from __future__ import annotations

import importlib
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import click

from sdrcheck.cli.arguments import Number
from sdrcheck.cli.options import tell

OK, MISSING, NOTE = "ok", "missing", "note"
_MEGABYTES_A_MINUTE = 288
"""Of a recording at 2.4 MS/s."""
_TRIED_HZ = 156.8e6
_NAME_ONE = "name one with --serial SERIAL, in the window as the source dongle:SERIAL"
_KERNEL_DRIVER = Path("/sys/module/dvb_usb_rtl28xxu")
"""There where Linux has loaded its television driver."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at."""

    what: str
    state: str
    said: str
    remedy: str = ""

    def __str__(self) -> str:
        remedy = f" To do: {self.remedy}." if self.remedy else ""
        return f"{self.state:8}{self.what}: {self.said}.{remedy}"


def findings(
    serial: str | None = None, folder: Path | None = None, counter_s: float | None = None
) -> Iterator[Finding]:
    """Ask each part for its own finding; none of them can stop the others."""
    serials: list[str] = []
    parts: tuple[tuple[str, Callable[[], Iterator[Finding]]], ...] = (
        ("dongle", lambda: _dongle(serial, serials)),
        ("lost samples", lambda: _counter(_of(serial, serials), counter_s)),
        ("frequency reference", lambda: _reference(_of(serial, serials))),
        ("sound", _sound),
        ("window", _window),
        ("disk", lambda: _disk(folder or Path.cwd())),
        ("clock", _clock),
        ("decoders", _decoders),
    )
    for name, part in parts:
        try:
            yield from part()
        except Exception as problem:  # a check that breaks is a finding too
            said = f"could not be looked at ({type(problem).__name__}: {problem})"
            yield Finding(name, MISSING, said, "please report it, and do without this check")


def _of(serial: str | None, serials: list[str]) -> str | None:
    """The dongle that is meant: the named one, or the only one."""
    return serial or (serials[0] if len(serials) == 1 else None)


def _dongle(serial: str | None, serials: list[str]) -> Iterator[Finding]:
    from contextlib import closing

    from sdrcheck.errors import SdrcheckError
    from sdrcheck.sources.dongle import Dongle, attached
    from sdrcheck.sources.source import Tuning

    try:
        serials += attached()
    except SdrcheckError as problem:
        yield Finding("dongle driver", MISSING, *_split(problem))
        return
    yield Finding("dongle driver", OK, "loaded")
    if _KERNEL_DRIVER.exists():
        yield Finding(
            "dongle driver",
            NOTE,
            "the kernel's television driver is loaded, too, and may hold the dongle",
            f"unload it (sudo modprobe -r {_KERNEL_DRIVER.name}), and blacklist it for the next time",
        )
    if not serials:
        yield Finding(
            "dongle",
            MISSING,
            "none answers on USB",
            "plug one in; on Linux allow your user to use it (a udev rule for it), and stop the kernel's television "
            "driver from taking it (blacklist dvb_usb_rtl28xxu)",
        )
        return
    if len(set(serials)) < len(serials):
        yield Finding(
            "dongle",
            NOTE,
            "two have the same serial, so their references cannot be told apart",
            "unplug one of them, or give one another serial with the driver's own tools",
        )
    if serial is None and len(serials) > 1:
        yield Finding("dongle", OK, f"on USB: {', '.join(serials)}", _NAME_ONE)
        return
    try:
        with closing(Dongle(Tuning(centre_hz=_TRIED_HZ), serial)) as opened:
            yield Finding("dongle", OK, f"{opened.facts.name} delivers samples")
    except SdrcheckError as problem:
        yield Finding("dongle", MISSING, *_split(problem))


def _split(problem: Exception) -> tuple[str, str]:
    """What is wrong, and what to do about it: our sentences put a semicolon between."""
    what, _, remedy = str(problem).partition("; ")
    return what, remedy


def _counter(serial: str | None, seconds: float | None) -> Iterator[Finding]:
    """Does this computer lose samples? The chip counts, and we look for jumps."""
    from sdrcheck.errors import SdrcheckError
    from sdrcheck.sources.dongle import check_by_counter
    from sdrcheck.sources.tuner import DEPENDABLE_RATE_HZ

    name = "lost samples"
    if seconds is None:
        return
    if serial is None:
        yield Finding(name, NOTE, "no dongle was named, so none counted", "sdrcheck ready --counter 10 --serial SERIAL")
        return
    try:
        found = check_by_counter(seconds, DEPENDABLE_RATE_HZ, serial)
    except SdrcheckError as problem:
        yield Finding(name, MISSING, *_split(problem))
        return
    counted = f"{found.samples / 1e6:.1f} million samples counted at {DEPENDABLE_RATE_HZ / 1e6:g} MS/s"
    if found.breaks:
        times = "once" if found.breaks == 1 else f"{found.breaks} times"
        remedy = "use another USB socket without a hub, end other programs, or take a lower --rate"
        yield Finding(name, NOTE, f"{counted}, some were lost {times}", remedy)
    else:
        yield Finding(name, OK, f"{counted}, none lost")


def _reference(serial: str | None) -> Iterator[Finding]:
    from sdrcheck.receiver import level_store, reference_store
    from sdrcheck.receiver.reference import FRESH

    name = "frequency reference"
    if serial is None:
        yield Finding(name, NOTE, "no dongle was named, so none was looked for", _NAME_ONE)
        return
    stored = reference_store.latest(serial)
    if stored is None:
        yield Finding(
            name,
            MISSING,
            f"none is stored for {serial}; readings will carry the uncertainty of an uncorrected dongle",
            "compare it with a calibrated counter: sdrcheck reference --help",
        )
    else:
        now = datetime.now(UTC)
        aged = stored.at(now)
        said = f"{aged.correction_ppm:+.2f} ± {aged.uncertainty_ppm:.2f} ppm ({aged.source})"
        fresh = stored.taken_utc is not None and now - stored.taken_utc <= FRESH
        remedy = "" if fresh else "compare it with the counter again before the job, and after it"
        yield Finding(name, OK if fresh else NOTE, said, remedy)
    level = level_store.latest(serial)
    if level is None:
        yield Finding(
            "level reference",
            NOTE,
            f"none is stored for {serial}; levels are relative (dBFS)",
            "for levels at the set tie them to one meter reading: sdrcheck reference level --help",
        )
    else:
        yield Finding("level reference", OK, f"{level.source}, {level.taken_utc:%Y-%m-%d %H:%M} UTC")


def _sound() -> Iterator[Finding]:
    from sdrcheck.errors import SdrcheckError
    from sdrcheck.sources.sound import sound_library

    try:
        devices = list(sound_library().query_devices())
    except SdrcheckError as problem:
        yield Finding("sound", MISSING, *_split(problem))
        return
    for way, key in (("input", "max_input_channels"), ("output", "max_output_channels")):
        names = [device["name"] for device in devices if device[key]]
        if names:
            yield Finding(f"sound {way}", OK, ", ".join(names[:4]))
        else:
            yield Finding(f"sound {way}", MISSING, "no device", "plug in a sound card, or do without sound")


def _window() -> Iterator[Finding]:
    for package in ("PySide6.QtWidgets", "pyqtgraph"):
        try:
            importlib.import_module(package)
        except ImportError as problem:
            yield Finding("window", MISSING, f"{package} does not load ({problem})", "pip install 'sdrcheck[gui]'")
            return
    yield Finding("window", OK, "Qt and pyqtgraph load")


def _disk(folder: Path) -> Iterator[Finding]:
    if not os.access(folder, os.W_OK):
        yield Finding("disk", MISSING, f"{folder} may not be written by you", "record into another folder")
        return
    free_mb = shutil.disk_usage(folder).free / 1e6
    said = f"{free_mb / 1000:.1f} GB free in {folder}, {free_mb / _MEGABYTES_A_MINUTE:.0f} minutes at 2.4 MS/s"
    if free_mb < 10 * _MEGABYTES_A_MINUTE:
        yield Finding("disk", NOTE, said, "free some space, or record into another folder")
    else:
        yield Finding("disk", OK, said)


def _clock() -> Iterator[Finding]:
    from sdrcheck.recordings.utc import host_utc_error_s

    error = host_utc_error_s()
    if error is None:
        yield Finding(
            "clock",
            NOTE,
            "nobody keeps this computer's clock right",
            "compare it with the ship's UTC display and write both down",
        )
    else:
        yield Finding("clock", OK, f"UTC within {error:.2g} s, as the operating system estimates it")


def _decoders() -> Iterator[Finding]:
    """A composed call, inspected: the whole way from samples to symbols, without any receiver."""
    from sdrcheck.bench import Settings, collect, run
    from sdrcheck.compositions import demonstration
    from sdrcheck.sources.synthetic import Synthetic

    source = Synthetic(demonstration.test_call(), demonstration.RATE_HZ, demonstration.CENTRE_HZ)
    found = collect(run(source, Settings(frames_per_s=0)))
    calls = [call for transmission in found.transmissions for call in transmission.calls]
    if [call.error_check for call in calls] == ["ok"]:
        yield Finding("decoders", OK, "a composed test call was read to its last symbol")
    else:
        yield Finding("decoders", MISSING, "a composed test call was not read", "install again: this copy is damaged")


@click.command()
@click.option("--serial", help="Serial of the dongle that is to be used; the only one if not named.")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), help="Folder that will be recorded into.")
@click.option(
    "--counter",
    type=Number(0.1, 3600),
    metavar="SECONDS",
    help="Let the dongle count for so long: does this computer lose samples?",
)
def command(serial: str | None, into: Path | None, counter: float | None) -> None:
    """Say whether everything is here and working, each finding with its remedy. Exit 1 if the dongle is missing."""
    from sdrcheck.errors import RecordingError

    if into is not None and not into.is_dir():
        raise RecordingError(f"{into} is no folder; make it, or name another")
    dongle_missing = False
    for one in findings(serial, into, counter):
        dongle_missing |= one.state == MISSING and one.what.startswith("dongle")
        tell(str(one), indent=8)
    if dongle_missing:
        raise SystemExit(1)
