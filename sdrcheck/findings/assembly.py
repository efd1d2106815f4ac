"""One excerpt becomes one transmission of the result: decoded, measured, corrected, judged, remarked upon.

Here, and only here, the frequency reference is applied: to radio frequencies and to everything timed by the sample
clock alike. Measurements and decoders speak of what the receiver indicated.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Literal

import msgspec
import numpy as np

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.decoders.decoder import Decode
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.errors import ReceiverError
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.findings.inspection import Kind, Reading, Transmission
from sdrcheck.findings.signatures import signatures
from sdrcheck.limits import sets
from sdrcheck.limits.limit import Declared
from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.stretch import CLIPPING_MATTERS
from sdrcheck.quantities import Measured, Term
from sdrcheck.receiver.attenuation import watts_text
from sdrcheck.receiver.level import LevelReference, watts_span
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.recordings.utc import utc_moment, utc_now, utc_text
from sdrcheck.verdicts.judge import judge
from sdrcheck.verdicts.others import dissent

ToneSource = Literal["acoustic", "electrical"]

QUANTITIES = (
    "carrier offset",
    "carrier offset, relative",
    "line B offset",
    "line Y offset",
    "level",
    "level, peak envelope",
    "level at the set",
    "noise floor",
    "peak deviation, up",
    "peak deviation, down",
    "modulating tone",
    "modulating tone, second",
    "sinad",
    "residual modulation",
    "occupied bandwidth",
    "rise time",
    "fall time",
    "transient frequency",
    "tone B",
    "tone Y",
    "modulation index, B",
    "modulation index, Y",
    "shift",
    "modulation rate",
    "modulation rate error",
    "dot pattern",
    "carrier suppression",
    "two-tone product, third",
    "two-tone product, fifth",
)
"""Names of readings, in the order in which people want them."""

_ON_THE_AIR = ("carrier offset", "line B offset", "line Y offset")
"""Offsets from a radio frequency: the reference shifts them by its part of the whole frequency."""

_CLIPPING_SPARES = (
    *_ON_THE_AIR,
    "carrier offset, relative",
    "modulating tone",
    "modulating tone, second",
    "tone B",
    "tone Y",
    "shift",
    "modulation rate",
    "modulation rate error",
    "dot pattern",
)
"""What clipped samples still show: where lines lie and when they change. Clipping voids verdicts on the rest."""

FM_RATE_HZ = 20_000.0
"""Excerpts sampled faster come from an FM channel."""
TELEGRAPHY_RATE_HZ = 4_000.0
"""Excerpts sampled slower come from an F1B channel."""
_LOWEST_RADIO_HZ = 25_000.0
"""A lower frequency is sound; a recording of sound that does not say its dial begins at 0 Hz."""
_MOSTLY_CARRIER = 0.7
_HIGHEST_CREST_DBFS = -3.0
"""Upper end of the window in which readings are valid (common practice)."""
_BURST_S = 0.06
_LONGEST_BURST_S = 1.0
_WIDEST_TELEPHONY_HZ = 30_000.0
_CUT_AT_START = "It was on the air already when the samples begin: its beginning is missing."
_CUT_AT_END = "It was still on the air when the samples end: its end is missing."


@dataclass(frozen=True, slots=True)
class Judging:
    """What findings are corrected with and held against."""

    reference: FrequencyReference | None = None
    """As it was taken; age is allowed for where it is used. None: an uncorrected dongle."""
    limit_set: str = sets.DEFAULT
    tone_source: ToneSource | None = None
    """How test tones got into the set; where it is not declared, nothing that depends on it is judged."""
    declared: Collection[Declared] = ()
    """What the person at the set said of it."""
    level_reference: LevelReference | None = None
    tones_hz: tuple[float, ...] = ()
    """Test tones at the set, in hertz, as far as their frequency is known there: on J3E they show the carrier."""

    def reference_at(self, utc: str | None) -> FrequencyReference:
        """The reference as good as it was then, or with None as it is now; an uncorrected one where none is given."""
        known = self.reference or FrequencyReference.uncorrected()
        return known.at(utc_now() if utc is None else utc_moment(utc))


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the engine knows of one transmission besides its samples."""

    start_utc: str | None = None
    """Of key-on."""
    frequency_step_hz: float = 0.0
    gain_db: float | None = None
    occupied_hz: float = 0.0
    """How wide the signal stood in the span; 0 where that was not looked at."""
    receiver_sound: bool = False


