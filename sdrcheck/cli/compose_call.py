"""`sdrcheck compose call`: a selective call of any type, as a recording or as sound for a calibrated generator."""

from __future__ import annotations

import re
from typing import Any

import click

from sdrcheck.cli.arguments import FREQUENCY, Number
from sdrcheck.cli.compose_output import CAUTION, Canvas, Order, put_sound, recording_options, say_written
from sdrcheck.compositions.call import (
    CALLS_IN_AN_ATTEMPT,
    ROWS,
    Band,
    CallOrder,
    bits_on_air,
    needs_closed_cable,
    symbols_on_air,
)
from sdrcheck.decoders.dsc import fields
from sdrcheck.decoders.dsc.call import Area
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.decoders.dsc.symbols import Category

VHF_CALLING_HZ = 156_525_000.0
MF_CALLING_HZ = 2_187_500.0


def _slug(call_type: CallType) -> str:
    return re.sub(r"[^a-z]+", "-", call_type.value.lower()).strip("-")


TYPES = {_slug(call_type): call_type for call_type in ROWS}


class PositionType(click.ParamType[tuple[float, float]]):
    """`55°12'N 012°34'E`, `55 12.5 N 12 34.25 E`, or degrees like `55.2,12.567`."""

    name = "position"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        plain = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*", str(value))
        if plain:
            return float(plain[1]), float(plain[2])
        half = r"(\d{1,3})[°\s]\s*(\d{1,2}(?:\.\d+)?)['′\s]?\s*"
        found = re.fullmatch(rf"\s*{half}([NS])[\s,]*{half}([EW])\s*", str(value), re.IGNORECASE)
        if not found:
            self.fail(f"{value!r} is not a position; write it like 55°12'N 012°34'E", param, ctx)
        if float(found[2]) >= 60 or float(found[5]) >= 60:
            self.fail(f"{value!r}: minutes go from 0 to less than 60", param, ctx)
        latitude = (int(found[1]) + float(found[2]) / 60) * (-1 if found[3] in "Ss" else 1)
        longitude = (int(found[4]) + float(found[5]) / 60) * (-1 if found[6] in "Ww" else 1)
        return latitude, longitude


class AreaType(click.ParamType[Area]):
    """`56N 004E 3 12`: the north-west corner, then how many degrees to the south and to the east."""

    name = "area"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Area:
        if isinstance(value, Area):
            return value
        found = re.fullmatch(r"\s*(\d{1,2})\s*([NS])\s+(\d{1,3})\s*([EW])\s+(\d{1,2})\s+(\d{1,2})\s*", str(value), re.I)
        if not found:
            self.fail(f"{value!r} is not an area; write it like '56N 004E 3 12'", param, ctx)
        return Area(
            north_west_latitude=float(found[1]) * (-1 if found[2] in "Ss" else 1),
            north_west_longitude=float(found[3]) * (-1 if found[4] in "Ww" else 1),
            south_extent_degrees=float(found[5]),
            east_extent_degrees=float(found[6]),
        )


class NatureType(click.ParamType[int]):
    """A nature of distress by its symbol or its words."""

    name = "nature"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        text = str(value).casefold()
        fitting = [s for s, meaning in fields.NATURES.items() if text == str(s) or text in meaning.words.casefold()]
        if len(fitting) != 1:
            known = "; ".join(f"{s} {meaning.words}" for s, meaning in fields.NATURES.items())
            self.fail(f"{value!r} is not one nature of distress; known are {known}", param, ctx)
        return fitting[0]


class ElementType(click.ParamType[tuple[int, ...]]):
    """A VHF channel (`72`), a frequency (`2182 kHz`), one in steps of 10 Hz (`fine:2182.00k`) or `itu:401`."""

    name = "channel or frequency"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        if isinstance(value, tuple):
            return value
        text = str(value)
        try:
            if re.fullmatch(r"\d{1,4}", text):
                return fields.pack_channel(text)
            if text.startswith("itu:") and text[4:].isdecimal():
                return fields.pack_itu_channel(int(text[4:]))
            fine = text.startswith("fine:")
            return fields.pack_frequency(FREQUENCY.convert(text.removeprefix("fine:"), param, ctx), fine)
        except ValueError as problem:
            self.fail(str(problem), param, ctx)


