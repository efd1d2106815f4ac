"""What people look at in a report: spectrum, level, time picture, deviation, tones. Nothing is judged on them.

A picture is made once, from the excerpt that was measured, and kept beside the inspection; a report only draws it.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels.channel import Emission
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.findings.inspection import Transmission
from sdrcheck.measurements import curves
from sdrcheck.measurements.condition import Condition

SUFFIX = ".pictures.json"
"""A picture file's name: the inspection's, with this in place of `.json`."""

MOST_POINTS = 400
CALL_S, TONE_S = 0.04, 0.008
"""How much of a call's and of a tone's waveform is drawn: some symbols, some periods."""
DEEPEST_DB = 80.0
_TINY = 1e-20

Reals = NDArray[np.floating[Any]]


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """Points joined by a line."""

    x: tuple[float, ...]
    y: tuple[float, ...]


class Band(msgspec.Struct, frozen=True, kw_only=True):
    """A span on the upright axis that is drawn behind the lines, with its word."""

    low: float
    high: float
    label: str


class Picture(msgspec.Struct, frozen=True, kw_only=True):
    """One picture, in the units of its axes."""

    title: str
    x_label: str
    y_label: str
    x: tuple[float, float]
    y: tuple[float, float]
    lines: tuple[Line, ...] = ()
    bands: tuple[Band, ...] = ()
    uprights: tuple[float, ...] = ()
    """Places on the sideways axis that are marked by a dashed line."""
    image_png: str | None = None
    """A grey PNG, base64, that fills the axes; dark is strong."""


def of_excerpt(excerpt: Excerpt, transmission: Transmission) -> tuple[Picture, ...]:
    """All pictures that a transmission's samples can give."""
    return tuple(_pictures(excerpt, transmission))


def _pictures(excerpt: Excerpt, transmission: Transmission) -> Iterator[Picture]:
    if excerpt.keyed.size < 64:
        return
    low, high = _span(excerpt, transmission)
    yield _spectrum(excerpt, low, high)
    if transmission.emission == Emission.G2B:
        yield _time_picture(excerpt, low, high)
        yield _deviation(excerpt, CALL_S)
        yield _histogram(_subcarrier(excerpt), (900.0, 2500.0), "Tone histogram", "tone, Hz", (1300.0, 2100.0))
    elif transmission.emission == Emission.F1B:
        yield _level(excerpt)
        yield _time_picture(excerpt, low, high)
        yield _histogram(
            curves.discriminated(excerpt), (-250.0, 250.0), "Line histogram", "Hz from the centre", (-85.0, 85.0)
        )
    elif transmission.emission == Emission.G3E and transmission.condition != Condition.UNMODULATED:
        yield _time_picture(excerpt, low, high)
        steady = transmission.condition in (Condition.ONE_TONE, Condition.TWO_TONES)
        yield _deviation(excerpt, TONE_S if steady else curves.LONGEST_S)
        yield _demodulated(excerpt)
    else:
        yield _level(excerpt)
        yield _time_picture(excerpt, low, high)
        if transmission.emission in (Emission.N0N, Emission.G3E):
            yield _frequency(excerpt)


def _span(excerpt: Excerpt, transmission: Transmission) -> tuple[float, float]:
    half = excerpt.sample_rate_hz / 2
    if transmission.emission == Emission.F1B:
        wanted = (-500.0, 500.0)
    elif transmission.emission == Emission.J3E:
        wanted = (-500.0, 4000.0)
    else:
        wanted = (-12_500.0, 12_500.0)
    return max(wanted[0], -half), min(wanted[1], half)


def _scale(high: float) -> tuple[float, str]:
    return (1e3, "kHz") if high > 2000 else (1.0, "Hz")