@dataclass(slots=True)
class _Found:
    """What measurements and decoders said of an excerpt, on the indicated clock."""

    emission: Emission
    kind: Kind
    condition: Condition
    readings: dict[str, Measured] = field(default_factory=dict)
    decode: Decode = field(default_factory=Decode)
    remarks: list[str] = field(default_factory=list)
    on_the_air: Collection[str] = _ON_THE_AIR
    clipped: bool = False


def assemble(
    excerpt: Excerpt,
    judging: Judging,
    circumstances: Circumstances | None = None,
    decode: Decode | None = None,
) -> Transmission:
    """Make one excerpt a transmission of the result. A `decode` that was made while it came in is used as it is."""
    around = circumstances or Circumstances()
    if excerpt.sample_rate_hz <= TELEGRAPHY_RATE_HZ:
        found = _telegraphy(excerpt, decode)
    elif excerpt.sample_rate_hz < FM_RATE_HZ:
        found = _single_sideband(excerpt, around, judging)
    else:
        found = _telephony(excerpt, around, decode)
    found.clipped = excerpt.clipped_fraction > CLIPPING_MATTERS
    found.remarks += _surroundings(excerpt)
    found.remarks += _overload(excerpt, found, sound=around.receiver_sound)
    reference = judging.reference_at(around.start_utc)
    corrected = _corrected(found, excerpt, reference, around)
    frequency_hz = _frequency(corrected, found, excerpt, reference, around)
    corrected = _completed(corrected, frequency_hz, excerpt, judging, around, found)
    readings = tuple(_judged(name, corrected[name], found, excerpt.channel, judging) for name in _ordered(corrected))
    channel = excerpt.channel
    offset = corrected.get("carrier offset")
    found.remarks += signatures(found.kind, found.emission, frequency_hz + (offset.value if offset else 0.0), readings)
    return Transmission(
        start_s=excerpt.key_on_s,
        duration_s=excerpt.duration_s,
        start_utc=around.start_utc,
        frequency_hz=frequency_hz,
        channel=channel.name if channel else None,
        leg=channel.leg.value if channel and channel.leg else None,
        emission=found.emission.value,
        kind=found.kind,
        condition=found.condition.value,
        readings=readings,
        calls=tuple(
            msgspec.structs.replace(one.call, start_s=float(one.call.start_s), end_s=float(one.call.end_s))
            for one in found.decode.calls
        ),
        messages=tuple(_dated(one, excerpt, reference, around) for one in found.decode.messages),
        stray_text=found.decode.stray_text,
        remarks=tuple(dict.fromkeys(found.remarks)),
    )


def _dated(message: Message, excerpt: Excerpt, reference: FrequencyReference, around: Circumstances) -> Message:
    """A message with its UTC, counted from key-on by the corrected sample clock."""
    if around.start_utc is None:
        return message
    after_s = (message.start_s - excerpt.key_on_s) * (1 + reference.correction_ppm * 1e-6)
    began = utc_moment(around.start_utc) + timedelta(seconds=after_s)
    return msgspec.structs.replace(message, start_utc=utc_text(began))


def make_ready() -> None:
    """Import all that is otherwise imported when it is first needed, so that the first call is told as fast as any."""
    import scipy.signal  # noqa: F401

    from sdrcheck.decoders import catalogue
    from sdrcheck.measurements import calls, f1b, fm, ssb  # noqa: F401

    for name in catalogue.DECODERS:
        catalogue.decoder(name)


def decoded(excerpt: Excerpt, emission: Emission) -> Decode:
    """Let every decoder that may find something in the excerpt read it; the first that does is believed."""
    from sdrcheck.decoders.catalogue import decoders_for

    remarks: tuple[str, ...] = ()
    for decoder in decoders_for(emission, excerpt.channel):
        read = decoder(excerpt)
        remarks += read.remarks
        if read.calls or read.messages or read.stray_text:
            return read
    return Decode(remarks=remarks)


# -- what it is -------------------------------------------------------------------------------------------------------


