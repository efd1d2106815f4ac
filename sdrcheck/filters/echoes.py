"""Tells what only echoes a stronger signal from what stands for itself: images, products, clicks, skirts, overload."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels import plan
from sdrcheck.filters import keying, products
from sdrcheck.filters.channeliser import TELEGRAPHY, TELEPHONY_FM
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.filters.floor import NoiseFloor
from sdrcheck.filters.skirts import STRONGER, Skirts
from sdrcheck.filters.span import BESIDE_HZ, Span
from sdrcheck.filters.spectrum import PowerSpectra
from sdrcheck.filters.track import Keying, Slot, Track
from sdrcheck.filters.windows import boxed

Array = NDArray[np.float64]
Over = tuple[Track, Keying]

_FAINTEST, _FAINTEST_OFF_PLAN = 1.6, 2.0
"""Power over noise in the slot's filter below which a keying is not told of."""
_MUCH_STRONGER = 10**4.5
_SIDEBANDS = 10**2.7
"""So far down a channel 500 Hz off holds the keying's own sidebands."""
_SAME_EDGE_S = 0.012
_BURST_S = 0.1
_WIDE_HZ = 20_000.0
_SWING_S, _SWING_HZ, _SWING_EDGE_S, _SWING_POWER = 0.03, 50_000.0, 0.003, 4.0
"""A carrier that comes up beside its channel is there no longer, no further off, and as strong as it is later."""
_STEP_PRODUCTS = ((1.0, 0.07 / 128**2), (3.0, 0.007 / 128**2))
"""What the steps of 8 bits may put into a channel where the noise is so many times the least; seen on made signals."""
_STEP_8_BITS = 1 / 127.5
_REMEMBERED_S = 2.0
_OVERLOAD = "distortion of an overloaded receiver"


@dataclass(frozen=True, slots=True, eq=False)
class Other:
    """Something else that was or is on the air."""

    slot: Slot
    on_s: float
    off_s: float
    power: float
    source: Track | Excerpt


@dataclass(frozen=True, slots=True, eq=False)
class _Past:
    """A keying that is over and was told of: what weaker ones are compared with."""

    slot: Slot
    keying: Keying