class CharacterFaultType(click.ParamType[tuple[int, str, int]]):
    """`5`, `5:second`, `5:both:3`: one bit of a character's first copy, second copy or both turned over."""

    name = "character[:copy[:bit]]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, str, int]:
        if isinstance(value, tuple):
            return value
        found = re.fullmatch(r"(\d+)(?::(first|second|both))?(?::(\d+))?", str(value))
        if not found:
            self.fail(f"{value!r} is not a character fault; write it like 5, 5:second or 5:both:3", param, ctx)
        return int(found[1]), found[2] or "first", int(found[3] or 4)


_SYMBOL = click.IntRange(0, 127)


@click.command("call")
@click.argument("type_", metavar="TYPE", type=click.Choice(list(TYPES)))
@click.option("--self-id", required=True, help="The sender's own identity, nine digits; take an invented one.")
@click.option("--band", type=click.Choice(["vhf", "mf"]), default="vhf", show_default=True, help="mf: MF and HF.")
@click.option("--to", help="The called station's or group's identity.")
@click.option("--area", type=AreaType(), help="Geographic area: '56N 004E 3 12'.")
@click.option("--distress-id", help="Identity of the ship in distress  [default: unknown]")
@click.option("--nature", type=NatureType(), help="Nature of distress, by symbol or words  [default: undesignated]")
@click.option("--position", type=PositionType(), help="55°12'N 012°34'E  [default: unknown]")
@click.option("--utc", help="Time of the position, HH:MM  [default: unknown]")
@click.option("--category", type=click.Choice([c.name.lower().replace("_", "-") for c in Category]))
@click.option("--working-channel", "receive", type=ElementType(), help="Channel or frequency to work on: 72, 2182k.")
@click.option("--transmit", type=ElementType(), help="What the called station sends on, where it is another.")
@click.option("--telecommand-1", "first_telecommand", type=_SYMBOL, help="First telecommand, by symbol.")
@click.option("--telecommand-2", "second_telecommand", type=_SYMBOL, help="Second telecommand, by symbol.")
@click.option("--telephone", help="Telephone number of a semi-automatic call.")
@click.option("--subsequent", type=_SYMBOL, help="Subsequent communication of a distress call, by symbol.")
@click.option("--attempt", is_flag=True, help="A distress attempt: five calls in one keying.")
@click.option("--gap", "gap_s", type=Number(0), default=0.0, help="Gap between the calls of an attempt, seconds.")
@click.option("--dots", type=click.IntRange(0, 1000), help="Length of the dot pattern, bits  [default: as usual]")
@click.option("--experimental-expansion", is_flag=True, help="Add the position's 0.0001 minutes; where is not settled.")
@click.option(
    "--frequency", "frequency_hz", type=FREQUENCY, help="Assigned frequency  [default: channel 70, 2187.5 kHz]"
)
@click.option("--offset", "offset_hz", type=Number(-50e3, 50e3), default=0.0, help="Fault: carrier offset, Hz.")
@click.option("--drift", "drift_hz_per_s", type=Number(-50e3, 50e3), default=0.0, help="Fault: carrier drift, Hz/s.")
@click.option("--index-b", type=Number(0), default=2.0, help="Fault: modulation index of the 2100 Hz tone.")
@click.option("--index-y", type=Number(0), default=2.0, help="Fault: modulation index of the 1300 Hz tone.")
@click.option("--tone-b-error", "tone_b_error_hz", type=Number(-1000, 1000), default=0.0, help="Fault: tone B off, Hz.")
@click.option("--tone-y-error", "tone_y_error_hz", type=Number(-1000, 1000), default=0.0, help="Fault: tone Y off, Hz.")
@click.option("--shift", "shift_hz", type=Number(1, 2000), default=170.0, help="Fault, MF/HF: shift, Hz.")
@click.option("--rate-error", "rate_ppm", type=Number(-1e5, 1e5), default=0.0, help="Fault: modulation rate, ppm.")
@click.option("--no-pre-emphasis", is_flag=True, help="Fault, VHF: one deviation for both tones.")
@click.option("--inverted", is_flag=True, help="Fault: B and Y exchanged.")
@click.option("--hum", "hum_deviation_hz", type=Number(0, 10e3), default=0.0, help="Fault: deviation by hum, Hz.")
@click.option("--hum-frequency", "hum_hz", type=Number(1, 10e3), default=100.0, help="Frequency of the hum, Hz.")
@click.option("--cut-start", "cut_start_s", type=Number(0), default=0.0, help="Fault: missing at the start, s.")
@click.option("--cut-end", "cut_end_s", type=Number(0), default=0.0, help="Fault: missing at the end, s.")
@click.option(
    "--character-fault", "character_faults", type=CharacterFaultType(), multiple=True, help="Fault: 5:both:3."
)
@click.option("--ecc", type=_SYMBOL, help="Fault: send this ECC.")
@click.option("--end", type=_SYMBOL, help="Fault: send this end of sequence.")
@click.option("--second-format", type=_SYMBOL, help="Fault: send this as the second format specifier.")
@click.option(
    "--sound-law",
    type=click.Choice(["flat", "pre-emphasised"]),
    help="WAV, VHF: flat for a generator in phase modulation, pre-emphasised for one in FM.",
)
@click.option(
    "--closed-cable",
    is_flag=True,
    help="I acknowledge: this call goes into a closed cable only. Needed for what a receiver could take for real.",
)
@recording_options
def command(
    type_: str, frequency_hz: float | None, closed_cable: bool, sound_law: str | None, attempt: bool, **options: Any
) -> None:
    """Make a call of TYPE as an IQ recording, or as sound (WAV) for the modulation input of a calibrated generator.

    Nothing is transmitted. Distress, urgency, relay, acknowledgement, self-cancel, all-ships and area calls ask for
    --closed-cable, and carry the caution in the file's name.
    """
    order = Order(**{name: options.pop(name) for name in Order.__dataclass_fields__})
    band: Band = options["band"]
    if attempt and TYPES[type_] not in (
        CallType.DISTRESS_ALERT,
        CallType.EPIRB_ALERT,
        CallType.MAN_OVERBOARD_ALERT,
    ):
        raise click.UsageError("--attempt goes with a distress alert only")
    if options["gap_s"] and not attempt:
        raise click.UsageError("--gap goes with --attempt only")
    for name in _OF_THE_OTHER_BAND[band]:
        if options[name] != RADIO_FAULTS[name]:
            raise click.UsageError(f"{_in_words(name)} is no fault of a call on --band {band}")
    call = _call_order(TYPES[type_], options)
    information = call.information()
    caution = needs_closed_cable(information)
    if caution and not closed_cable:
        raise click.UsageError(
            f"a receiver could take this {TYPES[type_].value} for real; if it goes into a closed cable only, say so: "
            "--closed-cable"
        )
    bits = _bits(call, information, options)
    calls = [bits] * (CALLS_IN_AN_ATTEMPT if attempt else 1)
    if caution:
        click.echo(CAUTION, err=True)
    usual_hz = VHF_CALLING_HZ if band == "vhf" else MF_CALLING_HZ
    if order.is_sound:
        _write_sound(order, calls, band, frequency_hz or usual_hz, sound_law, caution, options)
    else:
        if sound_law is not None:
            raise click.UsageError("--sound-law is for a WAV file; name the output like call.wav")
        label = f"{TYPES[type_].value} attempt" if attempt else TYPES[type_].value
        _write_recording(order, calls, band, frequency_hz or usual_hz, label, caution, options)


