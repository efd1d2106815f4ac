"""SINAD of the sound that a ship's receiver gives while a calibrated generator feeds it, and the sensitivity from it.

SINAD = 10·log10((S + N + D)/(N + D)): the whole over what is left when the 1 kHz tone is taken out.
"""

from __future__ import annotations

import contextlib
import enum
import math
import queue
import threading
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.errors import MeasurementError, SourceLost
from sdrcheck.filters.iq import complex_samples
from sdrcheck.quantities import Measured, Term
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts

TONE_HZ = 1000.0
TONE_ROOM_HZ = 25.0
"""The tone is looked for this far around 1 kHz, and taken out with this much around it."""
LOWEST_HZ, HIGHEST_HZ = 300.0, 3000.0 + 4 * TONE_ROOM_HZ
"""300 Hz to 3 kHz, and so far beyond that the tone's third harmonic counts in full wherever the tone is found."""
WANTED_DB = 20.0
BLOCK_S = 0.5
LEAST_RATE_HZ = 8000.0
"""The least usual rate that holds sound up to 3 kHz and the filter before it."""

PSOPHOMETRIC_DB = (
    *((16.66, -85.0), (50.0, -63.0), (100.0, -41.0), (200.0, -21.0), (300.0, -10.6), (400.0, -6.3), (500.0, -3.6)),
    *((600.0, -2.0), (700.0, -0.9), (800.0, 0.0), (900.0, 0.6), (1000.0, 1.0), (1200.0, 0.0), (1400.0, -0.9)),
    *((1600.0, -1.7), (1800.0, -2.4), (2000.0, -3.0), (2500.0, -4.2), (3000.0, -5.6), (3500.0, -8.5)),
    *((4000.0, -15.0), (4500.0, -25.0), (5000.0, -36.0), (6000.0, -43.0)),
)
"""Telephone weighting of ITU-T O.41, 0 dB at 800 Hz (seen in an annex that quotes it)."""


@dataclass(frozen=True, slots=True)
class Sinad:
    """One block's SINAD, and what was wrong with the sound."""

    measured: Measured
    tone_hz: float
    clipped: bool
    remark: str = ""


class Why(enum.Enum):
    """Why a block gave no SINAD."""

    NO_SOUND = enum.auto()
    NO_TONE = enum.auto()
    LOST = enum.auto()


@dataclass(frozen=True, slots=True)
class Unread:
    """A block that gave no SINAD, and why, also as a sentence."""

    why: Why
    sentence: str


class NoTone(MeasurementError):
    """There is sound, but no 1 kHz tone in it."""


def weight(hertz: NDArray[np.float64], psophometric: bool) -> NDArray[np.float64]:
    """Power weight at each frequency: O.41, or flat from LOWEST_HZ to HIGHEST_HZ."""
    if not psophometric:
        return ((hertz >= LOWEST_HZ) & (hertz <= HIGHEST_HZ)).astype(np.float64)
    known = np.array(PSOPHOMETRIC_DB)
    decibels = np.interp(np.log(np.maximum(hertz, 1.0)), np.log(known[:, 0]), known[:, 1], left=-200.0, right=-200.0)
    return 10 ** (decibels / 10)


def sinad(sound: NDArray[np.float64], rate_hz: float, *, psophometric: bool = False) -> Sinad:
    """Measure the SINAD of at least 0.2 s of sound in decibels.

    Assumes one tone near 1 kHz. Raises NoTone where there is none, MeasurementError where there is no sound.
    """
    if sound.size < 0.2 * rate_hz:
        raise MeasurementError(f"SINAD needs 0.2 s of sound, got {sound.size / rate_hz:.2f} s")
    clipped = bool(np.mean(np.abs(sound) >= 0.999) > 1e-3)
    values = sound - sound.mean()
    if not np.any(values):
        raise MeasurementError("there is no sound at all; check the cable and the input's level")
    window = np.hanning(values.size) ** 2  # side lobes fall fast, so that the tone stays where it belongs
    power = np.square(np.abs(np.fft.rfft(values * window)))
    hertz = np.arange(power.size) * rate_hz / values.size
    near = np.abs(hertz - TONE_HZ) <= TONE_ROOM_HZ
    tone_hz = float(hertz[near][np.argmax(power[near])])
    weighted = power * weight(hertz, psophometric)
    # four bins hold the main lobe of the squared window
    room = max(TONE_ROOM_HZ, float(4 * rate_hz / values.size))
    tone = np.abs(hertz - tone_hz) <= room
    inside = weighted > 0
    beside = inside & ~tone & (np.abs(hertz - tone_hz) <= 4 * room)
    hidden = float(np.mean(weighted[beside])) * np.count_nonzero(tone) if beside.any() else 0.0
    rest = float(weighted[inside & ~tone].sum()) + hidden
    whole = float(weighted.sum())
    signal = float(weighted[tone].sum()) - hidden
    share = int(tone.sum()) / max(int(inside.sum()), 1)
    if signal <= 2 * rest * share:
        raise NoTone("no 1 kHz tone in the sound; is the generator modulated and the squelch open?")
    value = 10 * math.log10(whole / rest)
    # the rest is the power of noise in about 2·B·T/1.9 independent values (window), so its relative spread is:
    freedom = max((HIGHEST_HZ - LOWEST_HZ) * values.size / rate_hz / 1.94, 1.0)
    terms = (
        Term.normal("noise of one block", 10 / math.log(10) / math.sqrt(freedom)),
        Term.rectangular("flatness of the sound input, 300 Hz to 3 kHz", 0.3),
    )
    remark = "the sound input is overdriven; turn its level down" if clipped else ""
    return Sinad(Measured(value, "dB", terms, "1 kHz, block of 0.5 s"), tone_hz, clipped, remark)


