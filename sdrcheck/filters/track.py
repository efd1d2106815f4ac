"""One place in the span being followed: its samples, its power against the noise, and the keyings found so far."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels.channel import Channel
from sdrcheck.filters import keying
from sdrcheck.filters.channeliser import OPENING_FM, TELEPHONY_FM, Channeliser, Passband
from sdrcheck.filters.excerpt import Excerpt, Opening
from sdrcheck.filters.iq import Complex
from sdrcheck.filters.keying import Manner, Run

Array = NDArray[np.float64]

_OPEN_TAIL_S = 4.0
_SMOOTH_EDGE_S = 0.0002
_SETTLED_S = 0.05
_BEFORE_S, _BEHIND_S = 0.06, 0.045
"""How much of an opening is kept before and behind key-on."""
_HELD_S = 0.6


@dataclass(frozen=True, slots=True)
class Slot:
    """A place in the span where one transmission at a time is followed; offsets are from the span's centre."""

    channel: Channel | None
    offset_hz: float
    """Centre of the excerpts."""
    passband: Passband
    manner: Manner
    claim_low_hz: float
    claim_high_hz: float
    """Nothing else is looked for between these."""
    margin_s: float
    """Quiet kept on both sides of a transmission, as far as there is any."""
    piece_s: float
    """Longer transmissions are told of in pieces of this length."""
    occupied_hz: float = 0.0
    """How wide the signal was when it was found."""


@dataclass(frozen=True, slots=True, eq=False)
class Keying:
    """One keying, or the next piece of a long one."""

    excerpt: Excerpt
    on_s: float
    off_s: float
    power: float
    """Mean power above the noise while keyed, full scale squared."""
    strength: float
    """Power over noise in the slot's filter."""
    first: bool
    last: bool