def _call_order(call_type: CallType, options: dict[str, Any]) -> CallOrder:
    category = options["category"]
    return CallOrder(
        type=call_type,
        category=Category[category.upper().replace("-", "_")] if category else None,
        **{
            name: options[name]
            for name in CallOrder.__dataclass_fields__
            if name in options and name not in ("type", "category")
        },
    )


def _bits(call: CallOrder, information: list[int], options: dict[str, Any]) -> list[int]:
    from sdrcheck.compositions.faults import CharacterFault, with_character_faults

    expansion: list[int] = []
    if options["experimental_expansion"]:
        if call.position is None:
            raise click.UsageError("--experimental-expansion refines a position; give --position")
        expansion = [100, *fields.position_fraction(*call.position)]
    symbols = symbols_on_air(
        information, ecc=options["ecc"], second_format=options["second_format"], expansion=expansion
    )
    dots = call.usual_dots() if options["dots"] is None else options["dots"]
    faults = [CharacterFault(*fault) for fault in options["character_faults"]]
    return with_character_faults(bits_on_air(symbols, dots), faults, dots)


def _write_recording(
    order: Order,
    calls: list[list[int]],
    band: Band,
    frequency_hz: float,
    label: str,
    caution: bool,
    options: dict[str, Any],
) -> None:
    from sdrcheck.compositions.faults import SenderFaults, mf_keying, sent_by, vhf_keying
    from sdrcheck.compositions.level import RAMP

    faults = SenderFaults(**{name: options[name] for name in SenderFaults.__slots__})
    if options["no_pre_emphasis"]:
        faults = faults.without_pre_emphasis()
    rate_bd = 1200.0 if band == "vhf" else 100.0
    carrier_s = order.rise_s * RAMP if band == "vhf" else 0.0
    keyed_s = 2 * carrier_s + sum(len(bits) for bits in calls) / rate_bd + options["gap_s"] * (len(calls) - 1)
    canvas = Canvas(
        order,
        frequency_hz,
        usual_rate_hz=240e3 if band == "vhf" else 24e3,
        noise_bandwidth_hz=25e3 if band == "vhf" else 300.0,
        keyed_s=keyed_s * (1 + 1e-4),
    )
    if band == "vhf":
        iq = vhf_keying(calls, canvas.rate_hz, faults, gap_s=options["gap_s"], carrier_s=carrier_s)
    else:
        iq = mf_keying(calls, canvas.rate_hz, faults, gap_s=options["gap_s"], shift_hz=options["shift_hz"])
    canvas.put(sent_by(iq, canvas.rate_hz, faults), label, 8e3 if band == "vhf" else 150.0)
    say_written(canvas.write(caution), canvas.samples.size / canvas.rate_hz)