def _telephony(excerpt: Excerpt, around: Circumstances, decode: Decode | None) -> _Found:
    """An FM channel: a carrier, telephony, a call, or something that is none of these."""
    from sdrcheck.measurements import fm

    channel = excerpt.channel
    if around.occupied_hz > _WIDEST_TELEPHONY_HZ:
        return _data(_bare(excerpt, _Found(Emission.UNKNOWN, Kind.UNKNOWN, Condition.UNKNOWN)), excerpt, around)
    if decode is None and channel is not None and channel.calling:
        decode = decoded(excerpt, channel.emission)
    measured = fm.measure(excerpt, _of_call(excerpt, decode))
    condition = measured.condition
    found = _Found(Emission.UNKNOWN, Kind.UNKNOWN, condition, dict(measured.readings), Decode(), list(measured.remarks))
    if decode is not None:
        found.decode = decode
    elif condition not in (Condition.UNMODULATED, Condition.ONE_TONE, Condition.TWO_TONES):
        found.decode = decoded(excerpt, Emission.G3E)
        found.readings |= _of_call(excerpt, found.decode)
    found.remarks += found.decode.remarks
    if found.decode.calls:
        found.emission, found.kind, found.condition = Emission.G2B, Kind.DSC_CALL, Condition.CALL
        found.readings = {name: value for name, value in found.readings.items() if name not in _NOT_OF_A_CALL}
        _add_dot_pattern(found)
        return found
    if _is_data(excerpt, condition):
        return _data(found, excerpt, around)
    if condition is Condition.UNMODULATED:
        found.emission, found.kind = Emission.N0N, Kind.CARRIER
    elif condition is Condition.CALL:
        found.emission, found.kind = Emission.G2B, Kind.DSC_CALL
        found.remarks.append("This is keyed like a selective call, but no call could be read in it.")
    elif condition is not Condition.UNKNOWN:
        found.emission, found.kind = Emission.G3E, Kind.VOICE
    return found


def _of_call(excerpt: Excerpt, decode: Decode | None) -> dict[str, Measured]:
    """What the first call of a keying tells of itself."""
    from sdrcheck.measurements import calls

    return calls.measure(excerpt, decode.calls[0].track) if decode is not None and decode.calls else {}


_OF_ANYTHING = ("level", "noise floor", "occupied bandwidth")
_NOT_OF_A_CALL = ("modulating tone", "modulating tone, second", "sinad", "residual modulation")


def _data(found: _Found, excerpt: Excerpt, around: Circumstances) -> _Found:
    """Leave of a signal that is neither telephony nor a call only what can be said of any."""
    found.emission, found.condition = Emission.UNKNOWN, Condition.UNKNOWN
    found.kind = Kind.DATA_BURST if excerpt.duration_s < _LONGEST_BURST_S else Kind.UNKNOWN
    found.readings = {name: found.readings[name] for name in _OF_ANYTHING if name in found.readings}
    found.remarks = [_data_remark(excerpt, around)]
    return found


def _is_data(excerpt: Excerpt, condition: Condition) -> bool:
    """Whether it is neither telephony nor a call: too short, or on a channel for data and not speech."""
    channel = excerpt.channel
    if condition is Condition.UNKNOWN:
        return True
    short = excerpt.duration_s < _BURST_S and not (excerpt.cut_at_start or excerpt.cut_at_end)
    if condition is not Condition.UNMODULATED and short:
        return True
    for_data = channel is not None and channel.emission is Emission.UNKNOWN
    return for_data and excerpt.duration_s < _LONGEST_BURST_S and condition is not Condition.UNMODULATED


def _data_remark(excerpt: Excerpt, around: Circumstances) -> str:
    duration_s = excerpt.duration_s
    length = f"{1e3 * duration_s:.3g} ms long" if duration_s < 0.9995 else f"{duration_s:.3g} s long"
    wide = f" and about {around.occupied_hz / 1e3:.0f} kHz wide" if around.occupied_hz > _WIDEST_TELEPHONY_HZ else ""
    if excerpt.channel is not None and excerpt.channel.name.startswith("AIS"):
        return f"Data, {length}, as ships' automatic identification sends them here; not telephony, and not read."
    return f"Neither telephony nor a call, {length}{wide}; only its place and level were taken."


def _telegraphy(excerpt: Excerpt, decode: Decode | None) -> _Found:
    """A narrow excerpt: a call or text in two lines, a bare carrier, or something else."""
    from sdrcheck.measurements import f1b

    read = decoded(excerpt, Emission.F1B) if decode is None else decode
    remarks = list(read.remarks)
    track = read.calls[0].track if read.calls else read.text_track
    if track is not None:
        found = _Found(Emission.F1B, Kind.UNKNOWN, Condition.MESSAGE, f1b.measure(excerpt, track), read, remarks)
        if read.calls:
            found.kind, found.condition = Kind.DSC_CALL, Condition.CALL
            _add_dot_pattern(found)
        elif read.messages or excerpt.channel is None or excerpt.channel.text:
            found.kind = Kind.NAVTEX
        return found
    return _bare(excerpt, _Found(Emission.UNKNOWN, Kind.UNKNOWN, Condition.UNKNOWN, {}, read, remarks))


