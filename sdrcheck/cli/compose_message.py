"""`sdrcheck compose message`: navigational-text messages as a recording, or as sound for an AM signal generator."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sdrcheck.cli.arguments import FREQUENCY, Number
from sdrcheck.cli.compose_output import CAUTION, Canvas, Order, put_sound, recording_options, say_written
from sdrcheck.errors import CompositionError, RecordingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sdrcheck.compositions.text import TextMessage

_USUAL_RATE_HZ = 12e3
_NOISE_BANDWIDTH_HZ = 300.0
AGREED = (
    "Agree station and subject letters with the bridge first: the ship's receiver prints what it is fed. Take invented "
    "text, say so in it, and keep it in the cable."
)


@click.command("message")
@click.argument("text", metavar="TEXT|@FILE")
@click.option("--station", required=True, help="B1, the transmitter's letter.")
@click.option("--subject", required=True, help="B2, the subject's letter.")
@click.option("--number", required=True, help="B3B4, 01 to 99, or 00.")
@click.option(
    "--and",
    "more",
    type=(str, str),
    multiple=True,
    metavar="IDENTITY TEXT|@FILE",
    help="One more message in the same transmission, for example --and LE30 @forecast.txt.",
)
@click.option("--frequency", "frequency_hz", type=FREQUENCY, default="518k", show_default=True)
@click.option("--phasing", "phasing_s", type=Number(0, 600), default=10.0, show_default=True, help="Seconds.")
@click.option("--closed-cable", is_flag=True, help="Needed for subject D and number 00: they ring the ship's alarm.")
@click.option("--offset", "offset_hz", type=Number(-50e3, 50e3), default=0.0, help="Fault: off frequency, Hz.")
@click.option("--drift", "drift_hz_per_s", type=Number(-50e3, 50e3), default=0.0, help="Fault: drift, Hz/s.")
@click.option("--rate-error", "rate_ppm", type=Number(-1e5, 1e5), default=0.0, help="Fault: modulation rate, ppm.")
@click.option(
    "--shift", "shift_hz", type=Number(1, 2000), default=170.0, show_default=True, help="Between the lines, Hz."
)
@click.option("--inverted", is_flag=True, help="Fault: lines exchanged, as on the wrong sideband.")
@click.option("--fading", "fading_db", type=Number(0), default=0.0, help="Fault: deepest fade, dB.")
@click.option("--impulses", "impulses_per_s", type=Number(0), default=0.0, help="Fault: clicks a second.")
@click.option("--bit-errors", type=Number(0, 0.5), default=0.0, help="Fault: share of bits inverted.")
@click.option("--cut-start", "cut_start_s", type=Number(0), default=0.0, help="Fault: leave out the first s.")
@click.option("--cut-end", "cut_end_s", type=Number(0), default=0.0, help="Fault: leave out the last s.")
@click.option("--hole", nargs=2, type=Number(0), metavar="FROM TO", help="Fault: nothing sent between, s.")
@recording_options
def command(
    text: str,
    station: str,
    subject: str,
    number: str,
    more: tuple[tuple[str, str], ...],
    frequency_hz: float,
    phasing_s: float,
    closed_cable: bool,
    offset_hz: float,
    drift_hz_per_s: float,
    rate_ppm: float,
    shift_hz: float,
    inverted: bool,
    fading_db: float,
    impulses_per_s: float,
    bit_errors: float,
    cut_start_s: float,
    cut_end_s: float,
    hole: tuple[float, float] | None,
    **options: Any,
) -> None:
    """Make navigational-text messages: IQ, or 1700 Hz-centred sound where the output is a WAV, with a sheet.

    In TEXT, a backslash and n begin a new line. Nothing is transmitted. Identities and texts are yours to choose:
    take invented ones.
    """
    from sdrcheck.compositions.text import PHASING_PAIRS, TextMessage, bits_on_air, slots_on_air

    order = Order(**options)
    messages = [TextMessage(station.upper(), subject.upper(), number, _text(text))]
    for identity, body in more:
        if len(identity) != 4:
            raise click.UsageError(f"an identity is B1 to B4 like LE30, got {identity!r}")
        messages.append(TextMessage(identity[0].upper(), identity[1].upper(), identity[2:], _text(body)))
    caution = _gate(messages, closed_cable)
    pairs = round(phasing_s / 0.14) if phasing_s != 10.0 else PHASING_PAIRS
    bits = bits_on_air(slots_on_air([message.characters() for message in messages], phasing_pairs=pairs))
    rate_bd = 100.0 * (1 + rate_ppm * 1e-6)
    bits = _with_bit_errors(bits, bit_errors, order.seed)
    first, last = round(cut_start_s * rate_bd), len(bits) - round(cut_end_s * rate_bd)
    if last - first < 14:
        raise CompositionError(f"after the cuts nothing is left of {len(bits) / rate_bd:.1f} s; cut less")
    bits = bits[first:last]
    if order.is_sound:
        _write_sound(order, bits, rate_bd, frequency_hz, caution)
        return
    from sdrcheck.compositions.f1b import keyed_bits
    from sdrcheck.compositions.faults import SenderFaults, sent_by

    canvas = Canvas(
        order,
        frequency_hz,
        usual_rate_hz=_USUAL_RATE_HZ,
        noise_bandwidth_hz=_NOISE_BANDWIDTH_HZ,
        keyed_s=len(bits) / rate_bd,
    )
    iq = keyed_bits(bits, canvas.rate_hz, one_is="B", rate_bd=rate_bd, shift_hz=shift_hz, inverted=inverted, edge_s=0.0)
    iq = sent_by(iq, canvas.rate_hz, SenderFaults(offset_hz=offset_hz, drift_hz_per_s=drift_hz_per_s))
    iq = _on_the_way(iq, canvas.rate_hz, fading_db, impulses_per_s, hole, order.seed)
    names = " ".join(f"{m.station}{m.subject}{m.number}" for m in messages)
    canvas.put(iq, f"text {names}"[:20], shift_hz / 2 + 100)
    if caution:
        click.echo(CAUTION, err=True)
    say_written(canvas.write(caution), canvas.samples.size / canvas.rate_hz)


def _text(word: str) -> str:
    if not word.startswith("@"):
        return word.replace("\\n", "\n")  # the five-unit alphabet has no backslash, so nothing is lost
    try:
        return Path(word[1:]).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else "it is no UTF-8 text"
        raise RecordingError(f"the text file {word[1:]} cannot be read ({reason}); give plain text") from None


def _gate(messages: list[TextMessage], closed_cable: bool) -> bool:
    """Whether the file carries the caution; raises UsageError where the rule was not acknowledged."""
    from sdrcheck.decoders.navtex.receiver import ALARMING

    ringing = [f"{m.station}{m.subject}{m.number}" for m in messages if m.subject in ALARMING or m.number == "00"]
    if ringing and not closed_cable:
        raise click.UsageError(
            f"{', '.join(ringing)} rings the alarm of a ship's receiver or overrides its settings; it belongs in a "
            "closed cable only: say so with --closed-cable"
        )
    return bool(ringing)


def _with_bit_errors(bits: list[int], share: float, seed: int) -> list[int]:
    import numpy as np

    if share == 0:
        return bits
    wrong = np.random.default_rng(seed + 1).random(len(bits)) < share
    return [bit ^ int(flip) for bit, flip in zip(bits, wrong, strict=True)]


def _on_the_way(
    iq: NDArray[np.complex128],
    rate_hz: float,
    fading_db: float,
    impulses_per_s: float,
    hole: tuple[float, float] | None,
    seed: int,
) -> NDArray[np.complex128]:
    """What happens between sender and receiver."""
    import numpy as np

    from sdrcheck.compositions.f1b import fading, impulses

    random = np.random.default_rng(seed + 2)
    if hole is not None:
        if hole[1] <= hole[0]:
            raise click.UsageError("--hole is FROM and TO in seconds, TO the later one")
        iq = iq.copy()
        iq[round(hole[0] * rate_hz) : round(hole[1] * rate_hz)] = 0
    if fading_db:
        iq = iq * fading(iq.size, rate_hz, fading_db, random)
    if impulses_per_s:
        iq = iq + impulses(iq.size, rate_hz, impulses_per_s, 10.0, random)
    return iq


def _write_sound(order: Order, bits: list[int], rate_bd: float, frequency_hz: float, caution: bool) -> None:
    from sdrcheck.compositions.sound import mf_sheet, text_sound

    if caution:
        click.echo(CAUTION, err=True)
    click.echo(AGREED, err=True)
    path = put_sound(order, text_sound(bits, rate_bd), caution)
    click.echo(mf_sheet(frequency_hz, path.name))