class Echoes:
    """Remembers what was on the air, and names what a weaker keying echoes."""

    def __init__(self, span: Span, spectra: PowerSpectra, floor: NoiseFloor, skirts: Skirts, *, few_bits: bool) -> None:
        self._rate = span.sample_rate_hz
        self._centre_hz = span.centre_hz
        self._band = span.band
        self._spectra = spectra
        self._floor = floor
        self._skirts = skirts
        self._few_bits = few_bits
        self._past: list[_Past] = []
        self._overloaded: deque[tuple[float, float]] = deque(maxlen=2000)
        self._left_out: dict[str, int] = {}

    def overload(self, stretches: Iterable[tuple[int, int]]) -> None:
        """Take note of stretches (first sample and length) in which the converter ran out of range."""
        self._overloaded.extend((first / self._rate, (first + count) / self._rate) for first, count in stretches)

    def remember(self, slot: Slot, keyed: Keying) -> None:
        """Keep a keying that is over, for weaker ones to be compared with."""
        self._past.append(_Past(slot, keyed))

    def forget(self, now_s: float, needed_s: float) -> None:
        """Let go of keyings that were over long ago, before anything that began at `needed_s`."""
        self._past = [past for past in self._past if past.keying.off_s > min(needed_s, now_s - _REMEMBERED_S)]

    def leave_out(self, echo: str) -> None:
        """Count an echo that is not told of."""
        self._left_out[echo] = self._left_out.get(echo, 0) + 1

    def remarks(self) -> Iterator[str]:
        """What was left out, as far as it says something of the receiver."""
        for echo, count in sorted(self._left_out.items()):
            if "overloaded" in echo or "converter" in echo:
                yield f"Faint signals were left out ({count} times): {echo}."
            elif "image" in echo or "product of" in echo:
                times = f" ({count} times)" if count > 1 else ""
                yield f"The {echo} was left out{times}: it repeats the stronger signal."

    def may_be_echo(self, track: Track, tracks: Sequence[Track]) -> bool:
        """Whether a keying that goes on has a stronger one beside it whose echo it could turn out to be."""
        run = track.current
        assert run is not None
        on_s, power, off_plan = track.time_of(run.on), track.power_of(run), track.slot.channel is None
        return any(
            other.off_s > on_s and (other.power > STRONGER * power or (off_plan and other.power > power))
            for other in self.others(track, tracks)
        )

    def weak_echo_of(self, slot: Slot, on_s: float, off_s: float, tracks: Sequence[Track]) -> str | None:
        """What is weak on a watched channel, where a clipped strong signal puts a product, and when; in words."""
        if not self._was_overloaded(on_s, off_s):
            return None
        strong = [(past.slot, past.keying.on_s, past.keying.off_s) for past in self._past]
        runs = [(track, track.current) for track in tracks if track.current is not None]
        strong += [(track.slot, track.time_of(run.on), track.time_of(run.off)) for track, run in runs]
        for other, low_s, high_s in strong:
            apart = abs(slot.offset_hz - other.offset_hz) > self._band.closest_hz
            if apart and low_s < off_s and high_s > on_s and self._order(slot, other) is not None:
                return _OVERLOAD
        return None

    def echo_of(self, track: Track, keyed: Keying, tracks: Sequence[Track], over: Sequence[Over]) -> str | None:
        """What a keying is an echo of, in words, or None where it stands for itself."""
        if keyed.strength < (_FAINTEST if track.slot.channel is not None else _FAINTEST_OFF_PLAN):
            return "fluctuations of the noise"
        if self._few_bits and self._is_own_offset(track, keyed):
            return "changes of the converter's own offset"
        if any(self._floor.noise_over_least < most and keyed.power < power for most, power in _STEP_PRODUCTS):
            return "products of a converter whose steps no noise hides"
        for other in self.others(track, tracks, over):
            apart_on, apart_off = abs(other.on_s - keyed.on_s), abs(other.off_s - keyed.off_s)
            if keyed.off_s - keyed.on_s < self._band.click_s and other.power > STRONGER * keyed.power:
                edges = apart_on, apart_off, abs(other.off_s - keyed.on_s), abs(other.on_s - keyed.off_s)
                if min(edges) < 0.02:
                    return "key clicks of stronger transmissions"
            if self._is_swing(track, keyed, other):
                return "swings of carriers that came up beside their channel"
            if other.on_s >= keyed.off_s or other.off_s <= keyed.on_s or other.power < keyed.power:
                continue
            same = _SAME_EDGE_S + keyed.excerpt.edge_uncertainty_s
            together = (apart_on < same or (keyed.excerpt.cut_at_start and other.on_s <= keyed.on_s)) and (
                apart_off < same or (keyed.excerpt.cut_at_end and other.off_s >= keyed.off_s)
            )
            off_plan = track.slot.channel is None and other.slot.channel is None
            if together and off_plan and self._is_bridged(track, other.slot):
                return "outer parts of wide signals"
            within = keyed.on_s > other.on_s - same and keyed.off_s < other.off_s + same
            apart_hz = abs(track.slot.offset_hz - other.slot.offset_hz)
            if within and apart_hz < self._band.closest_hz and other.power > 2 * keyed.power:
                return "skirts of stronger transmissions"
            sidebands = other.slot.passband == track.slot.passband == TELEGRAPHY and apart_hz <= BESIDE_HZ
            if within and sidebands and other.power > _SIDEBANDS * keyed.power:
                return "skirts of stronger transmissions"
            if other.power < STRONGER * keyed.power:
                continue
            if self._on_slope(track, other.slot):
                return "skirts of stronger transmissions"
            order = self._order(track.slot, other.slot)
            if order is not None and self._follows(track, keyed, other, order):
                name = "mirror image" if order == -1 else "distortion product"
                places = (plan.frequency_text(self._centre_hz + slot.offset_hz) for slot in (other.slot, track.slot))
                return f"{name} of {' at '.join(places)}"
            burst = keyed.off_s - keyed.on_s < _BURST_S or other.slot.occupied_hz > _WIDE_HZ
            much_stronger = other.power > _MUCH_STRONGER * keyed.power
            if track.slot.channel is None and within and (together or burst):
                return "faint by-products of stronger transmissions"
            odd = track.slot.channel is None or (order is not None and much_stronger)
            if (together or (within and odd)) and self._was_overloaded(keyed.on_s, keyed.off_s):
                return _OVERLOAD
            if together and much_stronger:
                return "faint by-products of stronger transmissions"
        if track.slot.channel is None and self._begins_or_ends_with_others(track, keyed, tracks, over):
            return "faint by-products of stronger transmissions"
        return None

    def _is_swing(self, track: Track, keyed: Keying, other: Other) -> bool:
        """Whether a short keying goes over into another beside it: one carrier that found its channel late."""
        fm = other.slot.passband == track.slot.passband == TELEPHONY_FM
        near = abs(track.slot.offset_hz - other.slot.offset_hz) < _SWING_HZ
        goes_over = keyed.off_s - keyed.on_s < _SWING_S < other.off_s - other.on_s
        alike = 1 / _SWING_POWER < keyed.power / max(other.power, 1e-30) < _SWING_POWER
        return fm and near and goes_over and alike and abs(other.on_s - keyed.off_s) < _SWING_EDGE_S

    def _begins_or_ends_with_others(
        self, track: Track, keyed: Keying, tracks: Sequence[Track], over: Sequence[Over]
    ) -> bool:
        """Whether a keying goes on only while much stronger ones do, and begins or ends just as one of them does."""
        strong = [o for o in self.others(track, tracks, over) if o.power > _MUCH_STRONGER * keyed.power]
        strong = [other for other in strong if other.on_s < keyed.off_s and other.off_s > keyed.on_s]
        same = _SAME_EDGE_S + keyed.excerpt.edge_uncertainty_s
        if not strong:
            return False
        within = min(o.on_s for o in strong) < keyed.on_s + same and max(o.off_s for o in strong) > keyed.off_s - same
        return within and any(
            min(abs(other.on_s - keyed.on_s), abs(other.off_s - keyed.off_s)) < same for other in strong
        )

    def _order(self, slot: Slot, origin: Slot) -> int | None:
        """Which product of a signal in another slot could lie in this one."""
        return products.order_of(slot.offset_hz, origin.offset_hz, self._rate, self._band.product_hz)

    def _was_overloaded(self, on_s: float, off_s: float) -> bool:
        """Whether the converter was out of range at any time between two."""
        return any(low < off_s and high > on_s for low, high in self._overloaded)

    def _is_own_offset(self, track: Track, keyed: Keying) -> bool:
        """Whether a keying is only a line at 0 Hz that is finer than a step: the offset as the steps let it through."""
        slot = track.slot
        if not slot.passband.low_hz < -slot.offset_hz < slot.passband.high_hz or keyed.power > _STEP_8_BITS**2:
            return False
        iq = keyed.excerpt.keyed
        turn = np.exp(2j * np.pi * slot.offset_hz / track.rate_hz * np.arange(iq.size))
        return abs(np.mean(iq * turn)) ** 2 > 0.5 * keyed.power

    def others(self, track: Track, tracks: Sequence[Track], over: Sequence[Over] = ()) -> Iterator[Other]:
        """What else was or is on the air that a keying could be an echo of; `over` are keyings not yet remembered."""
        for other in tracks:
            if other is not track and other.current is not None:
                run = other.current
                power = other.power_of(run)
                yield Other(other.slot, other.time_of(run.on), other.time_of(run.off), power, other)
        told = [(past.slot, past.keying) for past in self._past]
        told += [(t.slot, k) for t, k in over if not any(k is past.keying for past in self._past)]
        for slot, keyed in told:
            if slot is not track.slot:
                yield Other(slot, keyed.on_s, keyed.off_s, keyed.power, keyed.excerpt)

    def _mean_around(self, track: Track) -> Array:
        mean = track.around / max(track.around_blocks, 1)
        return boxed(mean, self._spectra.cells_in(self._band.narrow_hz))

    def _is_bridged(self, track: Track, other: Slot) -> bool:
        """Whether the spectrum between two places never falls near the noise: they are parts of one signal."""
        if not track.around_blocks:
            return False
        density = self._mean_around(track)
        low, high = sorted((self._spectra.cell_of(track.slot.offset_hz), self._spectra.cell_of(other.offset_hz)))
        between = density[low : high + 1]
        noise = self._floor.level[low : high + 1] * self._floor.gain
        claim = self._spectra.cells_between(track.slot.claim_low_hz, track.slot.claim_high_hz)
        return bool(np.all(between > 4 * noise) and between.min() > 1e-3 * density[claim].max())

    def _on_slope(self, track: Track, stronger: Slot) -> bool:
        """Whether a slot's mean spectrum only falls away from a stronger one."""
        apart = abs(track.slot.offset_hz - stronger.offset_hz)
        if apart > self._band.apart_hz or not track.around_blocks:
            return False
        mean = self._mean_around(track)
        claim = self._spectra.cells_between(track.slot.claim_low_hz, track.slot.claim_high_hz)
        peak = claim.start + int(np.argmax(mean[claim]))
        others = [(self._spectra.cell_of(stronger.offset_hz), stronger)]
        return self._skirts.is_slope(mean, peak, track.slot.offset_hz, others)

    def _follows(self, track: Track, keyed: Keying, other: Other, order: int) -> bool:
        """Whether a weak keying repeats the phase of a stronger one as a product of that order would."""
        if other.slot.passband != track.slot.passband:
            return False
        rate = track.rate_hz
        low_s, high_s = max(keyed.on_s, other.on_s), min(keyed.off_s, keyed.on_s + 1.0)
        if isinstance(other.source, Track):
            strong = other.source.recent(low_s, high_s)
            strong_at = low_s
        else:
            low = max(0, round((low_s - other.source.start_s) * rate))
            strong = other.source.iq[low : max(low, round((high_s - other.source.start_s) * rate))]
            strong_at = other.source.start_s + low / rate
        at = round((strong_at - keyed.excerpt.start_s) * rate)
        if at < 0:
            strong, at = strong[-at:], 0
        weak = keyed.excerpt.iq[at : at + strong.size]
        shared = products.shared_fraction(
            weak, strong, order, track.slot.offset_hz, other.slot.offset_hz, rate, self._rate
        )
        half = self._rate / 2
        aside_hz = abs((track.slot.offset_hz - order * other.slot.offset_hz + half) % self._rate - half)
        # a product that lies aside, or hardly stands out, is in the filter only in part
        least = 0.5 if keyed.strength > keying.FAINT and aside_hz < self._band.closest_hz / 6 else 0.2
        return shared > least * (1 - 1 / max(keyed.strength, 1.01))