RADIO_FAULTS = {
    "offset_hz": 0.0,
    "drift_hz_per_s": 0.0,
    "index_b": 2.0,
    "index_y": 2.0,
    "tone_b_error_hz": 0.0,
    "tone_y_error_hz": 0.0,
    "shift_hz": 170.0,
    "no_pre_emphasis": False,
    "hum_deviation_hz": 0.0,
    "cut_start_s": 0.0,
    "cut_end_s": 0.0,
}
"""What a sound file cannot hold, with the values that mean none of it."""

_OF_THE_OTHER_BAND: dict[Band, tuple[str, ...]] = {
    "vhf": ("shift_hz",),
    "mf": ("index_b", "index_y", "tone_b_error_hz", "tone_y_error_hz", "no_pre_emphasis"),
}


def _in_words(fault: str) -> str:
    return fault.removesuffix("_hz").removesuffix("_hz_per_s").removesuffix("_s").replace("_", " ")


def _write_sound(
    order: Order,
    calls: list[list[int]],
    band: Band,
    frequency_hz: float,
    sound_law: str | None,
    caution: bool,
    options: dict[str, Any],
) -> None:
    import numpy as np

    from sdrcheck.compositions import sound
    from sdrcheck.recordings.wav import write_sound

    for name, none in RADIO_FAULTS.items():
        if options[name] != none:
            raise click.UsageError(f"{_in_words(name)} is a fault of the carrier, which a sound file does not hold")
    silence = np.zeros(round(options["gap_s"] * sound.SOUND_RATE_HZ))
    sent = [[1 - bit for bit in bits] if options["inverted"] else bits for bits in calls]
    sent = sent if silence.size else [[bit for bits in sent for bit in bits]]
    parts: list[Any] = []
    law: sound.Law = "flat" if sound_law in (None, "flat") else "pre-emphasised"
    if band == "vhf":
        for bits in sent:
            parts += [sound.vhf_sound(bits, law, options["rate_ppm"]), silence]
    else:
        if sound_law is not None:
            raise click.UsageError("--sound-law is for VHF; on MF and HF the generator is amplitude-modulated")
        for bits in sent:
            parts += [sound.mf_sound(bits, options["rate_ppm"]), silence]
    edge = np.zeros(sound.SOUND_RATE_HZ // 2)
    path = put_sound(order, np.concatenate([edge, *parts, edge]), caution)
    if band == "vhf":
        setup = path.with_name(f"{path.stem}-setup.wav")
        write_sound(setup, sound.setup_tones(law), sound.SOUND_RATE_HZ)
        click.echo(sound.vhf_sheet(frequency_hz, law, path.name, setup.name))
    else:
        click.echo(sound.mf_sheet(frequency_hz, path.name))
