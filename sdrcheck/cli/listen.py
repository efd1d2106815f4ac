"""`sdrcheck listen`: the sound of one channel in the loudspeaker."""

from __future__ import annotations

import click

from sdrcheck.cli.arguments import NUMBER, Number
from sdrcheck.cli.options import caution, channels_inside, channels_named, source_options, tell, tuning


@click.command()
@source_options
@click.option("--channel", required=True, help="Name of the channel, for example 72 or 2182.")
@click.option("--device", help="Sound device by name or number; the usual one if not named.")
@click.option("--level", type=Number(0, 1), default=0.5, show_default=True, help="Loudness, 0 to 1.")
@click.option("--squelch", type=NUMBER, default=8.0, show_default=True, help="Opens so many dB above the noise.")
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

    from sdrcheck.receiver.cautions import SECRECY
    from sdrcheck.sources.catalogue import open_source
    from sdrcheck.watching.demodulation import Demodulator
    from sdrcheck.watching.loudspeaker import Loudspeaker

    places = channels_named((channel,))
    if not 0.1 <= speed <= 1:
        raise click.BadParameter("sound plays at the speed of the air or slower: 0.1 to 1", param_hint="--speed")
    with closing(open_source(source, tuning(source, centre, rate, gain, speed, places))) as opened:
        chosen = channels_inside(opened.facts, places)[0]
        demodulator = Demodulator(opened.facts, chosen.frequency_hz, chosen.emission, None if always else squelch)
        with closing(Loudspeaker(device_named(device), level)) as loudspeaker:
            leg = f", {chosen.leg} leg" if chosen.leg else ""
            caution(SECRECY)
            for remark in opened.facts.remarks:
                tell(remark, err=True)
            click.echo(f"listening on channel {chosen.name}{leg}; stop with Ctrl-C", err=True)
            try:
                for block in opened.blocks():
                    loudspeaker.play(demodulator.feed(block, loudspeaker.speed))
                loudspeaker.drain()
            except KeyboardInterrupt:
                click.echo("stopped", err=True)
            if loudspeaker.underflows:
                times = "once" if loudspeaker.underflows == 1 else f"{loudspeaker.underflows} times"
                click.echo(f"the sound was interrupted {times}", err=True)


def device_named(words: str | None) -> str | int | None:
    """A sound device as PortAudio wants it: its number, a part of its name, or None for the usual one."""
    return int(words) if words is not None and words.isdecimal() and len(words) < 6 else words
