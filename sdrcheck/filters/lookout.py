"""Finds transmissions in a stream: samples go in, excerpts come out, channel by channel.

Every block's spectrum is held against the tracked noise floor. Where something rises out of it, the stretch is given a
slot (a channel of the plan, or a place off it), the slot's samples are taken from a little before, and their power says
when it was keyed. What only echoes a stronger signal (mirror image, splatter, clipping) is told apart before it counts.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel
from sdrcheck.filters import keying, priming
from sdrcheck.filters.bands import VHF
from sdrcheck.filters.channeliser import OPENING_FM, TELEGRAPHY, TELEGRAPHY_BESIDE, Batch, Channeliser, Passband
from sdrcheck.filters.detection import Detector
from sdrcheck.filters.echoes import Echoes
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.filters.floor import Line, NoiseFloor
from sdrcheck.filters.iq import Complex
from sdrcheck.filters.sightings import Begun, Heard, Sighting, Spectrum
from sdrcheck.filters.skirts import Skirts
from sdrcheck.filters.span import BESIDE_HZ, Span
from sdrcheck.filters.spectrum import Density, PowerSpectra
from sdrcheck.filters.steps import Spans, Step, joined
from sdrcheck.filters.track import Keying, Slot, Track
from sdrcheck.filters.weak import WeakWatch
from sdrcheck.filters.windows import widened

Marks = NDArray[np.bool_]

_SETTLING_S = 0.15
_MEMORY_S = 10.0
_DYNAMIC_RANGE, _DYNAMIC_RANGE_8_BITS = 10**-7.0, 10**-5.5
_LEAST_POWER_8_BITS = 0.2 / 128**2
_STEP_NOISE_8_BITS = (1 / 127.5) ** 2 / 2
"""Power of 8-bit steps, I and Q together, where a noise too fine for them only tips them: nothing under it is told."""


class Lookout:
    """Finds transmissions in one uninterrupted stretch of samples on one centre frequency."""

    def __init__(
        self,
        sample_rate_hz: float,
        centre_hz: float,
        *,
        audio: bool = False,
        correction_ppm: float = 0.0,
        channels: tuple[Channel, ...] | None = None,
        start_s: float = 0.0,
        numbers: Iterator[int] | None = None,
        few_bits: bool = False,
        prompt: bool = False,
    ) -> None:
        """`correction_ppm` is δ of the frequency reference: where the plan's channels are to be looked for.

        With `channels` only those are followed. `start_s` is the time of the first sample. `few_bits` says that the
        samples came in 8 bits: their converter's own products lie not far below a strong signal. `prompt` costs more
        and tells the same, but as soon as it can be told.
        """
        self.sample_rate_hz = sample_rate_hz
        self.centre_hz = centre_hz
        self.start_s = start_s
        self.remarks: list[str] = []
        self._audio = audio
        self._few_bits = few_bits
        self._dynamic_range = _DYNAMIC_RANGE_8_BITS if few_bits else _DYNAMIC_RANGE
        self._least_density = _STEP_NOISE_8_BITS / sample_rate_hz if few_bits else 0.0
        self._prompt = prompt
        self._numbers = numbers or itertools.count(1)
        self._span = Span(sample_rate_hz, centre_hz, audio=audio, correction_ppm=correction_ppm, channels=channels)
        self.channels = self._span.channels
        self.band = self._span.band
        self._bank = self._new_bank()
        self._spectra = PowerSpectra(self._bank, self.band.cell_hz)
        wide_enough = self._span.high_hz - self._span.low_hz >= (40_000 if self.band is VHF else 2_500)
        self._floor = NoiseFloor(
            self._spectra,
            side_hz=self.band.side_hz,
            memory_s=_MEMORY_S,
            common_gain=wide_enough,
            least_power=_LEAST_POWER_8_BITS if few_bits else 0.0,
            heard_hz=self._span.heard_hz(),
        )
        self._skirts = Skirts(self.band, self._spectra)
        self._detector = Detector(self._span, self._spectra, self._skirts)
        self._echoes = Echoes(self._span, self._spectra, self._floor, self._skirts, few_bits=few_bits)
        self._weak = WeakWatch(
            self._span,
            self._bank,
            self._spectra,
            self._floor,
            self._echoes,
            start_s=start_s,
            numbers=self._numbers,
        )
        self._trial = self._new_bank()
        self._first: list[Density] = []
        self._at_zero: list[Complex] = []
        self._shown = 0
        """Blocks whose spectra were told while the noise was learnt."""
        self._waiting: list[Complex] | None = []
        self._waiting_count = 0
        self._lines: list[Line] = []
        self._tracks: list[Track] = []
        self._steps: list[Step] = []
        self._before: Step | None = None
        self._last_off: dict[tuple[float, Passband], float] = {}
        self._lost: list[tuple[int, int]] = []
        self._end = 0

    # ------------------------------------------------------------------ samples in

    def feed(
        self,
        samples: Complex,
        lost: Iterable[tuple[int, int]] = (),
        overloaded: Iterable[tuple[int, int]] = (),
    ) -> Iterator[Sighting]:
        """Take samples in.

        `lost` are places (from the first sample) and lengths of zeros that stand for lost samples, `overloaded` those
        of stretches in which the converter ran out of range.
        """
        self._lost.extend(lost)
        self._echoes.overload(overloaded)
        if self._waiting is not None:
            # the floor is learnt from the same samples, in however small or large blocks they come
            missing = math.ceil(self.band.prime_s * self.sample_rate_hz) - self._waiting_count
            self._waiting.append(samples[:missing])
            self._waiting_count += min(samples.size, missing)
            for batch in self._trial.feed(samples[:missing]):
                yield from self._look_first(batch)
            if samples.size < missing:
                return
            yield from self._prime()
            samples = samples[missing:]
        for batch in self._bank.feed(samples):
            yield from self._step(batch)

    def flush(self) -> Iterator[Sighting]:
        """Tell the rest when the samples have ended."""
        if self._waiting is not None:
            yield from self._prime()
        for batch in self._bank.flush():
            yield from self._step(batch)
        if self._steps:
            yield from self._batch()
        yield from self._advance(ended=True)
        yield from self._weak.finish(self._end / self.sample_rate_hz, self._tracks)
        self.remarks += self._echoes.remarks()
        self._say_what_is_the_receivers_own()

    def frame(self, density: Density, most_bins: int) -> tuple[Density, float, float]:
        """One spectrum frame in dB of full scale a bin, with the offset of its first bin and its step in hertz."""
        return self._spectra.frame(density, most_bins)

    def _new_bank(self) -> Channeliser:
        blocks = self.band.blocks_per_step if self._prompt else self.band.blocks_per_batch
        return Channeliser(self.sample_rate_hz, self.band.block_s, blocks, one_sided=self._audio)

    def _prime(self) -> Iterator[Sighting]:
        """Learn the noise, and what is the receiver's own, from the first samples; then go through them."""
        waiting, self._waiting = self._waiting or [], None
        if not self._waiting_count:
            return
        for batch in self._trial.flush():
            yield from self._look_first(batch)
        first = np.concatenate(self._first)
        self._first.clear()
        if not self._audio:
            # no set's carrier agrees with a receiver to a thousandth of a hertz
            likely = self._few_bits or self.band is VHF or self._span.channel_at(0.0) is not None
            self._bank.dc = priming.steady_offset(np.concatenate(self._at_zero), first, self._spectra, likely=likely)
        self._floor.prime(np.maximum(first, np.float32(self._least_density)))
        usual = np.median(self._spectra.cells(first), axis=0)
        del first
        at_dc = 3 * self._bank.bin_hz if self._bank.dc else 0.0
        own = priming.own_lines(self._floor, usual, self._spectra, self._span)
        self._lines = [line for line in own if abs(line.offset_hz) >= at_dc]
        for samples in waiting:
            for batch in self._bank.feed(samples):
                yield from self._step(batch)

    def _look_first(self, batch: Batch) -> Iterator[Sighting]:
        """Show the spectra of what the noise is still learnt from; what is in them is looked for later."""
        whole = self._whole_blocks(batch)
        densities = self._spectra.densities(batch)[:whole]
        self._first.append(densities)
        self._at_zero.append(priming.hann_at_zero(batch.spectra[:whole]))
        if whole:
            self._shown = batch.first_block + whole
            yield Spectrum(self._time(batch.first_block), self._bank.block_duration_s, densities)

    def _say_what_is_the_receivers_own(self) -> None:
        if self._lines:
            places = ", ".join(plan.frequency_text(self.centre_hz + line.offset_hz) for line in self._lines[:8])
            more = f" and {len(self._lines) - 8} more" if len(self._lines) > 8 else ""
            self.remarks.append(
                f"Steady narrow lines at {places}{more} stood there from the start: taken for the receiver's own."
            )
        if self._bank.dc:
            level = 20 * math.log10(abs(self._bank.dc))
            self.remarks.append(f"The converter's own offset at 0 Hz ({level:.0f} dBFS) was taken off.")

    # ------------------------------------------------------------------ blocks

    def _step(self, batch: Batch) -> Iterator[Sighting]:
        """Take the next blocks: what is followed goes on, and when a batch is full, new signals are looked for."""
        self._end = batch.end_sample
        densities = self._spectra.densities(batch)
        whole = self._whole_blocks(batch)
        shown = max(self._shown - batch.first_block, 0)
        if shown < whole:
            yield Spectrum(self._time(batch.first_block + shown), self._bank.block_duration_s, densities[shown:whole])
        if self._lines:
            self._floor.silence(densities, self._lines)
        cells = np.maximum(self._spectra.cells(densities), self._least_density)
        gains = self._floor.gains(cells)
        gains[whole:] = gains[whole - 1] if whole else self._floor.gain
        self._floor.gain = float(gains[-1])
        # a block without samples has no noise, and no signal
        noise = np.maximum(self._floor.level * np.maximum(gains, 0.01)[:, None], self._least_density)
        under = self._floor.under(cells, gains, self.band.wide_hz, self._dynamic_range)
        self._skirts.raise_under(under, cells)
        under = np.maximum(under, self._least_density)
        claimed = np.zeros(self._spectra.cell_count, np.bool_)
        step = Step(batch, cells, gains, noise, under, self._lost_in_batch(batch), whole, claimed)
        for track in self._tracks:
            self._take(track, step)
            claimed[self._spectra.cells_between(track.slot.claim_low_hz, track.slot.claim_high_hz)] = True
        self._steps.append(step)
        if sum(one.batch.blocks for one in self._steps) >= self.band.blocks_per_batch:
            yield from self._batch()
        elif self._tracks:
            yield from self._advance(ended=False)

    def _batch(self) -> Iterator[Sighting]:
        """Look for new signals in the steps since last time, and tell what is over."""
        batch = joined(self._steps)
        self._steps.clear()
        hot = self._detector.hot(batch.cells, batch.under, batch.gains)
        hot[batch.whole :] = False  # the edge of the data smears over the whole span
        raised: Marks = np.any(hot, axis=0)
        new = [self._track(slot, batch) for slot in self._detector.found(batch, hot, [t.slot for t in self._tracks])]
        self._tracks += new
        for track in new:
            self._part_from_neighbours(track)
        for track in new:
            if self._before is not None:
                self._take(track, self._before)
            self._take(track, batch)
        for track in self._tracks:
            self._look_around(track, batch.cells)
        yield from self._advance(ended=False)

        yield from self._weak.listen(batch, self._tracks)
        for followed in self._weak.followed():
            raised[followed] = True
        quiet = ~widened(raised | batch.claimed, self._spectra.cells_in(self.band.narrow_hz))
        self._floor.learn(batch.cells, batch.gains, quiet, batch.batch.blocks * self._bank.block_duration_s)
        self._before = batch

    def _track(self, slot: Slot, batch: Step) -> Track:
        """Follow a slot from a little before a batch, but from no earlier than it was last told of."""
        first = batch if self._before is None else self._before
        since = self._last_off.get((slot.offset_hz, slot.passband), 0.0)
        return Track(slot, self._bank, first.batch.first_block, not_before_s=since)

    def _time(self, block: float) -> float:
        return self.start_s + block * self._bank.block_duration_s

    def _whole_blocks(self, batch: Batch) -> int:
        """How many of a batch's blocks are full of samples."""
        whole = (batch.end_sample + self._bank.overlap // 2 - self._bank.size) // self._bank.hop + 1
        if whole < 3:
            return batch.blocks  # a recording this short is taken as it comes
        return min(batch.blocks, max(whole - batch.first_block, 0))

    def _lost_in_batch(self, batch: Batch) -> Spans:
        """From when to when in these blocks zeros stand for lost samples, with what rings around them."""
        ring = self._bank.overlap // 2
        first, last = batch.first_block * self._bank.hop, (batch.first_block + batch.blocks) * self._bank.hop
        return tuple(
            ((start - ring) / self.sample_rate_hz, (start + count + ring) / self.sample_rate_hz)
            for start, count in self._lost
            if start - ring < last and start + count + ring > first
        )

    def _take(self, track: Track, step: Step) -> None:
        slot, noise, under = track.slot, step.noise, step.under
        cut = self._bank.cut(step.batch, slot.offset_hz, track.passband)
        samples = self._bank.samples_of(cut, step.batch.first_block, slot.offset_hz, track.passband)
        place = self._spectra.cells_between(
            slot.offset_hz + track.passband.low_hz, slot.offset_hz + track.passband.high_hz
        )
        noise_of_blocks = noise[:, place].mean(axis=1)
        under_of_blocks = np.maximum(under[:, place].mean(axis=1), noise_of_blocks)
        if track.is_opening:
            wide = self._bank.cut(step.batch, slot.offset_hz, OPENING_FM)
            first = step.batch.first_block * self._bank.samples_per_block(OPENING_FM)
            wide_samples = self._bank.samples_of(wide, step.batch.first_block, slot.offset_hz, OPENING_FM)
            track.add_opening(first, wide_samples)
        track.add(samples, noise_of_blocks, under_of_blocks, step.lost)

    def _part_from_neighbours(self, track: Track) -> None:
        """Where a narrow channel beside one that is followed is keyed, too, each is kept out of the other's filter."""
        for other in self._tracks:
            both = other.slot.passband == track.slot.passband == TELEGRAPHY
            if other is not track and both and abs(other.slot.offset_hz - track.slot.offset_hz) <= BESIDE_HZ:
                for one in (track, other):
                    one.narrow(TELEGRAPHY_BESIDE, self._bank)

    def _look_around(self, track: Track, cells: Density) -> None:
        """Add up the spectrum of the blocks in which a slot was keyed."""
        claim = self._spectra.cells_between(track.slot.claim_low_hz, track.slot.claim_high_hz)
        power = cells[:, claim].mean(axis=1)
        keyed = power > 0.3 * power.max()
        if track.around.size == 0:
            track.around = np.zeros(cells.shape[1])
        track.around += cells[keyed].sum(axis=0)
        track.around_blocks += int(np.count_nonzero(keyed))

    # ------------------------------------------------------------------ keyings

    def _advance(self, *, ended: bool) -> Iterator[Sighting]:
        over: list[tuple[Track, Keying]] = []
        for track in self._tracks:
            most = math.floor(self._end * track.rate_hz / self.sample_rate_hz) if ended else None
            over += [(track, keyed) for keyed in track.advance(ended=ended, most_samples=most)]
        told: list[tuple[Track, Keying]] = []
        for track, keyed in sorted(over, key=lambda pair: -pair[1].power):
            self._last_off[track.slot.offset_hz, track.slot.passband] = keyed.off_s
            echo = None if track.number is not None else self._echoes.echo_of(track, keyed, self._tracks, over)
            self._echoes.remember(track.slot, keyed)
            if echo is None:
                told.append((track, keyed))
            else:
                self._echoes.leave_out(echo)
        for track, keyed in sorted(told, key=lambda pair: pair[1].on_s):
            yield from self._tell(track, keyed)
        for track in self._tracks:
            if track.current is not None and track.number is None and self._is_plain(track):
                yield self._begin(track, track.time_of(track.current.on))
        for track in self._tracks:
            if track.current is None:
                track.around_blocks, track.around = 0, np.zeros(0)
        self._tracks = [track for track in self._tracks if not track.closed]
        now = self._end / self.sample_rate_hz
        begun_s = [track.time_of(track.current.on) for track in self._tracks if track.current]
        self._echoes.forget(now, min([*begun_s, *self._weak.since_s(), now]))
        self._forget_losses()

    def _forget_losses(self) -> None:
        """Let go of losses before all that is still followed, or may yet be."""
        first = min((step.batch.first_block for step in (self._before, *self._steps) if step), default=0)
        since_s = [track.since_s for track in self._tracks]
        oldest = min([first * self._bank.block_duration_s, *since_s]) * self.sample_rate_hz - self._bank.size
        self._lost = [(start, count) for start, count in self._lost if start + count > oldest]

    def _begin(self, track: Track, on_s: float) -> Begun:
        track.number = next(self._numbers)
        return Begun(track.number, self.start_s + on_s, self.centre_hz + track.slot.offset_hz, track.slot.channel)

    def _tell(self, track: Track, keyed: Keying) -> Iterator[Sighting]:
        watch = self._weak.watch_of(track, keyed)
        if track.number is None:
            begun = self._begin(track, keyed.on_s)
            if watch is None:
                yield begun
        assert track.number is not None
        excerpt = replace(
            keyed.excerpt,
            centre_hz=self.centre_hz + track.slot.offset_hz,
            start_s=self.start_s + keyed.excerpt.start_s,
            lost=self._lost_in(keyed.excerpt),
        )
        heard = Heard(track.number, excerpt, track.slot.occupied_hz, last=keyed.last)
        if keyed.last:
            track.number = None
        if watch is None:
            yield heard
        else:
            watch.held_back.append(heard)

    def _lost_in(self, excerpt: Excerpt) -> tuple[tuple[int, int], ...]:
        found = []
        ratio = excerpt.sample_rate_hz / self.sample_rate_hz
        origin = excerpt.start_s * excerpt.sample_rate_hz
        for start, count in self._lost:
            low = max(0, math.floor(start * ratio - origin))
            high = min(excerpt.iq.size, math.ceil((start + count) * ratio - origin))
            if low < high:
                found.append((low, high - low))
        return tuple(found)

    def _is_plain(self, track: Track) -> bool:
        """Whether a keying that goes on can already be told of: settled, and no stronger one to be an echo of."""
        run = track.current
        assert run is not None
        on_s, off_s = track.time_of(run.on), track.time_of(run.off)
        if off_s - on_s < _SETTLING_S or self._end / self.sample_rate_hz - off_s > 0.05:
            return False
        if track.strength_of(run) < keying.STRONG:
            return False
        return not self._echoes.may_be_echo(track, self._tracks)
