"""`sdrcheck watch`: an unattended watch."""

from __future__ import annotations

from pathlib import Path

import click

from sdrcheck.cli.arguments import DURATION
from sdrcheck.cli.options import channels_named, judging_options, settings, source_options, tuning


@click.command()
@source_options
@judging_options
@click.option("--channel", "channels", multiple=True, help="Watch this channel; may be given more than once.")
@click.option("--all", "everything", is_flag=True, help="Watch everything in the span, on and off the plan.")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), default=Path("watch"), show_default=True)
@click.option("--for", "how_long", type=DURATION, help="Stop after this long: 12h, 90m or 45s.")
@click.option("--only", type=click.Choice(["calls", "messages", "voice"]), help="Keep only these.")
@click.option("--own", multiple=True, metavar="MMSI", help="Identity of a set under test; may be given more than once.")
@click.option("--others", is_flag=True, help="Keep other stations' calls too; local law decides whether you may.")
@click.option("--memory", type=float, default=120.0, show_default=True, help="Seconds of rolling memory.")
@click.option("--before", type=float, default=2.0, show_default=True, help="Seconds kept from before a keying.")
@click.option(
    "--disk", type=float, default=10.0, show_default=True, help="Disk budget in GB; oldest unmarked go first."
)
@click.option("--power", help="Name the transmitter to be keyed, for example 25W: is the chain safe?")
@click.option("--chain", help="The chain before the dongle, for example 40dB/100W,30dB/2W.")
def command(
    source: str,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    reference: tuple[float, float] | None,
    limit_set: str,
    tone_source: str | None,
    channels: tuple[str, ...],
    everything: bool,
    into: Path,
    how_long: float | None,
    only: str | None,
    own: tuple[str, ...],
    others: bool,
    memory: float,
    before: float,
    disk: float,
    power: str | None,
    chain: str | None,
) -> None:
    """Watch channels, and keep each keying with what came before it, inspected.

    Every kept keying is a recording with its inspection beside it; a journal says what was heard, lost or let go.
    Calls between other stations are counted and masked, and kept only with --others. Nothing is transmitted.
    """
    import time

    from sdrcheck.recordings.utc import utc_moment
    from sdrcheck.sources.catalogue import open_source
    from sdrcheck.watching.journal import daily_summary
    from sdrcheck.watching.policy import Policy
    from sdrcheck.watching.watch import Watch

    if bool(channels) == everything:
        raise click.UsageError("name what to watch with --channel, or take everything in the span with --all")
    _check_chain(power, chain, centre, gain)
    wanted = tuning(centre, rate, gain, speed)
    deadline = None if how_long is None else time.monotonic() + how_long
    watch = Watch(
        into,
        settings(reference, limit_set, tone_source, source, channels_named(channels) if channels else None),
        Policy(
            only=only,
            own=frozenset(own),
            others=others,
            before_s=before,
            budget_bytes=round(disk * 1e9),
        ),
        memory_s=memory,
        deadline=deadline,
    )
    live = source.partition(":")[0] in ("dongle", "net", "sound")
    opened = open_source(source, wanted)
    try:
        for watched in watch.run(opened, (lambda: open_source(source, wanted)) if live else None):
            line = watched.line
            click.echo(f"{utc_moment(line.utc):%H:%M:%S}Z {line.event:8}{line.sentence}")
    except KeyboardInterrupt:
        click.echo("stopped; what was kept is complete", err=True)
    click.echo(daily_summary(into), err=True)


def _check_chain(power: str | None, chain: str | None, centre_hz: float | None, gain_db: float | None) -> None:
    """The first thing asked when a transmitter is named: is the chain before the dongle safe?"""
    from sdrcheck.errors import ReceiverError
    from sdrcheck.receiver import attenuation
    from sdrcheck.receiver.cautions import BEFORE_KEYING

    if power is None:
        return
    if chain is None:
        raise click.UsageError("a transmitter is named with --power, so name the chain before the dongle with --chain")
    found = attenuation.assess(attenuation.parse_power(power), attenuation.parse_chain(chain), centre_hz, gain_db)
    for caution in BEFORE_KEYING:
        click.echo(f"caution: {caution}", err=True)
    click.echo(f"chain: {found.verdict}. {' '.join(found.reasons)}", err=True)
    if found.verdict is attenuation.Verdict.NOT_SAFE:
        raise ReceiverError("the chain is not safe for that transmitter; see `sdrcheck attenuation`")