def _spectrum(excerpt: Excerpt, low: float, high: float) -> Picture:
    rate = excerpt.sample_rate_hz
    iq = excerpt.keyed
    length = min(1 << round(math.log2(rate / (40.0 if high > 5000 else 4.0))), iq.size)
    pieces = np.lib.stride_tricks.sliding_window_view(iq, length)[:: max(1, length // 2)][:400]
    power = np.mean(np.abs(np.fft.fft(pieces * np.hanning(length), axis=1)) ** 2, axis=0)
    frequency = np.fft.fftfreq(length, 1 / rate)
    order = np.argsort(frequency)
    frequency, power = frequency[order], power[order]
    inside = (frequency >= low) & (frequency <= high)
    decibels = 10 * np.log10(np.maximum(power[inside], _TINY) / max(float(power.max()), _TINY))
    scale, unit = _scale(high)
    return Picture(
        title="Spectrum while keyed",
        x_label=f"{unit} from the assigned frequency",
        y_label="dB of the strongest line",
        x=(low / scale, high / scale),
        y=(-DEEPEST_DB, 0.0),
        lines=(_thinned(frequency[inside] / scale, np.maximum(decibels, -DEEPEST_DB)),),
        uprights=(0.0,),
    )


def _level(excerpt: Excerpt) -> Picture:
    power = np.abs(excerpt.iq) ** 2
    width = max(1, round(excerpt.sample_rate_hz * 1e-3))
    whole = power.size // width * width
    if whole == 0:
        whole, width = power.size, 1
    decibels = 10 * np.log10(np.maximum(power[:whole].reshape(-1, width).mean(1), _TINY))
    times = (np.arange(decibels.size) + 0.5) * width / excerpt.sample_rate_hz - excerpt.key_on / excerpt.sample_rate_hz
    top = math.ceil((float(decibels.max()) + 3) / 10) * 10.0
    bottom = max(top - DEEPEST_DB, math.floor(float(decibels.min()) / 10) * 10.0)
    return Picture(
        title="Level",
        x_label="s from key-on",
        y_label="dBFS",
        x=(float(times[0]), float(times[-1])) if times.size > 1 else (0.0, 1.0),
        y=(bottom, top if top > bottom else bottom + 10),
        lines=(_thinned(times, np.maximum(decibels, bottom)),),
        uprights=(0.0, excerpt.duration_s),
    )


def _time_picture(excerpt: Excerpt, low: float, high: float) -> Picture:
    rate = excerpt.sample_rate_hz
    rows, columns = 80, 200
    length = min(1 << round(math.log2(max(64.0, rate / ((high - low) / rows)))), excerpt.iq.size)
    step = max(1, (excerpt.iq.size - length) // columns)
    pieces = np.lib.stride_tricks.sliding_window_view(excerpt.iq, length)[::step][:columns]
    power = np.abs(np.fft.fft(pieces * np.hanning(length), axis=1)) ** 2
    frequency = np.fft.fftfreq(length, 1 / rate)
    order = np.argsort(frequency)
    inside = (frequency[order] >= low) & (frequency[order] <= high)
    shown = 10 * np.log10(np.maximum(power[:, order][:, inside], _TINY))
    strength = np.clip((shown - shown.max() + 60) / 60, 0, 1)
    grey = np.ascontiguousarray((255 * (1 - strength.T[::-1])).astype(np.uint8))
    scale, unit = _scale(high)
    start = -excerpt.key_on / rate
    return Picture(
        title="Time picture, 60 dB",
        x_label="s from key-on",
        y_label=f"{unit} from the assigned frequency",
        x=(start, start + excerpt.iq.size / rate),
        y=(low / scale, high / scale),
        image_png=base64.b64encode(_png(grey)).decode(),
    )


def _deviation(excerpt: Excerpt, seconds: float) -> Picture:
    """The discriminator's waveform from the middle of the keying on, or all of it where that is shorter."""
    middle = (excerpt.key_on + excerpt.key_off) // 2
    count = round(seconds * excerpt.sample_rate_hz)
    whole = count >= excerpt.key_off - excerpt.key_on
    part = excerpt if whole else replace(excerpt, key_on=middle, key_off=min(middle + count, excerpt.key_off))
    curve = curves.deviation_over_time(part, MOST_POINTS)
    top = max(6000.0, math.ceil(float(np.abs(curve.y).max(initial=0)) / 2000) * 2000.0)
    scale, unit = (1.0, "s from key-on") if whole else (1e3, "ms from the middle of the keying")
    return Picture(
        title="Deviation",
        x_label=unit,
        y_label="kHz",
        x=(float(curve.x[0]) * scale, float(curve.x[-1]) * scale) if curve.x.size > 1 else (0.0, 1.0),
        y=(-top / 1e3, top / 1e3),
        lines=(_line(curve.x * scale, curve.y / 1e3),),
        bands=(Band(low=-5.0, high=5.0, label="±5 kHz"),),
    )


def _frequency(excerpt: Excerpt) -> Picture:
    """Frequency of a carrier over time, averaged over pieces of at least 10 ms: drift, jumps, settling."""
    iq = excerpt.keyed
    width = max(round(excerpt.sample_rate_hz * 0.01), -(-iq.size // (MOST_POINTS // 2)))
    whole = iq.size // width * width
    turns = np.angle((iq[1:whole] * np.conj(iq[: whole - 1])).astype(np.complex128)) if whole > width else np.zeros(1)
    turns = np.append(turns, turns[-1])
    hertz = turns.reshape(-1, min(width, turns.size)).mean(1) * excerpt.sample_rate_hz / (2 * np.pi)
    times = (np.arange(hertz.size) + 0.5) * width / excerpt.sample_rate_hz
    middle = float(np.median(hertz))
    half = max(10.0, float(np.abs(hertz - middle).max(initial=0)) * 1.2)
    return Picture(
        title="Frequency over time",
        x_label="s from key-on",
        y_label="Hz from the assigned frequency",
        x=(0.0, max(float(times[-1]), 1e-3)),
        y=(middle - half, middle + half),
        lines=(_line(times, hertz),),
    )


def _demodulated(excerpt: Excerpt) -> Picture:
    curve = curves.demodulated_spectrum(excerpt)
    decibels = 20 * np.log10(np.maximum(curve.y, 1e-3) / 3000.0)
    return Picture(
        title="Demodulated spectrum",
        x_label=curve.x_name,
        y_label="dB of 3 kHz r.m.s. deviation",
        x=(0.0, float(curve.x[-1]) if curve.x.size else 6000.0),
        y=(-DEEPEST_DB, 0.0),
        lines=(_thinned(curve.x, np.clip(decibels, -DEEPEST_DB, 0)),) if curve.x.size else (),
    )


def _subcarrier(excerpt: Excerpt) -> Reals:
    """Instantaneous frequency of what the discriminator gives, in hertz."""
    seen = curves.discriminated(excerpt)
    seen = seen - np.median(seen)
    spectrum = np.fft.fft(seen)
    frequency = np.fft.fftfreq(seen.size, 1 / excerpt.sample_rate_hz)
    spectrum[(frequency < 700) | (frequency > 2700)] = 0  # one-sided: an analytic signal in the tones' band
    analytic = np.fft.ifft(spectrum)
    turned: Reals = np.angle(analytic[1:] * np.conj(analytic[:-1])) * excerpt.sample_rate_hz / (2 * np.pi)
    return turned


def _histogram(
    values: Reals, span: tuple[float, float], title: str, x_label: str, nominal: tuple[float, ...]
) -> Picture:
    low, high = span
    counts, edges = np.histogram(values, bins=120, range=(low, high))
    share = counts / max(1, values.size) * 100
    top = max(1.0, math.ceil(float(share.max()) * 1.1))
    x = np.repeat(edges, 2)
    y = np.concatenate([[0.0], np.repeat(share, 2), [0.0]])
    return Picture(
        title=title,
        x_label=x_label,
        y_label="% of the time",
        x=(low, high),
        y=(0.0, top),
        lines=(_line(x, y),),
        uprights=nominal,
    )


def _line(x: Reals, y: Reals) -> Line:
    return Line(x=tuple(_short(x)), y=tuple(_short(y)))


def _short(values: Reals) -> Sequence[float]:
    """Four significant digits are more than a picture shows, and keep the file small."""
    return [float(f"{value:.5g}") for value in values]


def _thinned(x: Reals, y: Reals) -> Line:
    """Keep the lowest and the highest of each stretch where there are more points than can be drawn."""
    stretch = -(-2 * x.size // MOST_POINTS)
    if stretch <= 1 or x.size < 4:
        return _line(x, y)
    whole = x.size // stretch * stretch
    folded = y[:whole].reshape(-1, stretch)
    ends = np.stack([folded.min(1), folded.max(1)], 1)
    # draw up or down first, as the curve came
    falls = folded.argmax(1) < folded.argmin(1)
    ends[falls] = ends[falls][:, ::-1]
    return _line(np.repeat(x[:whole:stretch], 2), ends.ravel())


def _png(grey: NDArray[np.uint8]) -> bytes:
    """A grey picture as PNG (RFC 2083): signature, header, one run of data, end."""
    rows, columns = grey.shape

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    lines = b"".join(b"\0" + row.tobytes() for row in grey)
    head = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(lines, 9)) + chunk(b"IEND", b"")
