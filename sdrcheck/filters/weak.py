"""The watch for weak calls and texts, which show in no single block but in the power of a longer time."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from sdrcheck.channels.channel import Channel
from sdrcheck.filters import keying
from sdrcheck.filters.channeliser import Batch, Channeliser
from sdrcheck.filters.echoes import Echoes
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.filters.floor import NoiseFloor
from sdrcheck.filters.iq import Complex
from sdrcheck.filters.sightings import Heard, Samples, Sighting
from sdrcheck.filters.span import Span
from sdrcheck.filters.spectrum import PowerSpectra
from sdrcheck.filters.steps import Step
from sdrcheck.filters.track import Keying, Slot, Track

_PLAIN = 20.0
"""A block so far over the noise holds no weak call."""
_SIGMAS = 4.5
_REST_S = 20.0
"""Where energy without a call goes on for so long that it was cut off, the noise floor is given time to follow it."""
_SHORTEST_S = 0.35
_PAUSE_S, _TEXT_PAUSE_S = 0.2, 5.0


@dataclass(slots=True, eq=False)
class Watch:
    """A calling or text channel in which weak signals are looked for all the time."""

    slot: Slot
    cells: slice
    ratios: deque[float]
    cuts: deque[tuple[int, Complex]]
    following: list[Complex] | None = None
    follow_block: int = 0
    quiet_blocks: int = 0
    rest_until_s: float = 0.0
    held_back: list[Heard] = field(default_factory=list)
    """What the ordinary detector made of the same stretch."""

    @property
    def text(self) -> bool:
        return self.slot.channel is not None and self.slot.channel.text


class WeakWatch:
    """Watches the calling and text channels of the span."""

    def __init__(
        self,
        span: Span,
        bank: Channeliser,
        spectra: PowerSpectra,
        floor: NoiseFloor,
        echoes: Echoes,
        *,
        start_s: float,
        numbers: Iterator[int],
    ) -> None:
        self._span = span
        self._band = span.band
        self._bank = bank
        self._spectra = spectra
        self._floor = floor
        self._echoes = echoes
        self._start_s = start_s
        self._numbers = numbers
        self._watches = [self._watch(channel) for channel in span.channels if span.is_watched(channel)]

    def listen(self, step: Step, tracks: Sequence[Track]) -> Iterator[Sighting]:
        """Hold a long time's power against the noise; `tracks` are what the ordinary detector follows."""
        batch = step.batch
        now_s = batch.end_sample / self._span.sample_rate_hz
        for watch in self._watches:
            ratios = step.cells[:, watch.cells].mean(axis=1) / step.under[:, watch.cells].mean(axis=1)
            ratios = np.where(step.gains > 0, ratios, 1.0)
            slot = watch.slot
            cut = self._bank.cut(batch, slot.offset_hz, slot.passband)
            if slot.channel is not None and slot.channel.text:
                yield self._text_samples(slot, slot.channel, cut, batch)
            plain_s = self._plain_from(watch, tracks)
            if plain_s is not None or float(ratios.max(initial=0.0)) > _PLAIN:
                # the ordinary detector has it; what is left in the long windows would only repeat it
                watch.ratios.clear()
                watch.cuts.clear()
                yield from self._end(watch, now_s if plain_s is None else plain_s, tracks)
                continue
            for block in range(batch.blocks):
                watch.ratios.append(float(ratios[block]))
                watch.cuts.append((batch.first_block + block, cut[block]))
            found = self._is_raised(watch)
            if watch.following is None and found and now_s >= watch.rest_until_s:
                watch.follow_block = watch.cuts[0][0]
                watch.following = [row for _, row in watch.cuts]
                watch.quiet_blocks = 0
            elif watch.following is not None:
                length_s = len(watch.following) * self._bank.block_duration_s
                if length_s < slot.piece_s:
                    watch.following += list(cut)
                watch.quiet_blocks = 0 if found else watch.quiet_blocks + batch.blocks
                quiet_s = watch.quiet_blocks * self._bank.block_duration_s
                if length_s >= slot.piece_s and not watch.text:
                    watch.rest_until_s = now_s + _REST_S
                if quiet_s > (_TEXT_PAUSE_S if watch.text else _PAUSE_S) or watch.rest_until_s > now_s:
                    yield from self._end(watch, now_s, tracks)

    def finish(self, now_s: float, tracks: Sequence[Track]) -> Iterator[Sighting]:
        """Tell of what is still followed when the samples have ended."""
        for watch in self._watches:
            yield from self._end(watch, now_s, tracks)

    def followed(self) -> list[slice]:
        """Cells in which something weak is followed."""
        return [watch.cells for watch in self._watches if watch.following is not None]

    def since_s(self) -> list[float]:
        """When that began."""
        return [watch.follow_block * self._bank.block_duration_s for watch in self._watches if watch.following]

    def watch_of(self, track: Track, keyed: Keying) -> Watch | None:
        """The watch that knows better what a faint keying is."""
        if track.number is not None or keyed.strength > keying.FAINT:
            return None
        for watch in self._watches:
            if watch.slot.channel is track.slot.channel and watch.following is not None:
                return watch
        return None

    def _watch(self, channel: Channel) -> Watch:
        centre = self._span.offset_of(channel)
        reach = self._band.calling_hz
        blocks = math.ceil((max(self._band.calling_s) + 0.6) / self._bank.block_duration_s)
        return Watch(
            slot=self._span.watched_slot(channel),
            cells=self._spectra.cells_between(centre - reach, centre + reach),
            ratios=deque(maxlen=blocks),
            cuts=deque(maxlen=blocks),
        )

    def _plain_from(self, watch: Watch, tracks: Sequence[Track]) -> float | None:
        """Since when the ordinary detector follows something plain on a watched channel."""
        for track in tracks:
            run = track.current
            if track.slot.channel is watch.slot.channel and run is not None and track.strength_of(run) > keying.FAINT:
                return track.time_of(run.on)
        return None

    def _text_samples(self, slot: Slot, channel: Channel, cut: Complex, batch: Batch) -> Samples:
        iq = self._bank.samples_of(cut, batch.first_block, slot.offset_hz, slot.passband)
        rate = self._bank.channel_rate_hz(slot.passband)
        start = batch.first_block * self._bank.samples_per_block(slot.passband)
        real = max(0, math.floor(batch.end_sample * rate / self._span.sample_rate_hz) - start)
        centre_hz = self._span.centre_hz + slot.offset_hz
        return Samples(channel, iq[:real], rate, self._start_s + start / rate, centre_hz)

    def _is_raised(self, watch: Watch) -> bool:
        per_block = (watch.cells.stop - watch.cells.start) * self._spectra.bins_per_cell / 1.9
        ratios = list(watch.ratios)
        for length_s in self._band.calling_s:
            blocks = max(1, round(length_s / self._bank.block_duration_s))
            if len(ratios) >= blocks:
                threshold = 1.02 + _SIGMAS / math.sqrt(per_block * blocks)
                if sum(ratios[-blocks:]) / blocks > threshold:
                    return True
        return False

    def _end(self, watch: Watch, until_s: float, tracks: Sequence[Track]) -> Iterator[Sighting]:
        """Tell of a stretch with a little more energy; only of what lay before `until_s`."""
        rows, watch.following = watch.following, None
        instead, watch.held_back = tuple(watch.held_back), []
        if not rows:
            return
        slot = watch.slot
        iq = self._bank.samples_of(np.stack(rows), watch.follow_block, slot.offset_hz, slot.passband)
        rate = self._bank.channel_rate_hz(slot.passband)
        start = watch.follow_block * self._bank.samples_per_block(slot.passband)
        iq = iq[: max(0, math.floor(until_s * rate) - start)]
        if iq.size < _SHORTEST_S * rate:
            yield from instead
            return
        echo = self._echoes.weak_echo_of(slot, start / rate, until_s, tracks)
        if echo is not None:
            self._echoes.leave_out(echo)
            yield from instead
            return
        excerpt = Excerpt(
            iq=iq,
            sample_rate_hz=rate,
            centre_hz=self._span.centre_hz + slot.offset_hz,
            start_s=self._start_s + start / rate,
            key_on=0,
            key_off=iq.size,
            noise_density=self._floor.density_at(watch.cells.start, watch.cells.stop - 1),
            channel=slot.channel,
            edge_uncertainty_s=0.3,
        )
        yield Heard(next(self._numbers), excerpt, slot.occupied_hz, weak=True, instead=instead)