def _bare(excerpt: Excerpt, found: _Found) -> _Found:
    """Level and noise of an emission that nobody could read, and its offset where it is a bare carrier."""
    from sdrcheck.measurements import carrier, level, noise, stretch

    half_hz = 150.0 if excerpt.sample_rate_hz <= TELEGRAPHY_RATE_HZ else 1_350.0
    floor = level.noise_floor(noise.beside(excerpt, half_hz), 2 * half_hz)
    if floor is not None:
        found.readings["noise floor"] = floor
    settled = stretch.settled(excerpt)
    if settled is None:
        return found
    found.readings["level"] = level.level(settled)
    line = carrier.carrier(settled)
    if line.steady:
        found.emission, found.kind, found.condition = Emission.N0N, Kind.CARRIER, Condition.UNMODULATED
        found.readings["carrier offset"] = line.offset
    elif _share_of(excerpt, line.offset.value) > _MOSTLY_CARRIER:
        found.readings["carrier offset"] = line.offset
        found.remarks.append("Most of it is one line: a carrier whose strength or phase is keyed.")
    return found


def _share_of(excerpt: Excerpt, offset_hz: float) -> float:
    """How much of the power while keyed lies within a few hertz of one place."""
    keyed = excerpt.keyed
    times = np.arange(keyed.size) / excerpt.sample_rate_hz
    at_zero = keyed * np.exp(-2j * np.pi * offset_hz * times)
    length = max(1, round(0.1 * excerpt.sample_rate_hz))
    count = keyed.size // length
    total = float(np.mean(np.abs(keyed) ** 2))
    if count == 0 or total == 0:
        return 0.0
    near = np.abs(at_zero[: count * length].reshape(count, length).mean(axis=1)) ** 2
    return float(near.mean()) / total


def _single_sideband(excerpt: Excerpt, around: Circumstances, judging: Judging) -> _Found:
    """A sideband channel: speech or tones on a suppressed carrier, or receiver sound with two lines somewhere in it."""
    from sdrcheck.measurements import ssb

    if around.receiver_sound:
        read = decoded(excerpt, Emission.J3E if excerpt.channel is None else excerpt.channel.emission)
        if read.calls or read.messages or read.stray_text:
            kind, condition = (Kind.DSC_CALL, Condition.CALL) if read.calls else (Kind.NAVTEX, Condition.MESSAGE)
            found = _Found(Emission.F1B, kind, condition, _two_lines(excerpt, read), read, list(read.remarks))
            _add_dot_pattern(found)
            return found
    if excerpt.channel is None:
        return _bare(excerpt, _Found(Emission.UNKNOWN, Kind.UNKNOWN, Condition.UNKNOWN))
    clock = 1 + judging.reference_at(around.start_utc).correction_ppm * 1e-6
    tones_hz = [tone * clock for tone in judging.tones_hz]  # as the receiver indicates them
    measured = ssb.measure(excerpt, tones_hz, sound=around.receiver_sound)
    found = _Found(Emission.J3E, Kind.VOICE, measured.condition, measured.readings, Decode(), list(measured.remarks))
    found.on_the_air = {*_ON_THE_AIR, *measured.from_the_dial}
    if measured.condition is Condition.UNMODULATED:
        found.emission, found.kind = Emission.N0N, Kind.CARRIER
    return found


def _two_lines(excerpt: Excerpt, read: Decode) -> dict[str, Measured]:
    """Measure two lines somewhere in a passband of receiver sound, as wide as an F1B channel about their middle."""
    from sdrcheck.decoders.fsk import shifted_and_narrowed
    from sdrcheck.measurements import f1b

    track = read.calls[0].track if read.calls else read.text_track
    if track is None:
        return {}
    centre_hz = float(round(track.offset_hz))
    iq, rate = shifted_and_narrowed(excerpt.iq, excerpt.sample_rate_hz, centre_hz)
    scale = rate / excerpt.sample_rate_hz
    narrow = replace(
        excerpt,
        iq=iq,
        sample_rate_hz=rate,
        centre_hz=excerpt.centre_hz + centre_hz,
        key_on=round(excerpt.key_on * scale),
        key_off=min(round(excerpt.key_off * scale), iq.size),
        lost=tuple((math.floor(at * scale), math.ceil(length * scale)) for at, length in excerpt.lost),
    )
    readings = f1b.measure(narrow, replace(track, offset_hz=track.offset_hz - centre_hz))
    return {name: value.shifted(centre_hz) if name in _ON_THE_AIR else value for name, value in readings.items()}


