"""A steady carrier watched while the dongle warms up: how far the reference moves, and when it has settled.

Only the change matters, so the carrier need not be known, only steady: a broadcast or base station, or a generator.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from sdrcheck.errors import MeasurementError, ReceiverError
from sdrcheck.filters.iq import Complex, complex_samples
from sdrcheck.receiver.reference import WarmUp
from sdrcheck.sources.source import IqSource

SEARCH_HZ = 20e3
"""How far from where it should be the carrier is looked for."""
READING_S = 1.0
"""How long one reading takes."""
LEAST_DB = 20.0
"""How far the carrier has to stand above what surrounds it, in 1 Hz."""
FOLLOWED_HZ = 2_000.0
"""How far from the last reading it is looked for, once found."""


def readings(source: IqSource, carrier_hz: float, *, every_s: float, last_s: float) -> Iterator[tuple[float, float]]:
    """Yield time in seconds and the carrier's indicated offset in ppm, every `every_s`, up to `last_s`.

    Raises MeasurementError when no steady carrier stands there.
    """
    facts = source.facts
    rate = facts.sample_rate_hz
    offset = carrier_hz - facts.centre_hz
    if abs(offset) > rate / 2:
        raise MeasurementError(
            f"the carrier lies {abs(offset) / 1e3:.0f} kHz from the centre of the source, which reaches "
            f"{rate / 2e3:.0f} kHz; give another --carrier"
        )
    wanted = round(READING_S * rate)
    parts: list[Complex] = []
    have, due_s, near_hz, span = 0, 0.0, offset, SEARCH_HZ
    for block in source.blocks():
        start_s = block.first_sample / rate
        if start_s > last_s:
            break
        if block.lost_before or start_s < due_s:
            parts, have = [], 0
        if start_s < due_s:
            continue
        parts.append(complex_samples(block.raw, block.datatype))
        have += block.count
        if have >= wanted:
            near_hz = strongest_line(np.concatenate(parts)[:wanted], rate, near_hz, span)
            span = FOLLOWED_HZ
            begun = (block.first_sample + block.count - have) / rate
            yield begun, (near_hz - offset) / carrier_hz * 1e6
            parts, have, due_s = [], 0, begun + every_s


def strongest_line(iq: Complex, sample_rate_hz: float, near_hz: float, span_hz: float) -> float:
    """Measure the frequency in hertz of the strongest line within ± `span_hz` of `near_hz`.

    A Hann window's peak, interpolated over the logarithms of three bins. Raises MeasurementError without a line.
    """
    window = np.hanning(iq.size).astype(np.float32)
    spectrum = np.abs(np.fft.fft(iq * window)) ** 2
    bins = np.fft.fftfreq(iq.size, 1 / sample_rate_hz)
    inside = np.flatnonzero(np.abs(bins - near_hz) <= span_hz)
    power = spectrum[inside]
    peak = int(inside[int(np.argmax(power))])
    floor = float(np.median(power)) or 1e-30
    if 10 * math.log10(max(float(spectrum[peak]), 1e-30) / floor) < LEAST_DB:
        raise MeasurementError(
            f"no steady carrier stands within {span_hz / 1e3:g} kHz of where it should be; choose a stronger one"
        )
    below, at, above = (math.log(max(float(spectrum[(peak + step) % iq.size]), 1e-30)) for step in (-1, 0, 1))
    curvature = below - 2 * at + above
    part = 0.5 * (below - above) / curvature if curvature else 0.0
    return float(bins[peak]) + part * sample_rate_hz / iq.size


_MIDDLE = 20
_STEP_PPM = 0.25
"""What a mark's step to the side means."""


def head() -> str:
    """The line above the plot in the terminal: what its edges mean."""
    edge = f"{_MIDDLE * _STEP_PPM:g} ppm"
    scale = f"-{edge}{'0':^{2 * (_MIDDLE - len(edge)) - 1}}+{edge}"
    return f"{'time':>11}  {'change':>11}  {scale}"


def row(time_s: float, ppm: float, first_ppm: float) -> str:
    """One line of the plot in the terminal: time, change against the first reading, and a mark that moves sideways.

    A mark that would lie beyond an edge is an arrow there.
    """
    change = ppm - first_ppm
    place = _MIDDLE + round(change / _STEP_PPM)
    scale = ["."] * (2 * _MIDDLE + 1)
    scale[_MIDDLE] = "|"
    if place < 0:
        scale[0] = "<"
    elif place >= len(scale):
        scale[-1] = ">"
    else:
        scale[place] = "*"
    return f"{time_s / 60:7.1f} min  {change:+7.2f} ppm  {''.join(scale)}"


def sentence(series: WarmUp) -> str:
    """Say when the reference settled, if it did."""
    settled = series.settled_s()
    moved = f"It moved by {series.moved_ppm:+.2f} ppm in all."
    if settled is None:
        return f"Not settled yet (within 0.1 ppm for 5 min). {moved}"
    return f"Settled since {settled / 60:.0f} min after the start, within 0.1 ppm. {moved}"


def draw(series: WarmUp, path: Path, title: str) -> None:
    """Draw the series into a PNG file. Raises ReceiverError where it cannot be written."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7, 4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.plot([time / 60 for time in series.times_s], [value - series.ppm[0] for value in series.ppm], "k.-", lw=0.8)
    settled = series.settled_s()
    if settled is not None:
        axes.axvline(settled / 60, color="0.4", ls="--", label=f"settled since {settled / 60:.0f} min, within 0.1 ppm")
        axes.legend()
    axes.set_title(title, fontsize="medium")
    axes.set_xlabel("minutes since the start")
    axes.set_ylabel("change of the reference, ppm")
    axes.grid(alpha=0.3)
    try:
        figure.savefig(path, dpi=120, format="png")
    except OSError as problem:
        raise ReceiverError(f"{path} cannot be written ({problem.strerror}); choose another name with --png") from None