def require_sound(facts: SourceFacts) -> None:
    """Refuse what is not the sound of a receiver, up to 3 kHz."""
    if not facts.audio:
        raise MeasurementError(
            f"{facts.name} is IQ, not the sound of a receiver; give sound:DEVICE or a one-channel WAV"
        )
    if facts.sample_rate_hz < LEAST_RATE_HZ:
        raise MeasurementError(
            f"{facts.name} has {facts.sample_rate_hz:g} samples a second, too few for sound up to 3 kHz; record with "
            f"{LEAST_RATE_HZ:g} or more"
        )


def readings(source: IqSource, *, psophometric: bool = False) -> Iterator[Sinad | Unread]:
    """Measure block after block of a sound source; where samples were lost what was gathered is dropped."""
    facts = source.facts
    require_sound(facts)
    wanted = int(BLOCK_S * facts.sample_rate_hz)
    held: list[NDArray[np.float64]] = []
    count = 0
    for block in source.blocks():
        if block.lost_before:
            held, count = [], 0
            yield Unread(Why.LOST, _lost(block, facts.sample_rate_hz))
        values = complex_samples(block.raw, block.datatype).real.astype(np.float64)
        held.append(values)
        count += values.size
        while count >= wanted:
            whole = np.concatenate(held)
            held, count = [whole[wanted:]], whole.size - wanted
            try:
                yield sinad(whole[:wanted], facts.sample_rate_hz, psophometric=psophometric)
            except NoTone as problem:
                yield Unread(Why.NO_TONE, str(problem))
            except MeasurementError as problem:
                yield Unread(Why.NO_SOUND, str(problem))


def _lost(block: IqBlock, rate_hz: float) -> str:
    lost = f"{block.lost_before / rate_hz * 1e3:.1f} ms of sound were lost"
    if block.lost_within:
        return f"{lost}; what was read in the last {block.lost_within / rate_hz:.1f} s may be too low"
    return f"{lost}; measuring begins anew after them"


class Meter:
    """Reads a sound source in a thread of its own, so that after a pause only what is heard now counts."""

    def __init__(self, source: IqSource, *, psophometric: bool = False) -> None:
        self._found: queue.Queue[Sinad | Unread | None] = queue.Queue(maxsize=8)
        self._source, self._psophometric = source, psophometric
        self._problem: Exception = SourceLost(f"{source.facts.name} has ended; the search needs sound all the time")
        self._thread = threading.Thread(target=self._run, name="sinad", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            for found in readings(self._source, psophometric=self._psophometric):
                self._offer(found)
        except Exception as problem:  # raised again where the readings are asked for
            self._problem = problem
        self._offer(None)

    def _offer(self, found: Sinad | Unread | None) -> None:
        while True:
            try:
                self._found.put_nowait(found)
                return
            except queue.Full:  # the oldest makes room
                with contextlib.suppress(queue.Empty):
                    self._found.get_nowait()

    def fresh(self, count: int) -> list[Sinad | Unread]:
        """Forget what was heard so far and take the next readings. Raises what ended the source."""
        with contextlib.suppress(queue.Empty):
            while True:
                self._heard(self._found.get_nowait())
        return [self._heard(self._found.get()) for _ in range(count)]

    def _heard(self, found: Sinad | Unread | None) -> Sinad | Unread:
        if found is None:
            self._offer(None)
            raise self._problem
        return found


@dataclass(frozen=True, slots=True)
class Point:
    """A generator level as typed in, in dBµV e.m.f., and the SINAD heard at it."""

    level_dbuv: float
    sinad_db: float
    sinad_uncertainty_db: float


def next_level(points: tuple[Point, ...]) -> float | None:
    """Which generator level to set next on the way to 20 dB; None when it lies between two close ones."""
    if not points:
        return 20.0
    above = [p for p in points if p.sinad_db >= WANTED_DB]
    below = [p for p in points if p.sinad_db < WANTED_DB]
    if not below:
        return min(p.level_dbuv for p in above) - 3.0
    if not above:
        return max(p.level_dbuv for p in below) + 3.0
    low, high = max(p.level_dbuv for p in below), min(p.level_dbuv for p in above)
    return None if high - low <= 1.0 else (low + high) / 2


def sensitivity(points: tuple[Point, ...], generator_uncertainty_db: float) -> Measured:
    """Generator level in dBµV (e.m.f.) at which the SINAD is 20 dB, between the nearest points on either side.

    Raises MeasurementError where 20 dB was not bracketed.
    """
    above = [p for p in points if p.sinad_db >= WANTED_DB]
    below = [p for p in points if p.sinad_db < WANTED_DB]
    if not above or not below:
        side = "below" if above else "above"
        raise MeasurementError(f"20 dB lies {side} every level tried; go on until it is between two of them")
    high, low = min(above, key=lambda p: p.level_dbuv), max(below, key=lambda p: p.level_dbuv)
    if high.level_dbuv <= low.level_dbuv:
        raise MeasurementError("SINAD did not rise with the generator's level; check the connection and try again")
    slope = (high.sinad_db - low.sinad_db) / (high.level_dbuv - low.level_dbuv)
    level = low.level_dbuv + (WANTED_DB - low.sinad_db) / slope
    sinad_u = max(high.sinad_uncertainty_db, low.sinad_uncertainty_db) / 2
    return Measured(
        level,
        "dBµV",
        (
            Term.expanded("calibrated generator's level", generator_uncertainty_db),
            Term.normal("SINAD reading", sinad_u / slope),
            Term.rectangular("between two levels", (high.level_dbuv - low.level_dbuv) / 2 / 4),
        ),
        "level for 20 dB SINAD, linear between the nearest two",
    )
