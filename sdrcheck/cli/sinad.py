"""`sdrcheck sinad`: the receive side of a set, with a calibrated generator and the laptop's sound input."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from sdrcheck.cli.arguments import NUMBER, Number
from sdrcheck.cli.options import caution, is_tuned

if TYPE_CHECKING:
    from sdrcheck.sources.source import IqSource
    from sdrcheck.watching.sinad import Sinad, Unread

CAUTIONS = (
    "The generator feeds the set's antenna socket through its own cable: make sure nobody can key the set into it.",
    "The generator must be calibrated, its level given as e.m.f.; this reads the sound only and certifies nothing.",
)


@click.command()
@click.option("--from", "source", required=True, metavar="sound:DEVICE", help="Sound input, or a WAV of the sound.")
@click.option("--weighting", type=click.Choice(["flat", "psophometric"]), default="flat", show_default=True)
@click.option(
    "--generator", type=Number(0, 20), default=1.0, show_default=True, help="Uncertainty of its level, dB (k = 2)."
)
@click.option("--search", is_flag=True, help="Guide the generator to the 20 dB point and give the sensitivity.")
@click.option("--limit", type=NUMBER, default=6.0, show_default=True, help="Sensitivity limit in dBµV e.m.f.")
@click.option("--blocks", type=click.IntRange(1), help="Stop after so many readings.")
def command(source: str, weighting: str, generator: float, search: bool, limit: float, blocks: int | None) -> None:
    """Measure SINAD at the set's loudspeaker while a generator gives 1 kHz at ±3 kHz deviation.

    The default limit, 2 µV e.m.f. (+6 dBµV) for 20 dB, is the IMO figure of A.803(19) as a national rule carries it.
    """
    from contextlib import closing

    from sdrcheck.sources.catalogue import open_source
    from sdrcheck.sources.source import Tuning
    from sdrcheck.watching.sinad import require_sound

    if is_tuned(source):
        raise click.UsageError(f"{source} gives no sound of a receiver; give sound:DEVICE or a one-channel WAV")
    with closing(open_source(source, Tuning(centre_hz=0.0))) as opened:
        require_sound(opened.facts)
        for words in CAUTIONS:
            caution(words)
        if search:
            _search(opened, weighting == "psophometric", generator, limit)
        else:
            _show(opened, weighting == "psophometric", blocks)


def _show(opened: IqSource, psophometric: bool, blocks: int | None) -> None:
    from sdrcheck.errors import MeasurementError
    from sdrcheck.watching.sinad import BLOCK_S, Unread, Why, readings

    number, before = 0, None
    for number, found in enumerate(readings(opened, psophometric=psophometric), 1):
        if found != before or not isinstance(found, Unread) or found.why is Why.LOST:  # what goes on is said once
            click.echo(_line(found))
        before = found
        if blocks is not None and number >= blocks:
            return
    if not number:
        raise MeasurementError(f"{opened.facts.name} is shorter than one reading of {BLOCK_S:g} s; give a longer one")


def _line(found: Sinad | Unread) -> str:
    from sdrcheck.watching.sinad import Unread

    if isinstance(found, Unread):
        return found.sentence
    bar = "#" * max(0, min(40, round(found.measured.value)))
    remark = f"  {found.remark}" if found.remark else ""
    return f"SINAD {found.measured.value:5.1f} ± {found.measured.uncertainty:.1f} dB  {bar}{remark}"


def _search(opened: IqSource, psophometric: bool, generator: float, limit_dbuv: float) -> None:
    from sdrcheck.channels.channel import Mark
    from sdrcheck.findings.wording import format_value
    from sdrcheck.limits.limit import Limit, Standing
    from sdrcheck.verdicts.judge import judge
    from sdrcheck.watching.sinad import Meter, Point, Sinad, Unread, Why, next_level, sensitivity

    meter = Meter(opened, psophometric=psophometric)
    points: tuple[Point, ...] = ()
    while (level := next_level(points)) is not None:
        typed = click.prompt(
            f"set the generator near {level:.1f} dBµV e.m.f. and type what it shows", type=NUMBER, err=True
        )
        heard = meter.fresh(5)[1:]  # the first began before the change
        for words in dict.fromkeys(one.sentence if isinstance(one, Unread) else one.remark for one in heard):
            if words:
                click.echo(words, err=True)
        unread = {one.why for one in heard if isinstance(one, Unread)}
        found = [one for one in heard if isinstance(one, Sinad) and not one.clipped]
        if not found and unread == {Why.NO_TONE} and typed < level:
            points += (Point(typed, 0.0, 3.0),)
        if not found or Why.LOST in unread:
            continue
        mean = sum(one.measured.value for one in found) / len(found)
        points += (Point(typed, mean, found[0].measured.uncertainty),)
        click.echo(f"SINAD {mean:.1f} dB at {typed:.1f} dBµV", err=True)
    result = sensitivity(points, generator)
    rule = Limit(
        "A.803 sensitivity",
        "sensitivity",
        "dBµV",
        "IMO A.803(19), receiver sensitivity, as carried by TW-SER art. 285-9(12)",
        Standing.REGULATION,
        Mark.SEEN,
        high=limit_dbuv,
    )
    click.echo(
        f"sensitivity for 20 dB SINAD: {format_value(result.value, result.uncertainty, result.unit)} (e.m.f.), "
        f"limit at most {limit_dbuv:g} dBµV ({rule.standing}, {rule.source}): {judge(result, rule)}"
    )
