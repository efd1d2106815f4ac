"""`sdrcheck compose tone`: test tones on a voice channel, or as sound for a sounder at the microphone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from sdrcheck.cli.arguments import FREQUENCY, NUMBER, Number
from sdrcheck.cli.compose_output import Canvas, Order, put_sound, recording_options, say_written
from sdrcheck.errors import CompositionError

if TYPE_CHECKING:
    from sdrcheck.compositions.faults import SenderFaults


MOST_DEVIATION_HZ = 12_000.0
"""More than twice what any set may do, and what the channel filter still passes in part."""


@click.command("tone")
@click.argument("tones", metavar="[TONE]...", nargs=-1, type=FREQUENCY)
@click.option("--sounder", is_flag=True, help="The two tones for a single-sideband set: 1100 and 1700 Hz.")
@click.option("--unmodulated", is_flag=True, help="No tone at all.")
@click.option("--channel", "channel_name", help="Voice channel by name, with --leg where it has two frequencies.")
@click.option("--leg", type=click.Choice(["ship", "coast"]), default="ship", show_default=True)
@click.option("--frequency", "frequency_hz", type=FREQUENCY, help="Carrier frequency instead of a channel.")
@click.option("--emission", type=click.Choice(["G3E", "J3E"]), default="G3E", show_default=True)
@click.option("--deviation", "deviation_hz", type=FREQUENCY, default=3000.0, show_default=True, help="G3E: peak, Hz.")
@click.option(
    "--carrier-suppression", "suppression_db", type=NUMBER, help="J3E: carrier left, dB under the peak envelope."
)
@click.option("--keyed", "keyed_s", type=Number(0.01, 600), default=1.0, show_default=True, help="Seconds.")
@click.option("--offset", "offset_hz", type=Number(-50e3, 50e3), default=0.0, help="Fault: carrier offset, Hz.")
@click.option("--drift", "drift_hz_per_s", type=Number(-50e3, 50e3), default=0.0, help="Fault: carrier drift, Hz/s.")
@click.option("--hum", "hum_deviation_hz", type=Number(0, 10e3), default=0.0, help="Fault: deviation by hum, Hz.")
@click.option("--hum-frequency", "hum_hz", type=Number(1, 10e3), default=100.0, help="Frequency of the hum, Hz.")
@recording_options
def command(
    tones: tuple[float, ...],
    sounder: bool,
    unmodulated: bool,
    channel_name: str | None,
    leg: str,
    frequency_hz: float | None,
    emission: str,
    deviation_hz: float,
    suppression_db: float | None,
    keyed_s: float,
    offset_hz: float,
    drift_hz_per_s: float,
    hum_deviation_hz: float,
    hum_hz: float,
    **options: Any,
) -> None:
    """Make test tones (default: 1 kHz) as an IQ recording of a voice channel, or as sound where the output is a WAV.

    Nothing is transmitted. The rules forbid test tones on channels 16 and 70 on the air, so none are made for them.
    """
    from sdrcheck.compositions.faults import SenderFaults
    from sdrcheck.compositions.tone import SOUNDER_TONES_HZ

    if sum((bool(tones), sounder, unmodulated)) > 1:
        raise click.UsageError("give tones, --sounder or --unmodulated, only one of them")
    chosen = SOUNDER_TONES_HZ if sounder else () if unmodulated else tones or (1000.0,)
    if any(not 10 <= tone_hz <= 5000 for tone_hz in chosen):
        raise click.UsageError("a test tone lies between 10 and 5000 Hz")
    if not 0 < deviation_hz <= MOST_DEVIATION_HZ:
        raise click.UsageError(f"a deviation lies above 0 and up to {MOST_DEVIATION_HZ / 1e3:g} kHz")
    order = Order(**options)
    if order.is_sound:
        _write_sound(order, chosen, keyed_s, channel_name or frequency_hz)
        return
    if (channel_name is None) == (frequency_hz is None):
        raise click.UsageError("give the --channel or the --frequency, one of them")
    if channel_name is not None:
        frequency_hz = _frequency_of(channel_name, leg)
    assert frequency_hz is not None
    _refuse_calling_channels(frequency_hz)
    _write_recording(
        order,
        chosen,
        frequency_hz,
        emission,
        deviation_hz,
        suppression_db,
        keyed_s,
        SenderFaults(
            offset_hz=offset_hz, drift_hz_per_s=drift_hz_per_s, hum_deviation_hz=hum_deviation_hz, hum_hz=hum_hz
        ),
    )


def _frequency_of(channel_name: str, leg: str) -> float:
    from sdrcheck.channels import plan

    found = plan.find(channel_name)
    if len(found) > 1:
        found = tuple(channel for channel in found if channel.leg == leg)
    if len(found) != 1:
        raise click.UsageError(f"channel {channel_name!r} is not one channel of the plan; see sdrcheck channels")
    return float(found[0].frequency_hz)


def _refuse_calling_channels(frequency_hz: float) -> None:
    from sdrcheck.channels import plan
    from sdrcheck.compositions.tone import NO_TONES_HERE

    channel = plan.channel_at(frequency_hz)
    if channel is not None and channel.name in NO_TONES_HERE:
        raise CompositionError(
            f"no test tones are made for channel {channel.name}: the rules forbid them there; take a working channel"
        )


def _write_sound(order: Order, tones: tuple[float, ...], keyed_s: float, place: object) -> None:
    from sdrcheck.compositions.sound import SOUND_RATE_HZ
    from sdrcheck.compositions.tone import sound_tones

    if place is not None:
        raise click.UsageError("a sound file has no channel or frequency; name the output like tone.sigmf-meta for one")
    put_sound(order, sound_tones(tones, keyed_s, SOUND_RATE_HZ), caution=False)


def _write_recording(
    order: Order,
    tones: tuple[float, ...],
    frequency_hz: float,
    emission: str,
    deviation_hz: float,
    suppression_db: float | None,
    keyed_s: float,
    faults: SenderFaults,
) -> None:
    from sdrcheck.compositions.faults import sent_by
    from sdrcheck.compositions.tone import fm_tones, ssb_tones

    telephony = emission == "G3E"
    canvas = Canvas(
        order,
        frequency_hz,
        usual_rate_hz=240e3 if telephony else 24e3,
        noise_bandwidth_hz=25e3 if telephony else 3e3,
        keyed_s=keyed_s,
    )
    if telephony:
        iq = fm_tones(tones, deviation_hz, keyed_s, canvas.rate_hz)
    else:
        iq = ssb_tones(tones, keyed_s, canvas.rate_hz, suppression_db)
    what = " and ".join(f"{tone_hz:g} Hz" for tone_hz in tones) or "unmodulated"
    canvas.put(sent_by(iq, canvas.rate_hz, faults), f"{emission}, {what}", 8e3 if telephony else 3e3)
    say_written(canvas.write(caution=False), canvas.samples.size / canvas.rate_hz)
