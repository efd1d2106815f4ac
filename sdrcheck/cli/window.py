"""`sdrcheck window`: the desktop window."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from sdrcheck.cli.options import SOURCE_HELP, Judging, judging_options, tuning, tuning_options
from sdrcheck.errors import ExtraMissing


@click.command(short_help="the desktop window")
@click.option("--from", "source", metavar="SOURCE", help=SOURCE_HELP)
@tuning_options
@judging_options
@click.option("--visit", type=click.Path(path_type=Path), help="Open a visit's folder.")
@click.option(
    "--keep-in",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("kept"),
    show_default=True,
    help="Folder for recordings of the last minutes.",
)
def command(
    source: str | None,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    judging: Judging,
    visit: Path | None,
    keep_in: Path,
) -> None:
    """Show the band live, every keying as it happens, and how it stands against the limits.

    Without --from it opens on the start page. A recording plays as if it were live. Nothing is transmitted.
    """
    from sdrcheck.sources.source import Tuning

    if source is None and (centre, rate, gain, speed) != (None, None, None, 1.0):
        raise click.UsageError("--centre, --rate, --gain and --speed belong to a source; name it with --from")
    wanted = Tuning() if source is None else tuning(source, centre, rate, gain, speed, channels=None)
    with _interrupted() as told_to_end:
        try:
            from sdrcheck_gui.application import show
        except ImportError as missing:
            raise ExtraMissing(_not_there(missing)) from None
        raise SystemExit(show(source, wanted, judging, visit, keep_in, told_to_end.is_set))


@contextmanager
def _interrupted() -> Iterator[threading.Event]:
    """Set by Ctrl-C: an exception would be swallowed where Qt happens to be calling."""
    told = threading.Event()
    before = signal.signal(signal.SIGINT, lambda *_: told.set())
    try:
        yield told
    finally:
        signal.signal(signal.SIGINT, before)


def _not_there(missing: ImportError) -> str:
    """What to install: the extra, or the library of the system that Qt asked for."""
    if isinstance(missing, ModuleNotFoundError):
        return f"the window needs the extra `gui` ({missing.name} is missing): pip install 'sdrcheck[gui]'"
    return (
        f"the window needs a library of the system that is not there ({missing}); on Debian and Ubuntu: "
        "apt install libegl1 libgl1 libxkbcommon0 libdbus-1-3 libfontconfig1"
    )
