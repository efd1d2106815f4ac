"""`sdrcheck capture`: a recording from a live source."""

from __future__ import annotations

import signal
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.arguments import NUMBER, PPM, Number
from sdrcheck.cli.options import cautions_for, channels_inside, channels_named, source_options, tell, tuning

if TYPE_CHECKING:
    from sdrcheck.capture.recorder import Progress
    from sdrcheck.capture.ship_time import ShipTime
    from sdrcheck.recordings.facts import ReceptionFacts
    from sdrcheck.sources.source import SourceFacts


class _Moment(click.ParamType[datetime]):
    """`14:05`, `14:05:30` (the next one, UTC) or `2026-03-14T14:05:00Z`."""

    name = "UTC"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        text, now = str(value).removesuffix("Z"), datetime.now(UTC)
        try:
            if "T" in text:
                moment = datetime.fromisoformat(text)
                moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
                if moment <= now:
                    self.fail(f"{value} is over; it is {now:%Y-%m-%dT%H:%M:%SZ} by this computer", param, ctx)
                return moment
            shape = "%H:%M:%S" if text.count(":") == 2 else "%H:%M"
            moment = datetime.combine(now.date(), datetime.strptime(text, shape).time(), UTC)
        except ValueError:
            self.fail(f"{value!r} is not a time in UTC; write it like 14:05 or 2026-03-14T14:05:00Z", param, ctx)
        return moment if moment > now else moment + timedelta(days=1)


@click.command()
@source_options
@click.option("--channel", help="Tune a dongle beside this channel, instead of --centre.")
@click.option("--iq", is_flag=True, help="The two channels of a sound device are I and Q.")
@click.option("--computed-centre", is_flag=True, help="Take the centre from the tuner's unverified arithmetic.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="Name of the recording, without ending.")
@click.option("--seconds", type=Number(above=0), help="Stop after this long.")
@click.option("--until", type=_Moment(), help="Stop at this UTC, for example 14:05.")
@click.option("--attenuation", type=NUMBER, metavar="DB", help="Attenuation before the receiver, to be written down.")
@click.option("--reference", type=PPM, metavar="δ±U", help="The dongle's correction in ppm, to be written down.")
@click.option("--ship-utc", metavar="HH:MM:SS", help="What the ship's UTC display shows as you press Enter.")
@click.option("--note", default="", help="A sentence about this recording.")
def command(
    source: str,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    channel: str | None,
    iq: bool,
    computed_centre: bool,
    out: Path | None,
    seconds: float | None,
    until: datetime | None,
    attenuation: float | None,
    reference: tuple[float, float] | None,
    ship_utc: str | None,
    note: str,
) -> None:
    """Record a live source to SigMF until Ctrl-C, --seconds or --until.

    The recording can be read at any moment, and up to the last second whatever happens to this computer.
    """
    pressed = datetime.now(UTC)
    from sdrcheck.capture.recorder import Recorder
    from sdrcheck.sources.catalogue import open_source

    if iq and not source.startswith("sound"):
        raise click.UsageError("--iq is for a sound device; every other source has its I and Q")
    if computed_centre and not source.startswith("dongle"):
        raise click.UsageError("--computed-centre is for a dongle on USB")
    compared = _compared(ship_utc, pressed)
    places = channels_named((channel,)) if channel else ()
    wanted = replace(tuning(source, centre, rate, gain, speed, places), iq=iq, computed_centre=computed_centre)
    with closing(open_source(source, wanted)) as opened:
        channels_inside(opened.facts, places)
        for remark in opened.facts.remarks:
            tell(remark, err=True)
        recorder = Recorder(
            opened,
            out or Path(f"capture-{pressed:%Y%m%dT%H%M%SZ}"),
            seconds=seconds,
            until=until,
            facts=_facts(opened.facts, attenuation, compared, reference),
            description=note,
            progress=_show if sys.stderr.isatty() else lambda progress: None,
        )
        cautions_for(source)
        for kind in (signal.SIGINT, signal.SIGTERM):
            signal.signal(kind, lambda *_: recorder.stop())
        try:
            captured = recorder.run()
        finally:
            if sys.stderr.isatty():
                click.echo(err=True)
    lost = f"{captured.lost_samples} samples lost" if captured.lost_samples else "no sample lost"
    click.echo(f"{captured.seconds:.1f} s recorded, {lost}; {captured.ended}", err=True)
    click.echo(str(captured.meta))


def _compared(ship_utc: str | None, pressed: datetime) -> ShipTime | None:
    from sdrcheck.capture.ship_time import compare

    if ship_utc is None:
        return None
    try:
        found = compare(ship_utc, pressed)
    except ValueError:
        raise click.BadParameter(
            f"{ship_utc!r} is not a time of day in UTC; write it like 14:05:30", param_hint="--ship-utc"
        ) from None
    way = "ahead of" if found.host_minus_ship_s >= 0 else "behind"
    click.echo(
        f"this computer is {abs(found.host_minus_ship_s):.1f} ± {found.uncertainty_s:.1f} s {way} the ship's UTC",
        err=True,
    )
    return found


def _facts(
    heard: SourceFacts, attenuation: float | None, ship: ShipTime | None, reference: tuple[float, float] | None
) -> ReceptionFacts:
    """What to write beside the samples; the dongle's reference as stated, else as stored for its serial number."""
    import msgspec

    from sdrcheck.receiver import reference_store
    from sdrcheck.receiver.reference import FrequencyReference

    facts = msgspec.structs.replace(heard.reception(), attenuation_db=attenuation)
    if ship is not None:
        facts = msgspec.structs.replace(
            facts,
            ship_utc_shown=ship.shown,
            host_minus_ship_s=ship.host_minus_ship_s,
            host_minus_ship_uncertainty_s=ship.uncertainty_s,
        )
    stored = reference_store.latest(heard.serial) if heard.serial and reference is None else None
    if reference is not None:
        known = FrequencyReference(*reference, "given with --reference")
    elif stored is not None:
        known = stored.at(datetime.now(UTC))
    else:
        return facts
    return msgspec.structs.replace(
        facts,
        reference_ppm=known.correction_ppm,
        reference_uncertainty_ppm=known.uncertainty_ppm,
        reference_source=known.source,
    )


def _show(progress: Progress) -> None:
    lost = f", {progress.lost_samples} samples lost" if progress.lost_samples else ""
    line = f"{progress.seconds:.0f} s, {progress.bytes / 1e6:.0f} MB{lost}, {progress.free_bytes / 1e9:.1f} GB free"
    click.echo(f"\r{line:<70}", nl=False, err=True)
