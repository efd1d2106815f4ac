"""`sdrcheck listen`: the sound of one channel in the loudspeaker."""

from __future__ import annotations

import click

from sdrcheck.cli.options import channels_named, source_options, tuning


@click.command()
@source_options
@click.option("--channel", required=True, help="Name of the channel, for example 72 or 2182.")
@click.option("--device", help="Sound device by name or number; the usual one if not named.")
@click.option("--level", type=click.FloatRange(0, 1), default=0.5, show_default=True, help="Loudness, 0 to 1.")
@click.option("--squelch", type=float, default=8.0, show_default=True, help="Opens so many dB above the noise.")
@click.option("--open", "always", is_flag=True, help="No squelch: hear the noise too.")
def command(
    source: str,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    channel: str,
    device: str | None,
    level: float,
    squelch: float,
    always: bool,
) -> None:
    """Demodulate one channel and play it: FM de-emphasised, J3E on upper sideband. Stop with Ctrl-C.

    Other people's traffic is secret: listen only to what you are entitled to.
    """
    from contextlib import closing

    from sdrcheck.sources.catalogue import open_source
    from sdrcheck.watching.demodulation import Demodulator
    from sdrcheck.watching.loudspeaker import Loudspeaker

    places = channels_named((channel,))
    with closing(open_source(source, tuning(centre, rate, gain, speed))) as opened:
        half = opened.facts.sample_rate_hz / 2
        inside = [one for one in places if abs(one.frequency_hz - opened.facts.centre_hz) <= half] or list(places)
        chosen = inside[0]
        demodulator = Demodulator(opened.facts, chosen.frequency_hz, chosen.emission, None if always else squelch)
        number = int(device) if device is not None and device.isdigit() else device
        with closing(Loudspeaker(number, level)) as loudspeaker:
            leg = f", {chosen.leg} leg" if chosen.leg else ""
            click.echo(f"listening on channel {chosen.name}{leg}; stop with Ctrl-C", err=True)
            try:
                for block in opened.blocks():
                    loudspeaker.play(demodulator.feed(block, loudspeaker.speed))
                loudspeaker.drain()
            except KeyboardInterrupt:
                click.echo("stopped", err=True)
            if loudspeaker.underflows > 1:
                click.echo(f"the sound was interrupted {loudspeaker.underflows - 1} times", err=True)