class Track:
    """Follows one slot from a little before its key-on until it is quiet again."""

    def __init__(self, slot: Slot, bank: Channeliser, first_block: int, *, not_before_s: float = 0.0) -> None:
        self.slot = slot
        self.passband = slot.passband
        self.rate_hz = bank.channel_rate_hz(slot.passband)
        self.per_block = bank.samples_per_block(slot.passband)
        self.window = max(1, round(slot.manner.window_s * self.rate_hz))
        self.window_s = self.window / self.rate_hz
        self.number: int | None = None
        """Given when the transmission was announced."""
        self.closed = False
        self.current: Run | None = None
        """The keying that is not over yet, or not yet known to be over; in windows from the track's origin."""
        self.around: Array = np.zeros(0)
        """Sum of the span's cells over the blocks in which this slot was keyed."""
        self.around_blocks = 0
        self._noise_bandwidth_hz = bank.noise_bandwidth_hz(slot.passband)
        self._origin = first_block * self.per_block
        self._base = 0
        self._parts: list[Complex] = []
        self._held = 0
        self._last_noise = self._last_under = np.zeros(0)
        self._ratio: Array = np.zeros(0)
        self._power: Array = np.zeros(0)
        self._noise: Array = np.zeros(0)
        self._lost: NDArray[np.bool_] = np.zeros(0, np.bool_)
        self._told = max(0, math.ceil((not_before_s * self.rate_hz - self._origin) / self.window))
        self._tail = self._told
        self._open_on: int | None = None
        self._pieces = 0
        self._opening_rate_hz = bank.channel_rate_hz(OPENING_FM)
        self._opening_half_hz = min(OPENING_FM.high_hz, bank.sample_rate_hz / 2 - abs(slot.offset_hz))
        self._openings: list[tuple[int, Complex]] = []

    def time_of(self, window: float) -> float:
        """Seconds from the first sample of the stream to the beginning of a window."""
        return (self._origin + window * self.window) / self.rate_hz

    @property
    def since_s(self) -> float:
        """From when on its samples are held."""
        return self.time_of(self._base)

    @property
    def _end(self) -> int:
        return self._base + self._ratio.size

    def narrow(self, passband: Passband, bank: Channeliser) -> None:
        """Take what comes from now on through a narrower filter of the same sample rate."""
        if self.passband == passband:
            return
        bandwidth_hz = bank.noise_bandwidth_hz(passband)
        self._noise *= bandwidth_hz / self._noise_bandwidth_hz
        self._noise_bandwidth_hz = bandwidth_hz
        self.passband = passband

    def add(self, samples: Complex, noise: Array, under: Array, lost: tuple[tuple[float, float], ...] = ()) -> None:
        """Take the samples of the next blocks; the arrays hold one value a block.

        `noise` is the density of the noise, `under` that of all that is not to be taken for a signal, the skirts of
        strong neighbours included; `lost` says from when to when samples are missing.
        """
        before = self._held
        self._parts.append(samples)
        self._held += samples.size
        # a window that began in the block before has that block's noise, in however many blocks samples come
        noise, under = np.concatenate([self._last_noise, noise]), np.concatenate([self._last_under, under])
        before -= self._last_noise.size * self.per_block
        self._last_noise, self._last_under = noise[-1:], under[-1:]
        new = self._held // self.window - self._ratio.size
        if new <= 0:
            return
        start = self._ratio.size * self.window
        fresh = self._slice(start, start + new * self.window)
        power = (fresh.real**2 + fresh.imag**2).reshape(new, self.window).mean(axis=1).astype(float)
        block = (start + np.arange(new) * self.window - before) // self.per_block
        block = np.clip(block, 0, noise.size - 1)
        self._ratio = np.concatenate([self._ratio, power / (under[block] * self._noise_bandwidth_hz)])
        self._power = np.concatenate([self._power, power])
        self._noise = np.concatenate([self._noise, noise[block] * self._noise_bandwidth_hz])
        missing = np.zeros(new, np.bool_)
        first = self._base + start // self.window
        for from_s, to_s in lost:
            low, high = (round((s * self.rate_hz - self._origin) / self.window) - first for s in (from_s, to_s))
            missing[max(low, 0) : max(high, 0)] = True
        self._lost = np.concatenate([self._lost, missing])

    @property
    def is_opening(self) -> bool:
        """Whether key-ons here are looked at in a wider filter, too; one may follow close behind another."""
        return self.slot.passband == TELEPHONY_FM

    def add_opening(self, first_sample: int, samples: Complex) -> None:
        """Take the same samples through the wider filter, counted from the first of the stream."""
        self._openings.append((first_sample, samples))
        behind = first_sample + samples.size - round(_HELD_S * self._opening_rate_hz)
        on = math.inf if self.current is None else self.time_of(self.current.on) * self._opening_rate_hz
        near = round(2 * _BEHIND_S * self._opening_rate_hz)
        self._openings = [
            (at, part)
            for at, part in self._openings
            if at + part.size > min(behind, on - near) and (at + part.size > behind or at < on + near)
        ]

    def advance(self, *, ended: bool, most_samples: int | None = None) -> Iterator[Keying]:
        """Tell of the keyings that are over, and of pieces of one that goes on; sets `closed` when all is quiet.

        `ended` says that no more samples come; only the first `most_samples` of the stream's channel samples are real.
        """
        if ended and most_samples is not None:
            self._cut_to(most_samples)
        manner = self.slot.manner
        tail = self._tail - self._base
        over_noise = self._power[tail:] / np.maximum(self._noise[tail:], 1e-30)
        found = [
            Run(run.on + self._tail, run.off + self._tail, run.steep)
            for run in keying.runs(
                self._ratio[tail:], manner, self._noise_bandwidth_hz, over_noise=over_noise, lost=self._lost[tail:]
            )
        ]
        if self._open_on is not None:
            bridge = round(manner.fade_s / self.window_s)
            if found and found[0].on - self._tail <= bridge:
                found[0] = Run(self._open_on, found[0].off, found[0].steep)
            else:
                found.insert(0, Run(self._open_on, self._tail, True))
            self._open_on = None
        self.current = None
        for place, run in enumerate(found):
            following = found[place + 1].on if place + 1 < len(found) else None
            quiet_s = (self._end - run.off) * self.window_s
            needed_s = max(manner.gap_s if run.steep else manner.fade_s, self.slot.margin_s)
            if following is None and not ended and quiet_s < needed_s:
                self.current = run
                break
            yield self._keying(run, following, ended=ended)
            self._told = self._tail = run.off
            self._pieces = 0
        if self.current is not None:
            yield from self._pieces_of(self.current)
        quiet_from = self.current.on if self.current else max(self._told, self._tail)
        if self.current is None and (ended or (self._end - quiet_from) * self.window_s > max(manner.fade_s, 0.4)):
            self.closed = True
        self._forget()

    def recent(self, from_s: float, to_s: float) -> Complex:
        """The samples between two times, as far as they are still held."""
        start = round(from_s * self.rate_hz) - self._origin - self._base * self.window
        stop = round(to_s * self.rate_hz) - self._origin - self._base * self.window
        return self._slice(max(0, start), min(self._held, max(0, stop)))

    def power_of(self, run: Run) -> float:
        """Mean power above the noise during a run, full scale squared."""
        part = slice(max(0, run.on - self._base), run.off - self._base)
        power = self._power[part]
        return max(float(np.mean(power - self._noise[part])), 0.0) if power.size else 0.0

    def strength_of(self, run: Run) -> float:
        """Mean ratio of power to noise during a run."""
        part = self._ratio[max(0, run.on - self._base) : run.off - self._base]
        return float(np.mean(part)) if part.size else 0.0

    def _pieces_of(self, run: Run) -> Iterator[Keying]:
        length = round(self.slot.piece_s / self.window_s)
        while self._end - run.on > length + round(1.0 / self.window_s):
            piece = Run(run.on, run.on + length, False)
            yield self._keying(piece, None, ended=False, goes_on=True)
            self._pieces += 1
            run = Run(piece.off, max(run.off, piece.off + 1), run.steep)
            self._told = piece.off
            self.current = run
            self._open_on = run.on
            self._tail = max(self._tail, run.on)
        settle = round(_OPEN_TAIL_S / self.window_s)
        if self._end - run.on > 2 * settle:
            self._open_on = run.on
            self._tail = max(self._tail, self._end - settle)

    def _keying(self, run: Run, following: int | None, *, ended: bool, goes_on: bool = False) -> Keying:
        manner_margin = round(self.slot.margin_s / self.window_s)
        continues = self._pieces > 0
        low = max(self._told if not continues else run.on, run.on - manner_margin, self._base)
        high = min(following if following is not None else self._end, run.off + manner_margin)
        if goes_on:
            high = run.off
        iq = self._slice((low - self._base) * self.window, (high - self._base) * self.window)
        on, off = (run.on - low) * self.window, (run.off - low) * self.window
        at_start = continues or self._origin + run.on * self.window <= 2 * self.window
        at_end = goes_on or (ended and self._end - run.off <= 2)
        quiet = [*range(low - self._base, run.on - self._base), *range(run.off - self._base, high - self._base)]
        keyed = slice(run.on - self._base, run.off - self._base)
        noise = float(np.median(self._noise[quiet] if quiet else self._noise[keyed]))
        strength = self.strength_of(run)
        strong = strength > keying.STRONG
        if strong:
            floor = float(np.mean(self._power[keyed] / np.maximum(self._ratio[keyed], 1e-30)))
            on, off = self._refined(iq, floor, on, off, at_start=at_start, at_end=at_end)
        edge_s = self.window_s if strong else keying.smoothing_s(self._noise_bandwidth_hz)
        start = self._origin + low * self.window
        excerpt = Excerpt(
            iq=iq,
            sample_rate_hz=self.rate_hz,
            centre_hz=self.slot.offset_hz,
            start_s=start / self.rate_hz,
            key_on=on,
            key_off=off,
            noise_density=noise / self._noise_bandwidth_hz,
            channel=self.slot.channel,
            cut_at_start=at_start,
            cut_at_end=at_end,
            edge_uncertainty_s=edge_s,
            opening=None if at_start else self._opening((start + on) / self.rate_hz),
        )
        return Keying(
            excerpt=excerpt,
            on_s=(start + on) / self.rate_hz,
            off_s=(start + off) / self.rate_hz,
            power=self.power_of(run),
            strength=strength,
            first=not continues,
            last=not goes_on,
        )

    def _opening(self, on_s: float) -> Opening | None:
        """What the wider filter saw about a key-on, where it was there."""
        rate = self._opening_rate_hz
        low, high = round((on_s - _BEFORE_S) * rate), round((on_s + _BEHIND_S) * rate)
        found = np.zeros(high - low, np.complex64)
        seen = 0
        for first, samples in self._openings:
            start, stop = max(low, first), min(high, first + samples.size)
            if start < stop:
                found[start - low : stop - low] = samples[start - first : stop - first]
                seen += stop - start
        if seen < found.size:
            return None
        return Opening(found, rate, round(on_s * rate) - low, self._opening_half_hz)

    def _refined(
        self, iq: Complex, noise: float, on: int, off: int, *, at_start: bool, at_end: bool
    ) -> tuple[int, int]:
        width = max(
            1, round(_SMOOTH_EDGE_S * self.rate_hz), self.window // 2 if self.slot.manner.window_s > 0.001 else 1
        )
        power = iq.real.astype(float) ** 2 + iq.imag.astype(float) ** 2
        power = keying.smoothed(power, width)
        new_on, new_off = keying.refined(power, noise, (on, off), round(_SETTLED_S * self.rate_hz))
        return (on if at_start else new_on), (off if at_end else new_off)

    def _slice(self, start: int, stop: int) -> Complex:
        at = 0
        found = []
        for part in self._parts:
            if at + part.size > start and at < stop:
                found.append(part[max(0, start - at) : stop - at])
            at += part.size
        return np.concatenate(found) if found else np.zeros(0, np.complex64)

    def _cut_to(self, most_samples: int) -> None:
        """Forget what lies beyond the end of the stream."""
        real = max(0, most_samples - self._origin - self._base * self.window)
        windows = real // self.window
        self._parts = [self._slice(0, real)]
        self._held = self._parts[0].size
        self._ratio, self._power = self._ratio[:windows], self._power[:windows]
        self._noise, self._lost = self._noise[:windows], self._lost[:windows]

    def _forget(self) -> None:
        """Let go of samples that no keying will need any more."""
        margin = round(self.slot.margin_s / self.window_s)
        held_for = self.current.on if self.current else self._end
        keep = min(max(held_for - margin, self._told), self._tail)
        drop = keep - self._base
        if drop * self.window < self._held // 4:
            return
        rest = self._slice(drop * self.window, self._held)
        self._parts, self._held = [rest], rest.size
        self._ratio, self._power = self._ratio[drop:], self._power[drop:]
        self._noise, self._lost = self._noise[drop:], self._lost[drop:]
        self._base = keep