def _add_dot_pattern(found: _Found) -> None:
    bits = [one.call.dot_pattern_bits for one in found.decode.calls if one.call.dot_pattern_bits is not None]
    if bits:
        counted = Term.rectangular("counted to a whole bit", 0.5)
        found.readings.setdefault("dot pattern", Measured(float(bits[0]), "bit", (counted,), "up to the phasing"))


def _surroundings(excerpt: Excerpt) -> Iterator[str]:
    yield from excerpt.remarks
    if excerpt.cut_at_start:
        yield _CUT_AT_START
    if excerpt.cut_at_end:
        yield _CUT_AT_END
    if excerpt.channel is not None:
        single = plan.other_number_remark(excerpt.channel)
        if single:
            yield single


def _overload(excerpt: Excerpt, found: _Found, *, sound: bool) -> Iterator[str]:
    """Whether the converter had room for it: the crest of a signal belongs 3 dB or more under full scale."""
    if found.clipped:
        yield "Samples were clipped: amplitudes and modulation are told, but not judged."
        if not any("overloaded" in remark or "overdriven" in remark for remark in found.remarks):
            share = f"{excerpt.clipped_fraction:.2%} of the samples at an end code"
            yield (
                f"The sound input was overdriven ({share}): turn its level down and repeat."
                if sound
                else f"The receiver was overloaded ({share}): add attenuation and repeat."
            )
        return
    crest = found.readings.get("level, peak envelope") or found.readings.get("level")
    if crest is not None and crest.value > _HIGHEST_CREST_DBFS:
        what = (
            "the sound input is close to overload; turn its level down, and repeat."
            if sound
            else "the receiver is close to overload; add attenuation or take less gain, and repeat."
        )
        yield (
            f"Its crest lies at {crest.value:.1f} dBFS, less than {-_HIGHEST_CREST_DBFS:g} dB under full scale: {what}"
        )


# -- the reference ----------------------------------------------------------------------------------------------------


def _corrected(
    found: _Found, excerpt: Excerpt, reference: FrequencyReference, around: Circumstances
) -> dict[str, Measured]:
    """All readings corrected; offsets are from the channel's assigned frequency, or from 0 Hz off the plan."""
    corrected = {}
    for name, value in found.readings.items():
        if name in found.on_the_air:
            indicated = excerpt.centre_hz + value.value
            from_zero = value.shifted(excerpt.centre_hz)
            true = reference.correct_frequency(from_zero, indicated, around.frequency_step_hz)
            corrected[name] = true.shifted(-excerpt.channel.frequency_hz) if excerpt.channel else true
        else:
            corrected[name] = reference.correct_clock(value)
    return corrected


def _frequency(
    corrected: dict[str, Measured],
    found: _Found,
    excerpt: Excerpt,
    reference: FrequencyReference,
    around: Circumstances,
) -> float:
    """The assigned frequency, or off the plan the measured one (and a remark that says where that is)."""
    if excerpt.channel is not None:
        return float(excerpt.channel.frequency_hz)
    carrier = corrected.pop("carrier offset", None)
    for name in _ON_THE_AIR:
        corrected.pop(name, None)
    frequency_hz = float(carrier.value) if carrier else excerpt.centre_hz / (1 + reference.correction_ppm * 1e-6)
    if around.receiver_sound and frequency_hz < _LOWEST_RADIO_HZ:
        found.remarks.insert(0, "The frequency told is that of the sound: the dial frequency is not known.")
    elif frequency_hz > 0:
        near = plan.raster_hz(frequency_hz)
        apart = Measured(frequency_hz - near, "Hz", carrier.terms if carrier else ())
        size = f"{abs(apart.value):.0f} Hz" + (f" ± {apart.uncertainty:.2g} Hz" if carrier else "")
        side = "above" if apart.value >= 0 else "below"
        found.remarks.insert(
            0, f"It lies off the channel plan, {size} {side} {plan.frequency_text(near)}, the nearest of the raster."
        )
    return frequency_hz


