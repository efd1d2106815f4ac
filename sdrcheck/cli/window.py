"""`sdrcheck window`: the desktop window."""

from __future__ import annotations

from pathlib import Path

import click

from sdrcheck.cli.arguments import FREQUENCY, NUMBER, PPM, Number
from sdrcheck.errors import ExtraMissing


@click.command(short_help="the desktop window")
@click.option("--from", "source", metavar="SOURCE", help="dongle[:SERIAL], net:HOST:PORT, sound:DEVICE or a recording.")
@click.option("--centre", type=FREQUENCY, help="Centre frequency, for example 156.75M.")
@click.option("--rate", type=FREQUENCY, help="Samples a second, for example 2.4M.")
@click.option("--gain", type=NUMBER, help="Tuner gain in dB.")
@click.option("--speed", type=Number(0), default=1.0, show_default=True, help="How fast a recording plays.")
@click.option("--reference", type=PPM, metavar="δ±U", help="Correction of the dongle in ppm, for example +2.7±0.3.")
@click.option("--limits", "limit_set", default="marine", show_default=True, help="Which set of limits judges.")
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
    reference: tuple[float, float] | None,
    limit_set: str,
    visit: Path | None,
    keep_in: Path,
) -> None:
    """Show the band live, every keying as it happens, and how it stands against the limits.

    Without --from it opens on the start page. A recording plays as if it were live. Nothing is transmitted.
    """
    from sdrcheck.bench import Settings
    from sdrcheck.limits.sets import LIMIT_SETS
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.sources.source import Tuning

    if limit_set not in LIMIT_SETS:
        raise click.BadParameter(f"there is no limit set {limit_set!r}; there are {', '.join(LIMIT_SETS)}")
    try:
        from sdrcheck_gui.application import show
    except ImportError as missing:
        raise ExtraMissing(
            f"the window needs the extra `gui` ({missing.name} is missing): pip install 'sdrcheck[gui]'"
        ) from None
    settings = Settings(
        reference=None if reference is None else FrequencyReference(*reference, "given with --reference"),
        limit_set=limit_set,
    )
    tuning = Tuning(centre_hz=centre, sample_rate_hz=rate, gain_db=gain, speed=speed)
    raise SystemExit(show(source, tuning, settings, visit, keep_in))