def _completed(
    corrected: dict[str, Measured],
    frequency_hz: float,
    excerpt: Excerpt,
    judging: Judging,
    around: Circumstances,
    found: _Found,
) -> dict[str, Measured]:
    """Add what follows from other readings: the offset in ppm, the level at the set."""
    offset = corrected.get("carrier offset")
    if offset is not None and frequency_hz > 0:
        corrected["carrier offset, relative"] = offset.scaled(1e6 / frequency_hz, "ppm")
    level = corrected.get("level")
    if judging.level_reference is not None and level is not None:
        if around.gain_db is None:
            found.remarks.append("The recording does not say at which gain it was made: no level at the set is given.")
        else:
            try:
                at_the_set = judging.level_reference.at_the_set(level, around.gain_db, frequency_hz)
            except ReceiverError as problem:
                found.remarks.append(f"No level at the set: {problem}.")
            else:
                corrected["level at the set"] = at_the_set
                low, value, high = (watts_text(watts) for watts in watts_span(at_the_set))
                found.remarks.append(f"About {value} at the set ({low} to {high}); the calibrated wattmeter decides.")
    return corrected


# -- limits and verdicts ----------------------------------------------------------------------------------------------


def _judged(name: str, value: Measured, found: _Found, channel: Channel | None, judging: Judging) -> Reading:
    value = _plain(value)
    if found.clipped and name not in _CLIPPING_SPARES:
        return Reading.of(name, value)
    limits = sets.applicable(
        judging.limit_set,
        name,
        found.emission.value,
        found.condition.value,
        channel,
        judging.tone_source,
        judging.declared,
    )
    if not limits:
        return Reading.of(name, value)
    if name != "carrier offset, relative":  # the same in other words
        found.remarks += dissent(value, limits)
    return Reading.of(name, value, limits[0], judge(value, limits[0]).value)


def _plain(found: Measured) -> Measured:
    """The same with plain numbers, as JSON wants them."""
    terms = tuple(replace(term, standard=float(term.standard)) for term in found.terms)
    return replace(found, value=float(found.value), terms=terms)


def _ordered(readings: dict[str, Measured]) -> list[str]:
    known = [name for name in QUANTITIES if name in readings]
    return known + sorted(readings.keys() - set(QUANTITIES))


# -- long ones --------------------------------------------------------------------------------------------------------


def joined(pieces: Sequence[Transmission]) -> Transmission:
    """Make one transmission of a long keying's pieces: readings of the first that was made out, all that was read."""
    first, last = pieces[0], pieces[-1]
    if len(pieces) == 1:
        return first
    measured = next((piece for piece in pieces if piece.kind is not Kind.UNKNOWN), first)
    duration_s = last.start_s + last.duration_s - first.start_s
    inner = {_CUT_AT_START: pieces[1:], _CUT_AT_END: pieces[:-1]}
    remarks = [remark for piece in pieces for remark in piece.remarks if piece not in inner.get(remark, ())]
    if measured is first:
        remarks.append(f"Measured in its first {first.duration_s:.0f} s of {duration_s:.0f} s.")
    else:
        after_s = measured.start_s - first.start_s
        remarks.append(f"Measured in {measured.duration_s:.0f} s of {duration_s:.0f} s, from {after_s:.0f} s on.")
    remarks += _moved(pieces)
    return msgspec.structs.replace(
        measured,
        start_s=first.start_s,
        start_utc=first.start_utc,
        duration_s=duration_s,
        calls=tuple(call for piece in pieces for call in piece.calls),
        messages=tuple(message for piece in pieces for message in piece.messages),
        stray_text="\n".join(piece.stray_text for piece in pieces if piece.stray_text),
        remarks=_told_once(remarks),
    )


def _told_once(remarks: Sequence[str]) -> tuple[str, ...]:
    """Leave out what was said before with other numbers."""
    told: dict[str, str] = {}
    for remark in remarks:
        told.setdefault(re.sub(r"\d[\d.]*", "", remark), remark)
    return tuple(told.values())


def _moved(pieces: Sequence[Transmission]) -> Iterator[str]:
    """Say where a long transmission's level or carrier did not stay what it was in its first piece."""
    for quantity, least in (("carrier offset", 10.0), ("level", 1.0)):
        found = [reading for piece in pieces if (reading := piece.reading(quantity)) is not None]
        values = [reading.value for reading in found]
        if values and max(values) - min(values) > least:
            span = f"{min(values):+.4g} and {max(values):+.4g} {found[0].unit}"
            yield f"Over its whole length the {quantity} moved between {span}."
