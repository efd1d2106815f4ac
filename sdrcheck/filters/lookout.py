"""Finds transmissions in a stream: samples go in, excerpts come out, channel by channel.

Every block's spectrum is held against the tracked noise floor. Where something rises out of it, the stretch is given a
slot (a channel of the plan, or a place off it), the slot's samples are taken from a little before, and their power says
when it was keyed. What only echoes a stronger signal (mirror image, splatter, clipping) is told apart before it counts.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.filters import channeliser as bank
from sdrcheck.filters import keying, products
from sdrcheck.filters.channeliser import Batch, Channeliser, Passband
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.filters.floor import Line, NoiseFloor
from sdrcheck.filters.iq import Complex
from sdrcheck.filters.spectrum import Density, PowerSpectra
from sdrcheck.filters.track import Keying, Slot, Track

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]
_Spans = tuple[tuple[float, float], ...]

_MOST_TRACKS = 32
_STRONGER = 30.0
"""A signal this many times stronger than another may be where the other comes from."""
_MUCH_STRONGER = 10**4.5
_SAME_EDGE_S = 0.012
_FAINT = 6.0
"""Below this the watch for weak calls has the first word on a calling channel."""
_PLAIN = 20.0
"""A block so far over the noise holds no weak call."""
_FAINTEST, _FAINTEST_OFF_PLAN = 1.6, 2.0
"""Power over noise in the slot's filter below which a keying is not told of."""
_DC_MOST, _DC_MOST_OF_OTHERS = 10 ** (-22 / 20), 10 ** (-50 / 20)
"""A steady line at 0 Hz above this amplitude is a carrier, not the offset of a dongle's or another converter."""
_EDGE_OF_SPAN = 0.07
"""The outermost part of the span on either side: filters fall off there, and off the plan nothing is looked for."""
_LOWEST_SOUND_HZ = 100.0
_LEAST_SOUND_RATE_HZ = 5_000.0
"""Faster than any excerpt of two lines, so that nobody takes what is wide for one."""
_SOUND_PIECE_S = 900.0
"""Two lines in receiver sound have no reader that follows them: a whole slot is kept, a few megabytes at such rates."""
_TWO_LINES_HZ = 1_200.0
_FAMILY = 30.0
_LEAST_DC_BLOCKS = 4
_SETTLING_S = 0.15
_VALLEY = 3.5
_MEMORY_S = 10.0
_REST_S = 20.0
"""Where energy without a call goes on for so long that it was cut off, the noise floor is given time to follow it."""
_DYNAMIC_RANGE, _DYNAMIC_RANGE_8_BITS = 10**-7.0, 10**-5.5
_LEAST_POWER_8_BITS = 0.2 / 128**2
_STEP_PRODUCTS = ((1.0, 0.07 / 128**2), (3.0, 0.007 / 128**2))
"""What the steps of 8 bits may put into a channel where the noise is so many times the least; seen on made signals."""
_STEP_8_BITS = 1 / 127.5
_STEP_NOISE_8_BITS = _STEP_8_BITS**2 / 2
"""Power of 8-bit steps, I and Q together, where a noise too fine for them only tips them: nothing under it is told."""
_SIGMAS = 4.5
_OVERLOAD = "distortion of an overloaded receiver"
_CLICK_S = 0.02
_BURST_S = 0.1
_SHORTEST_WEAK_S = 0.35
_TEXT_PAUSE_S = 5.0
_WIDE_HZ = 20_000.0


@dataclass(frozen=True, slots=True)
class Band:
    """How a part of the radio spectrum is looked at."""

    block_s: float
    blocks_per_batch: int
    """New signals are looked for in so many blocks at a time."""
    blocks_per_step: int
    """What is followed is told of after so many, where it is to be told at once."""
    prime_s: float
    """The noise floor is learnt from so much before anything is told."""
    cell_hz: float
    side_hz: float
    """How far to either side of a cell the noise is compared."""
    narrow_hz: float
    """The narrower of two windows in which power is held against the noise."""
    narrow_ratio: float
    wide_hz: float
    wide_ratio: float
    mean_ratio: float
    """What counts in the narrow or wide window over a whole batch."""
    bridge_hz: float
    """Gaps up to this wide lie inside one signal."""
    closest_hz: float
    """Nothing so near to a signal is a signal of its own, unless it is much stronger."""
    widest_hz: float
    """Something wider beside a stronger signal is its splatter."""
    apart_hz: float
    """A signal this near to a stronger one must stand out from the stronger one's skirts."""
    skirts: tuple[tuple[float, float, float], ...]
    """From one distance to another (Hz): what part of a signal's density its skirts may have there."""
    product_hz: float
    """A product of a stronger signal may lie so far from where it should."""
    line_hz: float
    """A steady line is compared with the noise in this width."""
    line_family_hz: float
    """A steady line this near to something much stronger is a part of that."""
    calling_hz: float
    """Half the width in which weak calls are looked for."""
    calling_s: tuple[float, ...]
    """Lengths of time over which they are looked for."""


VHF = Band(
    block_s=0.027,
    blocks_per_batch=8,
    blocks_per_step=2,
    prime_s=1.5,
    cell_hz=1200.0,
    side_hz=75_000.0,
    narrow_hz=3_600.0,
    narrow_ratio=3.0,
    wide_hz=12_000.0,
    wide_ratio=2.0,
    mean_ratio=1.6,
    bridge_hz=4_000.0,
    closest_hz=18_000.0,
    widest_hz=30_000.0,
    apart_hz=75_000.0,
    skirts=((15_000.0, 40_000.0, 10**-5.7), (40_000.0, 80_000.0, 10**-6.6)),
    product_hz=12_500.0,
    line_hz=16_000.0,
    line_family_hz=8_000.0,
    calling_hz=6_000.0,
    calling_s=(0.13, 0.45),
)
MF_HF = Band(
    block_s=0.15,
    blocks_per_batch=8,
    blocks_per_step=1,
    prime_s=3.0,
    cell_hz=45.0,
    side_hz=1_500.0,
    narrow_hz=300.0,
    narrow_ratio=3.0,
    wide_hz=2_400.0,
    wide_ratio=1.8,
    mean_ratio=1.7,
    bridge_hz=300.0,
    closest_hz=350.0,
    widest_hz=6_000.0,
    apart_hz=3_000.0,
    skirts=((250.0, 600.0, 10**-3.0), (600.0, 1_500.0, 10**-4.5), (1_500.0, 3_000.0, 10**-5.5)),
    product_hz=300.0,
    line_hz=300.0,
    line_family_hz=900.0,
    calling_hz=150.0,
    calling_s=(1.0, 2.5),
)


@dataclass(frozen=True, slots=True)
class Begun:
    """A transmission that will be told of to its end."""

    number: int
    start_s: float
    centre_hz: float
    channel: Channel | None


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """The next samples of a text channel, for decoders that read as it comes."""

    channel: Channel
    iq: Complex
    sample_rate_hz: float
    start_s: float
    centre_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A transmission, or the next piece of a very long one."""

    number: int
    excerpt: Excerpt
    occupied_hz: float
    """How wide the signal was when it was found."""
    last: bool = True
    weak: bool = False
    """Found only by its energy over a long time; it counts if it can be read."""
    instead: tuple[Heard, ...] = ()
    """What the ordinary detector made of the same stretch: to be told where the weak one cannot be read."""


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Power densities of consecutive blocks, shape (blocks, bins), lowest bin first; good until the next sighting."""

    start_s: float
    block_s: float
    densities: Density


Sighting = Begun | Samples | Heard | Spectrum


@dataclass(slots=True, eq=False)
class _Past:
    """A keying that is over and was told of: what weaker ones are compared with."""

    slot: Slot
    keying: Keying


@dataclass(frozen=True, slots=True, eq=False)
class _Other:
    """Something else that was or is on the air."""

    slot: Slot
    on_s: float
    off_s: float
    power: float
    source: Track | Excerpt


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """Some consecutive blocks, and what is known of each: one row a block."""

    batch: Batch
    cells: Density
    gains: Array
    noise: Array
    under: Array
    """Density of all that is not to be taken for a signal."""
    lost: _Spans
    whole: int
    """So many of the blocks are full of samples."""
    claimed: Marks
    """Cells of the slots that are followed."""


def _joined(steps: list[_Step]) -> _Step:
    """Consecutive steps as one."""
    if len(steps) == 1:
        return steps[0]
    first, last = steps[0].batch, steps[-1].batch
    return _Step(
        Batch(first.first_block, np.concatenate([step.batch.spectra for step in steps]), last.end_sample),
        np.concatenate([step.cells for step in steps]),
        np.concatenate([step.gains for step in steps]),
        np.concatenate([step.noise for step in steps]),
        np.concatenate([step.under for step in steps]),
        tuple(dict.fromkeys(span for step in steps for span in step.lost)),
        sum(step.whole for step in steps),
        np.logical_or.reduce([step.claimed for step in steps]),
    )


@dataclass(slots=True, eq=False)
class _Watch:
    """A calling or text channel in which weak signals are looked for all the time."""

    slot: Slot
    low_cell: int
    high_cell: int
    ratios: deque[float]
    cuts: deque[tuple[int, Complex]]
    following: list[Complex] | None = None
    follow_block: int = 0
    quiet_blocks: int = 0
    rest_until_s: float = 0.0
    held_back: list[Heard] = field(default_factory=list)


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
        self._scale = 1 + correction_ppm * 1e-6
        self._prompt = prompt
        self._wanted = None if channels is None else {channel.frequency_hz for channel in channels}
        self._numbers = numbers or itertools.count(1)
        self._low_hz, self._high_hz = (0.0, sample_rate_hz / 2) if audio else (-sample_rate_hz / 2, sample_rate_hz / 2)
        self.channels = self._channels_in_span()
        self.band = self._band()
        self._bank = self._new_bank()
        self._spectra = PowerSpectra(self._bank, self.band.cell_hz)
        self._centres = self._spectra.cell_centres_hz()
        wide_enough = self._high_hz - self._low_hz >= (40_000 if self.band is VHF else 2_500)
        self._floor = NoiseFloor(
            self._spectra,
            side_hz=self.band.side_hz,
            memory_s=_MEMORY_S,
            common_gain=wide_enough,
            least_power=_LEAST_POWER_8_BITS if few_bits else 0.0,
        )
        self._looked_at = self._away_from_edges()
        self._waiting: list[Complex] | None = []
        self._waiting_count = 0
        self._lines: list[Line] = []
        self._tracks: list[Track] = []
        self._steps: list[_Step] = []
        self._before: _Step | None = None
        self._past: list[_Past] = []
        self._last_off: dict[tuple[float, Passband], float] = {}
        self._lost: list[tuple[int, int]] = []
        self._overloaded: deque[tuple[float, float]] = deque(maxlen=2000)
        self._watches = [self._watch(channel) for channel in self.channels if self._is_watched(channel)]
        self._echoes: dict[str, int] = {}
        self._end = 0
        self._gain = 1.0

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
        rate = self.sample_rate_hz
        self._overloaded.extend((first / rate, (first + count) / rate) for first, count in overloaded)
        if self._waiting is not None:
            # the floor is learnt from the same samples, in however small or large blocks they come
            missing = math.ceil(self.band.prime_s * self.sample_rate_hz) - self._waiting_count
            self._waiting.append(samples[:missing])
            self._waiting_count += min(samples.size, missing)
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
        yield from self._finish()
        self._say_what_was_left_out()

    def _prime(self) -> Iterator[Sighting]:
        waiting, self._waiting = self._waiting or [], None
        if not self._waiting_count:
            return
        trial = self._new_bank()
        densities, at_zero = [], []
        for samples in waiting:
            for batch in trial.feed(samples):
                densities.append(self._spectra.densities(batch))
                at_zero.append(_hann_at_zero(batch.spectra))
        for batch in trial.flush():
            whole = self._whole_blocks(batch)
            densities.append(self._spectra.densities(batch)[:whole])
            at_zero.append(_hann_at_zero(batch.spectra[:whole]))
        if not self._audio:
            self._bank.dc = self._steady_dc(np.concatenate(at_zero), np.concatenate(densities))
        self._floor.prime(np.maximum(np.concatenate(densities), np.float32(self._least_density)))
        at_dc = 3 * self._bank.bin_hz if self._bank.dc else 0.0
        usual = np.median(self._spectra.cells(np.concatenate(densities)), axis=0)
        lines = [line for line in self._floor.lines if abs(line.offset_hz) >= at_dc]
        self._lines = [line for line in lines if self._is_own_line(line, usual)]
        del densities
        for samples in waiting:
            for batch in self._bank.feed(samples):
                yield from self._step(batch)

    def _new_bank(self) -> Channeliser:
        blocks = self.band.blocks_per_step if self._prompt else self.band.blocks_per_batch
        return Channeliser(self.sample_rate_hz, self.band.block_s, blocks, one_sided=self._audio)

    def _steady_dc(self, at_zero: Complex, densities: Density) -> complex:
        """The converter's own offset: a line at 0 Hz that neither turns nor fades, whatever else comes and goes."""
        at_zero = at_zero[1:] if at_zero.size > 1 else at_zero  # the first block begins before the samples do
        if at_zero.size < _LEAST_DC_BLOCKS:
            return 0j
        middle = -self._spectra.first_bin
        beside = np.concatenate(
            [densities[:, middle - 12 : middle - 3], densities[:, middle + 4 : middle + 13]], axis=1
        )
        noise = 1.5 * float(np.quantile(beside, 0.25)) / math.log(4 / 3) * self.sample_rate_hz * self._bank.size
        reach = 3 * math.sqrt(noise) + 0.02 * np.abs(at_zero)
        alike = np.abs(at_zero[:, None] - at_zero[None, :]) < reach[:, None]
        often = np.flatnonzero(alike.sum(axis=1) >= max(_LEAST_DC_BLOCKS, 0.15 * at_zero.size))
        if often.size == 0:
            return 0j
        best = alike[
            often[int(np.argmin(np.abs(at_zero[often])))]
        ]  # a carrier keyed at 0 Hz stands on top of the offset
        offset = complex(at_zero[best].mean())
        if abs(offset) ** 2 < 9 * noise:
            return 0j
        others = at_zero[~best] / offset
        dips = (np.abs(others) < 0.8) & (np.abs(np.angle(others)) < 0.4)
        if np.count_nonzero(dips) > 0.3 * others.size:
            return 0j  # it is keyed, so it is a carrier
        offset /= self._bank.size
        likely = self._few_bits or self.band is VHF
        return offset if abs(offset) < (_DC_MOST if likely else _DC_MOST_OF_OTHERS) else 0j

    def _is_own_line(self, line: Line, usual: Density) -> bool:
        """Whether a steady line is taken for the receiver's own: weak, narrow and alone."""
        reach = self.band.line_family_hz
        low, high = (self._spectra.cell_of(line.offset_hz + far) for far in (-reach, reach))
        beside = np.maximum(usual - self._floor.level, 0.0)[low : high + 1]
        if beside.sum() * self._spectra.cell_hz > _FAMILY * line.power:
            return False
        near = self.band.line_hz / 2
        power = sum(other.power for other in self._floor.lines if abs(other.offset_hz - line.offset_hz) < near)
        cell = self._spectra.cell_of(line.offset_hz)
        noise = self._floor.density_at(cell, cell) * self.band.line_hz
        on_plan = self._channel_at(line.offset_hz) is not None
        return power < (10 if on_plan else 100) * noise

    def frame(self, density: Density, most_bins: int) -> tuple[Density, float, float]:
        """One spectrum frame in dB of full scale a bin, with the offset of its first bin and its step in hertz."""
        return self._spectra.frame(density, most_bins)

    # ------------------------------------------------------------------ the plan in the span

    def _channels_in_span(self) -> tuple[Channel, ...]:
        if self.centre_hz <= 0 and not self._audio:
            return ()
        found = plan.within(
            (self.centre_hz + self._low_hz) / self._scale, (self.centre_hz + self._high_hz) / self._scale
        )
        inside = []
        for channel in found:
            low, high = (-200.0, 200.0) if channel.spacing_hz < 3000 else (-8000.0, 8000.0)
            if channel.emission is Emission.J3E:
                low, high = 0.0, 2700.0
            offset = channel.frequency_hz * self._scale - self.centre_hz
            if offset + low >= self._low_hz and offset + high <= self._high_hz:
                inside.append(channel)
        return tuple(inside)

    def _band(self) -> Band:
        below = any(channel.frequency_hz < 30e6 for channel in self.channels)
        return MF_HF if self._audio or below or (self.centre_hz < 30e6 and self.sample_rate_hz < 100e3) else VHF

    def _channel_at(self, offset_hz: float) -> Channel | None:
        if self.centre_hz <= 0 and not self._audio:
            return None
        return plan.channel_at((self.centre_hz + offset_hz) / self._scale)

    def _away_from_edges(self) -> Marks:
        """Cells in which something may begin: not at the edges of the span, unless a channel lies there."""
        edge_hz = _EDGE_OF_SPAN * self.sample_rate_hz
        low_hz = _LOWEST_SOUND_HZ if self._audio else self._low_hz + edge_hz
        looked_at: Marks = (self._centres > low_hz) & (self._centres < self._high_hz - edge_hz)
        for channel in self.channels:
            low, high = (edge * self._scale - self.centre_hz for edge in plan.occupied_hz(channel))
            looked_at = looked_at | ((self._centres > low) & (self._centres < high))
        return looked_at

    def _is_watched(self, channel: Channel) -> bool:
        wanted = self._wanted is None or channel.frequency_hz in self._wanted
        return wanted and (channel.calling or channel.text)

    def _slot(self, low_hz: float, high_hz: float, centre_hz: float) -> Slot | None:
        """The slot for a signal that was found between two offsets; None where it is not wanted."""
        if self.band is VHF:
            slot = self._telephony_slot(low_hz, high_hz, centre_hz)
        else:
            slot = self._narrow_slot(low_hz, high_hz, centre_hz)
        if self._wanted is not None and (slot.channel is None or slot.channel.frequency_hz not in self._wanted):
            return None
        return slot

    def _telephony_slot(self, low_hz: float, high_hz: float, centre_hz: float) -> Slot:
        channel = self._channel_at(centre_hz)
        wide = high_hz - low_hz
        if wide > (2 if channel else 1) * self.band.widest_hz:
            low = (math.floor((low_hz - centre_hz) / 1000) - 1) * 1000.0
            high = (math.ceil((high_hz - centre_hz) / 1000) + 1) * 1000.0
            passband = Passband(low, high, 2.5 * max(-low, high))
            return Slot(None, centre_hz, passband, keying.PULSES, low_hz, high_hz, 0.05, 2.0, wide)
        if channel is not None:
            nominal = channel.frequency_hz * self._scale - self.centre_hz
            # a set far off its frequency still has to fit into the filter
            middle = nominal if abs(centre_hz - nominal) < 3000 else nominal + round((centre_hz - nominal) / 500) * 500
            half = channel.spacing_hz / 2
            claims = nominal - half, nominal + half
            return Slot(channel, middle, bank.TELEPHONY_FM, keying.TELEPHONY_FM, *claims, 0.15, 30.0, wide)
        middle = round(centre_hz / 100) * 100.0
        return Slot(None, middle, bank.TELEPHONY_FM, keying.PULSES, middle - 15e3, middle + 15e3, 0.15, 30.0, wide)

    def _narrow_slot(self, low_hz: float, high_hz: float, centre_hz: float) -> Slot:
        wide = high_hz - low_hz
        channel = self._channel_at(centre_hz)
        voice = self._voice_channel(low_hz, high_hz)
        if channel is not None and channel.emission is not Emission.J3E and wide < 800:
            nominal = channel.frequency_hz * self._scale - self.centre_hz
            claims = nominal - 250, nominal + 250
            return Slot(channel, nominal, bank.TELEGRAPHY, keying.TELEGRAPHY, *claims, 0.5, 60.0, wide)
        if voice is not None and not (self._audio and wide < 500):
            carrier = voice.frequency_hz * self._scale - self.centre_hz
            claims = carrier - 200, carrier + 3200
            return Slot(voice, carrier, bank.SINGLE_SIDEBAND, keying.SINGLE_SIDEBAND, *claims, 0.5, 60.0, wide)
        if wide < 600:
            middle = round(centre_hz, 1)
            claims = middle - 300, middle + 300
            piece_s = _SOUND_PIECE_S if self._audio else 60.0
            return Slot(None, middle, bank.TELEGRAPHY, keying.TELEGRAPHY, *claims, 0.5, piece_s, wide)
        low = (math.floor((low_hz - round(centre_hz)) / 50) - 1) * 50.0
        high = (math.ceil((high_hz - round(centre_hz)) / 50) + 1) * 50.0
        passband = Passband(low, high, max(2.5 * max(-low, high), _LEAST_SOUND_RATE_HZ))
        claims = low_hz - 200, high_hz + 200
        piece_s = _SOUND_PIECE_S if self._audio and wide < _TWO_LINES_HZ else 30.0
        return Slot(None, round(centre_hz), passband, keying.SINGLE_SIDEBAND, *claims, 0.5, piece_s, wide)

    def _voice_channel(self, low_hz: float, high_hz: float) -> Channel | None:
        """The telephony channel whose sideband holds all of a signal."""
        for channel in self.channels:
            if channel.emission is Emission.J3E:
                carrier = channel.frequency_hz * self._scale - self.centre_hz
                if carrier - 150 <= low_hz and high_hz <= carrier + 3300:
                    return channel
        return None

    # ------------------------------------------------------------------ one batch

    def _step(self, batch: Batch) -> Iterator[Sighting]:
        """Take the next blocks: what is followed goes on, and when a batch is full, new signals are looked for."""
        self._end = batch.end_sample
        densities = self._spectra.densities(batch)
        whole = self._whole_blocks(batch)
        shown = densities[:whole]
        if shown.size:
            yield Spectrum(self._time(batch.first_block), self._bank.block_duration_s, shown)
        if self._lines:
            self._floor.silence(densities, self._lines)
        cells = np.maximum(self._spectra.cells(densities), self._least_density)
        gains = self._floor.gains(cells)
        gains[whole:] = gains[whole - 1] if whole else self._gain
        self._gain = float(gains[-1])
        # a block without samples has no noise, and no signal
        noise = np.maximum(self._floor.level * np.maximum(gains, 0.01)[:, None], self._least_density)
        under = self._floor.under(cells, gains, self.band.wide_hz, self._dynamic_range)
        self._raise_by_skirts(under, cells)
        under = np.maximum(under, self._least_density)
        claimed = np.zeros(self._spectra.cell_count, np.bool_)
        step = _Step(batch, cells, gains, noise, under, self._lost_in_batch(batch), whole, claimed)
        for track in self._tracks:
            self._take(track, step)
            claimed[self._cells_of(track.slot)] = True
        self._steps.append(step)
        if sum(one.batch.blocks for one in self._steps) >= self.band.blocks_per_batch:
            yield from self._batch()
        elif self._tracks:
            yield from self._advance(ended=False)

    def _batch(self) -> Iterator[Sighting]:
        """Look for new signals in the steps since last time, and tell what is over."""
        batch = _joined(self._steps)
        self._steps.clear()
        cells, gains, under, claimed = batch.cells, batch.gains, batch.under, batch.claimed
        hot = self._hot(cells, under, gains)
        hot[batch.whole :] = False  # the edge of the data smears over the whole span
        raised: Marks = np.any(hot, axis=0)
        for slot in self._found(cells, under, gains, hot, claimed):
            first = batch if self._before is None else self._before
            since = self._last_off.get((slot.offset_hz, slot.passband), 0.0)
            track = Track(slot, self._bank, first.batch.first_block, not_before_s=since)
            if self._before is not None:
                self._take(track, self._before)
            self._take(track, batch)
            self._tracks.append(track)
        for track in self._tracks:
            self._look_around(track, cells)
        yield from self._advance(ended=False)

        yield from self._listen_for_weak(batch.batch, cells, under, gains)
        for watch in self._watches:
            if watch.following is not None:
                raised[watch.low_cell : watch.high_cell + 1] = True
        quiet = ~(_widened(raised | claimed, self._guard_cells))
        self._floor.learn(cells, gains, quiet, batch.batch.blocks * self._bank.block_duration_s)
        self._before = batch

    @property
    def _guard_cells(self) -> int:
        return max(1, round(self.band.narrow_hz / self._spectra.cell_hz))

    def _time(self, block: float) -> float:
        return self.start_s + block * self._bank.block_duration_s

    def _whole_blocks(self, batch: Batch) -> int:
        """How many of a batch's blocks are full of samples."""
        whole = (batch.end_sample + self._bank.overlap // 2 - self._bank.size) // self._bank.hop + 1
        if whole < 3:
            return batch.blocks  # a recording this short is taken as it comes
        return min(batch.blocks, max(whole - batch.first_block, 0))

    def _cells_of(self, slot: Slot) -> slice:
        return slice(self._spectra.cell_of(slot.claim_low_hz), self._spectra.cell_of(slot.claim_high_hz) + 1)

    def _lost_in_batch(self, batch: Batch) -> _Spans:
        """From when to when in these blocks zeros stand for lost samples, with what rings around them."""
        ring = self._bank.overlap // 2
        first, last = batch.first_block * self._bank.hop, (batch.first_block + batch.blocks) * self._bank.hop
        return tuple(
            ((start - ring) / self.sample_rate_hz, (start + count + ring) / self.sample_rate_hz)
            for start, count in self._lost
            if start - ring < last and start + count + ring > first
        )

    def _take(self, track: Track, step: _Step) -> None:
        slot, noise, under = track.slot, step.noise, step.under
        cut = self._bank.cut(step.batch, slot.offset_hz, slot.passband)
        samples = self._bank.samples_of(cut, step.batch.first_block, slot.offset_hz, slot.passband)
        low = self._spectra.cell_of(slot.offset_hz + slot.passband.low_hz)
        high = self._spectra.cell_of(slot.offset_hz + slot.passband.high_hz)
        noise_of_blocks = noise[:, low : high + 1].mean(axis=1)
        under_of_blocks = np.maximum(under[:, low : high + 1].mean(axis=1), noise_of_blocks)
        track.add(samples, noise_of_blocks, under_of_blocks, step.lost)

    def _raise_by_skirts(self, under: Array, cells: Density) -> None:
        """Put into `under` what the skirts of strong signals may put into each cell."""
        most = max(share for _, _, share in self.band.skirts)
        reaching = most * cells.max(axis=1) > under.min(axis=1)
        if not np.any(reaching):
            return
        cells = cells[reaching]
        step = max(1, round(self.band.skirts[0][0] / 2 / self._spectra.cell_hz))
        count = cells.shape[1] // step
        coarse = cells[:, : count * step].reshape(cells.shape[0], count, step).mean(axis=2)
        reached = np.zeros_like(coarse, dtype=float)
        step_hz = step * self._spectra.cell_hz
        for near_hz, far_hz, share in self.band.skirts:
            for shift in range(math.ceil(near_hz / step_hz), min(math.floor(far_hz / step_hz), count - 1) + 1):
                np.maximum(reached[:, shift:], share * coarse[:, :-shift], out=reached[:, shift:])
                np.maximum(reached[:, :-shift], share * coarse[:, shift:], out=reached[:, :-shift])
        skirts = np.pad(np.repeat(reached, step, axis=1), ((0, 0), (0, cells.shape[1] - count * step)), mode="edge")
        under[reaching] = np.maximum(under[reaching], skirts)

    def _look_around(self, track: Track, cells: Density) -> None:
        """Add up the spectrum of the blocks in which a slot was keyed."""
        low, high = self._spectra.cell_of(track.slot.claim_low_hz), self._spectra.cell_of(track.slot.claim_high_hz)
        power = cells[:, low : high + 1].mean(axis=1)
        keyed = power > 0.3 * power.max()
        if track.around.size == 0:
            track.around = np.zeros(cells.shape[1])
        track.around += cells[keyed].sum(axis=0)
        track.around_blocks += int(np.count_nonzero(keyed))

    def _hot(self, cells: Density, under: Array, gains: Array) -> Marks:
        """Where power stands above the noise: shape (blocks, cells)."""
        band = self.band
        hot: Marks = np.zeros(cells.shape, np.bool_)
        held = gains > 0
        power, noise = _running_total(cells), _running_total(under)
        for width_hz, ratio in ((band.narrow_hz, band.narrow_ratio), (band.wide_hz, band.wide_ratio)):
            width = max(1, round(width_hz / self._spectra.cell_hz))
            found = _windows(power, width) / _windows(noise, width)
            hot = np.logical_or(hot, found > ratio)
            if np.count_nonzero(held) >= 3:
                hot = np.logical_or(hot, found[held].mean(axis=0) > band.mean_ratio)
        hot[~held] = False
        return hot

    def _found(self, cells: Density, under: Array, gains: Array, hot: Marks, claimed: Marks) -> Iterator[Slot]:
        """New signals in a batch, the strongest first, each with a slot of its own; their cells become `claimed`."""
        if np.any(claimed):
            hot = hot & self._hot_beside(claimed, cells, under, gains)
        left = hot.any(axis=0) & ~claimed & self._looked_at
        if not np.any(left):
            return
        band, cell_hz = self.band, self._spectra.cell_hz
        rows = (hot & ~claimed).any(axis=1)
        noise = under[rows].mean(axis=0)
        excess = np.maximum(cells[rows].mean(axis=0) - noise, 0.0)
        fine = _boxed(excess[None, :], max(1, round(band.narrow_hz / cell_hz)))[0]
        coarse = _boxed(excess[None, :], max(1, round(band.wide_hz / cell_hz)))[0]
        strong = [(self._spectra.cell_of(t.slot.offset_hz), t.slot) for t in self._tracks]
        reach = max(1, round(band.wide_hz / 2 / cell_hz))
        room = _MOST_TRACKS - len(self._tracks)
        while room > 0 and np.any(left):
            near = int(np.argmax(np.where(left, coarse, -1.0)))
            low, high = max(0, near - reach), min(left.size, near + reach + 1)
            peak = low + int(np.argmax(np.where(left[low:high], fine[low:high], -1.0)))
            low, high = self._extent(fine, noise, claimed, peak)
            left[low : high + 1] = False
            left[near] = False
            weight = excess[low : high + 1]
            if weight.sum() <= 0:
                continue
            centre = float(np.average(self._centres[low : high + 1], weights=weight))
            if self._is_skirt(fine + noise, peak, centre, strong):
                continue
            if self._is_splatter(fine + noise, low, high, strong):
                continue
            half = cell_hz / 2
            slot = self._slot(float(self._centres[low]) - half, float(self._centres[high]) + half, centre)
            if slot is None or any(slot.channel is t.slot.channel is not None for t in self._tracks):
                continue
            strong.append((peak, slot))
            claim = self._cells_of(slot)
            claimed[claim] = True
            left &= ~claimed & self._hot_beside(claimed, cells, under, gains).any(axis=0)
            room -= 1
            yield slot

    def _hot_beside(self, claimed: Marks, cells: Density, under: Array, gains: Array) -> Marks:
        """Where power stands above the noise without that of signals which have a slot: the wide window reaches far."""
        return self._hot(np.where(claimed, under, cells), under, gains)

    def _extent(self, fine: Array, noise: Array, claimed: Marks, peak: int) -> tuple[int, int]:
        """The cells that belong to the signal around a peak: down to a hundredth of it, small gaps bridged."""
        bridge = max(1, round(self.band.bridge_hz / self._spectra.cell_hz))
        over = (fine > np.maximum(fine[peak] / 100, 0.7 * noise)) & ~claimed
        ends = []
        for step in (-1, 1):
            end = at = peak
            while 0 <= at < over.size and abs(at - end) <= bridge:
                if over[at]:
                    end = at
                at += step
            ends.append(end)
        return ends[0], ends[1]

    def _is_splatter(self, density: Array, low: int, high: int, others: list[tuple[int, Slot]]) -> bool:
        """Whether a wide stretch lies beside a much stronger signal: its keying spreads so far for a moment."""
        if (high - low) * self._spectra.cell_hz < self.band.widest_hz:
            return False
        apart = round(self.band.apart_hz / self._spectra.cell_hz)
        peak = density[low : high + 1].max()
        claims = (self._cells_of(slot) for _, slot in others)
        return any(
            claim.start - apart < high
            and claim.stop + apart > low
            and density[claim].max(initial=0.0) > _STRONGER * peak
            for claim in claims
        )

    def _is_skirt(self, density: Array, peak: int, centre_hz: float, others: list[tuple[int, Slot]]) -> bool:
        """Whether a place only lies on the slope of a stronger signal: nothing dips between the two."""
        apart = round(self.band.apart_hz / self._spectra.cell_hz)
        for cell, slot in others:
            claim = self._cells_of(slot)
            top = claim.start + int(np.argmax(density[claim])) if claim.stop > claim.start else cell
            ratio = density[top] / max(density[peak], 1e-30)
            closest_hz = self.band.closest_hz * (1.2 if ratio > 300 else 1.0)
            if abs(centre_hz - slot.offset_hz) < closest_hz and ratio > 1 / 8:
                return True
            if abs(top - peak) > apart or ratio < 8:
                continue
            between = density[min(top, peak) : max(top, peak) + 1]
            if density[peak] < _VALLEY * between.min():
                return True
        return False

    # ------------------------------------------------------------------ keyings

    def _advance(self, *, ended: bool) -> Iterator[Sighting]:
        over: list[tuple[Track, Keying]] = []
        for track in self._tracks:
            most = math.floor(self._end * track.rate_hz / self.sample_rate_hz) if ended else None
            over += [(track, keyed) for keyed in track.advance(ended=ended, most_samples=most)]
        told: list[tuple[Track, Keying]] = []
        for track, keyed in sorted(over, key=lambda pair: -pair[1].power):
            self._last_off[track.slot.offset_hz, track.slot.passband] = keyed.off_s
            echo = None if track.number is not None else self._echo_of(track, keyed, over)
            self._past.append(_Past(track.slot, keyed))
            if echo is None:
                told.append((track, keyed))
            else:
                self._echoes[echo] = self._echoes.get(echo, 0) + 1
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
        begun_s += [watch.follow_block * self._bank.block_duration_s for watch in self._watches if watch.following]
        self._past = [past for past in self._past if past.keying.off_s > min([*begun_s, now - 2.0])]

    def _begin(self, track: Track, on_s: float) -> Begun:
        track.number = next(self._numbers)
        return Begun(track.number, self.start_s + on_s, self.centre_hz + track.slot.offset_hz, track.slot.channel)

    def _tell(self, track: Track, keyed: Keying) -> Iterator[Sighting]:
        watch = self._weak_watch_of(track, keyed)
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

    def _weak_watch_of(self, track: Track, keyed: Keying) -> _Watch | None:
        """The watch for weak signals that knows better what a faint keying is."""
        if track.number is not None or keyed.strength > _FAINT:
            return None
        for watch in self._watches:
            if watch.slot.channel is track.slot.channel and watch.following is not None:
                return watch
        return None

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
        power = track.power_of(run)
        off_plan = track.slot.channel is None
        return not any(
            other.off_s > on_s and (other.power > _STRONGER * power or (off_plan and other.power > power))
            for other in self._others(track, [])
        )

    def _echo_of(self, track: Track, keyed: Keying, over: list[tuple[Track, Keying]]) -> str | None:
        """What a keying is an echo of, in words, or None where it stands for itself."""
        if keyed.strength < (_FAINTEST if track.slot.channel is not None else _FAINTEST_OFF_PLAN):
            return "fluctuations of the noise"
        if self._few_bits and self._is_own_offset(track, keyed):
            return "changes of the converter's own offset"
        if any(self._floor.noise_over_least < most and keyed.power < power for most, power in _STEP_PRODUCTS):
            return "products of a converter whose steps no noise hides"
        for other in self._others(track, over):
            apart_on, apart_off = abs(other.on_s - keyed.on_s), abs(other.off_s - keyed.off_s)
            if keyed.off_s - keyed.on_s < _CLICK_S and other.power > _STRONGER * keyed.power:
                edges = apart_on, apart_off, abs(other.off_s - keyed.on_s), abs(other.on_s - keyed.off_s)
                if min(edges) < 0.02:
                    return "key clicks of stronger transmissions"
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
            if within and apart_hz < self.band.closest_hz and other.power > 2 * keyed.power:
                return "skirts of stronger transmissions"
            if other.power < _STRONGER * keyed.power:
                continue
            if self._on_slope(track, other.slot):
                return "skirts of stronger transmissions"
            order = products.order_of(
                track.slot.offset_hz, other.slot.offset_hz, self.sample_rate_hz, self.band.product_hz
            )
            if order is not None and self._follows(track, keyed, other, order):
                name = "mirror image" if order == -1 else "distortion product"
                places = (plan.frequency_text(self.centre_hz + slot.offset_hz) for slot in (other.slot, track.slot))
                return f"{name} of {' at '.join(places)}"
            burst = keyed.off_s - keyed.on_s < _BURST_S or other.slot.occupied_hz > _WIDE_HZ
            if track.slot.channel is None and within and (together or burst):
                return "faint by-products of stronger transmissions"
            much_stronger = other.power > _MUCH_STRONGER * keyed.power
            odd = track.slot.channel is None or (order is not None and much_stronger)
            if (together or (within and odd)) and self._was_overloaded(keyed.on_s, keyed.off_s):
                return _OVERLOAD
            if together and much_stronger:
                return "faint by-products of stronger transmissions"
        return None

    def _was_overloaded(self, on_s: float, off_s: float) -> bool:
        return any(low < off_s and high > on_s for low, high in self._overloaded)

    def _is_own_offset(self, track: Track, keyed: Keying) -> bool:
        """Whether a keying is only a line at 0 Hz that is finer than a step: the offset as the steps let it through."""
        slot = track.slot
        if not slot.passband.low_hz < -slot.offset_hz < slot.passband.high_hz or keyed.power > _STEP_8_BITS**2:
            return False
        iq = keyed.excerpt.keyed
        turn = np.exp(2j * np.pi * slot.offset_hz / track.rate_hz * np.arange(iq.size))
        return abs(np.mean(iq * turn)) ** 2 > 0.5 * keyed.power

    def _others(self, track: Track, over: list[tuple[Track, Keying]]) -> Iterator[_Other]:
        """What else was or is on the air that a keying could be an echo of."""
        for other in self._tracks:
            if other is not track and other.current is not None:
                run = other.current
                power = other.power_of(run)
                yield _Other(other.slot, other.time_of(run.on), other.time_of(run.off), power, other)
        told = [(past.slot, past.keying) for past in self._past]
        told += [(t.slot, k) for t, k in over if not any(k is past.keying for past in self._past)]
        for slot, keyed in told:
            if slot is not track.slot:
                yield _Other(slot, keyed.on_s, keyed.off_s, keyed.power, keyed.excerpt)

    def _mean_around(self, track: Track) -> Array:
        return _boxed((track.around / max(track.around_blocks, 1))[None, :], self._guard_cells)[0]

    def _is_bridged(self, track: Track, other: Slot) -> bool:
        """Whether the spectrum between two places never falls near the noise: they are parts of one signal."""
        if not track.around_blocks:
            return False
        density = self._mean_around(track)
        low, high = sorted((self._spectra.cell_of(track.slot.offset_hz), self._spectra.cell_of(other.offset_hz)))
        between = density[low : high + 1]
        noise = self._floor.level[low : high + 1] * self._gain
        return bool(np.all(between > 4 * noise) and between.min() > 1e-3 * density[self._cells_of(track.slot)].max())

    def _on_slope(self, track: Track, stronger: Slot) -> bool:
        """Whether a slot's mean spectrum only falls away from a stronger one."""
        apart = abs(track.slot.offset_hz - stronger.offset_hz)
        if apart > self.band.apart_hz or not track.around_blocks:
            return False
        mean = self._mean_around(track)
        claim = self._cells_of(track.slot)
        peak = claim.start + int(np.argmax(mean[claim]))
        others = [(self._spectra.cell_of(stronger.offset_hz), stronger)]
        return self._is_skirt(mean, peak, track.slot.offset_hz, others)

    def _follows(self, track: Track, keyed: Keying, other: _Other, order: int) -> bool:
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
            weak, strong, order, track.slot.offset_hz, other.slot.offset_hz, rate, self.sample_rate_hz
        )
        half = self.sample_rate_hz / 2
        aside_hz = abs((track.slot.offset_hz - order * other.slot.offset_hz + half) % self.sample_rate_hz - half)
        # a product that lies aside, or hardly stands out, is in the filter only in part
        least = 0.5 if keyed.strength > _FAINT and aside_hz < self.band.closest_hz / 6 else 0.2
        return shared > least * (1 - 1 / max(keyed.strength, 1.01))

    def _finish(self) -> Iterator[Sighting]:
        yield from self._advance(ended=True)
        for watch in self._watches:
            yield from self._end_weak(watch)

    def _say_what_was_left_out(self) -> None:
        for echo, count in sorted(self._echoes.items()):
            if "overloaded" in echo or "converter" in echo:
                self.remarks.append(f"Faint signals were left out ({count} times): {echo}.")
            elif "image" in echo or "product of" in echo:
                times = f" ({count} times)" if count > 1 else ""
                self.remarks.append(f"The {echo} was left out{times}: it repeats the stronger signal.")
        if self._lines:
            places = ", ".join(plan.frequency_text(self.centre_hz + line.offset_hz) for line in self._lines[:8])
            more = f" and {len(self._lines) - 8} more" if len(self._lines) > 8 else ""
            self.remarks.append(
                f"Steady narrow lines at {places}{more} stood there from the start: taken for the receiver's own."
            )
        if self._bank.dc:
            level = 20 * math.log10(abs(self._bank.dc))
            self.remarks.append(f"The converter's own offset at 0 Hz ({level:.0f} dBFS) was taken off.")

    # ------------------------------------------------------------------ weak calls and text

    def _watch(self, channel: Channel) -> _Watch:
        centre = channel.frequency_hz * self._scale - self.centre_hz
        if self.band is VHF:
            slot = self._telephony_slot(centre - 8000, centre + 8000, centre)
        else:
            slot = self._narrow_slot(centre - 150, centre + 150, centre)
        blocks = math.ceil((max(self.band.calling_s) + 0.6) / self._bank.block_duration_s)
        return _Watch(
            slot=slot,
            low_cell=self._spectra.cell_of(centre - self.band.calling_hz),
            high_cell=self._spectra.cell_of(centre + self.band.calling_hz),
            ratios=deque(maxlen=blocks),
            cuts=deque(maxlen=blocks),
        )

    def _listen_for_weak(self, batch: Batch, cells: Density, under: Array, gains: Array) -> Iterator[Sighting]:
        """Hold a long time's power on the calling and text channels against the noise: weak calls show in no block."""
        for watch in self._watches:
            place = slice(watch.low_cell, watch.high_cell + 1)
            ratios = cells[:, place].mean(axis=1) / under[:, place].mean(axis=1)
            ratios = np.where(gains > 0, ratios, 1.0)
            slot = watch.slot
            cut = self._bank.cut(batch, slot.offset_hz, slot.passband)
            if slot.channel is not None and slot.channel.text:
                yield self._text_samples(slot, slot.channel, cut, batch)
            plain_s = self._plain_from(watch)
            if plain_s is not None or float(ratios.max(initial=0.0)) > _PLAIN:
                # the ordinary detector has it; what is left in the long windows would only repeat it
                watch.ratios.clear()
                watch.cuts.clear()
                yield from self._end_weak(watch, plain_s)
                continue
            for block in range(batch.blocks):
                watch.ratios.append(float(ratios[block]))
                watch.cuts.append((batch.first_block + block, cut[block]))
            found = self._is_raised(watch)
            now_s = self._end / self.sample_rate_hz
            if watch.following is None and found and now_s >= watch.rest_until_s:
                watch.follow_block = watch.cuts[0][0]
                watch.following = [row for _, row in watch.cuts]
                watch.quiet_blocks = 0
            elif watch.following is not None:
                length_s = len(watch.following) * self._bank.block_duration_s
                if length_s < slot.piece_s:
                    watch.following += list(cut)
                watch.quiet_blocks = 0 if found else watch.quiet_blocks + batch.blocks
                text = slot.channel is not None and slot.channel.text
                quiet_s = watch.quiet_blocks * self._bank.block_duration_s
                if length_s >= slot.piece_s and not text:
                    watch.rest_until_s = now_s + _REST_S
                if quiet_s > (_TEXT_PAUSE_S if text else 0.2) or watch.rest_until_s > now_s:
                    yield from self._end_weak(watch)

    def _plain_from(self, watch: _Watch) -> float | None:
        """Since when the ordinary detector follows something plain on a watched channel."""
        for track in self._tracks:
            run = track.current
            if track.slot.channel is watch.slot.channel and run is not None and track.strength_of(run) > _FAINT:
                return track.time_of(run.on)
        return None

    def _text_samples(self, slot: Slot, channel: Channel, cut: Complex, batch: Batch) -> Samples:
        iq = self._bank.samples_of(cut, batch.first_block, slot.offset_hz, slot.passband)
        rate = self._bank.channel_rate_hz(slot.passband)
        start = batch.first_block * self._bank.samples_per_block(slot.passband)
        real = max(0, math.floor(self._end * rate / self.sample_rate_hz) - start)
        centre_hz = self.centre_hz + slot.offset_hz
        return Samples(channel, iq[:real], rate, self.start_s + start / rate, centre_hz)

    def _is_raised(self, watch: _Watch) -> bool:
        per_block = (watch.high_cell - watch.low_cell + 1) * self._spectra.bins_per_cell / 1.9
        ratios = list(watch.ratios)
        for length_s in self.band.calling_s:
            blocks = max(1, round(length_s / self._bank.block_duration_s))
            if len(ratios) >= blocks:
                threshold = 1.02 + _SIGMAS / math.sqrt(per_block * blocks)
                if sum(ratios[-blocks:]) / blocks > threshold:
                    return True
        return False

    def _end_weak(self, watch: _Watch, until_s: float | None = None) -> Iterator[Sighting]:
        """Tell of a stretch with a little more energy; only of what lay before `until_s`."""
        rows, watch.following = watch.following, None
        instead, watch.held_back = tuple(watch.held_back), []
        if not rows:
            return
        slot = watch.slot
        iq = self._bank.samples_of(np.stack(rows), watch.follow_block, slot.offset_hz, slot.passband)
        rate = self._bank.channel_rate_hz(slot.passband)
        start = watch.follow_block * self._bank.samples_per_block(slot.passband)
        end_s = self._end / self.sample_rate_hz if until_s is None else until_s
        iq = iq[: max(0, math.floor(end_s * rate) - start)]
        if iq.size < _SHORTEST_WEAK_S * rate:
            yield from instead
            return
        if self._is_weak_product(slot, start / rate, end_s):
            self._echoes[_OVERLOAD] = self._echoes.get(_OVERLOAD, 0) + 1
            yield from instead
            return
        excerpt = Excerpt(
            iq=iq,
            sample_rate_hz=rate,
            centre_hz=self.centre_hz + slot.offset_hz,
            start_s=self.start_s + start / rate,
            key_on=0,
            key_off=iq.size,
            noise_density=self._floor.density_at(watch.low_cell, watch.high_cell),
            channel=slot.channel,
            edge_uncertainty_s=0.3,
        )
        yield Heard(next(self._numbers), excerpt, slot.occupied_hz, weak=True, instead=instead)

    def _is_weak_product(self, slot: Slot, on_s: float, off_s: float) -> bool:
        """Whether what is weak on a watched channel lies where a clipped strong signal puts a product, and when."""
        if not self._was_overloaded(on_s, off_s):
            return False
        strong = [(past.slot, past.keying.on_s, past.keying.off_s) for past in self._past]
        runs = [(track, track.current) for track in self._tracks if track.current is not None]
        strong += [(track.slot, track.time_of(run.on), track.time_of(run.off)) for track, run in runs]
        return any(
            low < off_s
            and high > on_s
            and products.order_of(slot.offset_hz, other.offset_hz, self.sample_rate_hz, self.band.product_hz)
            is not None
            for other, low, high in strong
            if other is not slot
        )


def _hann_at_zero(spectra: Complex) -> Complex:
    """The Hann-windowed bin at 0 Hz of every block; a constant c reads cN."""
    at_zero: Complex = spectra[:, 0] - (spectra[:, 1] + spectra[:, -1]) / 2
    return at_zero


def _running_total(values: NDArray[np.floating]) -> Array:
    total = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total


def _windows(total: Array, width: int) -> Array:
    """Means over `width` cells around every cell, out of running totals; at the ends the outermost whole window."""
    count = total.shape[1] - 1
    width = min(width, count)
    means = (total[:, width:] - total[:, :-width]) / width
    boxed = np.empty((total.shape[0], count))
    before = width // 2
    boxed[:, before : before + means.shape[1]] = means
    boxed[:, :before] = means[:, :1]
    boxed[:, before + means.shape[1] :] = means[:, -1:]
    return boxed


def _boxed(values: NDArray[np.floating], width: int) -> Array:
    """Running mean over `width` cells of every row."""
    return _windows(_running_total(values), width)


def _widened(marks: Marks, cells: int) -> Marks:
    """Marks with `cells` more on either side."""
    wide = marks.copy()
    for step in range(1, cells + 1):
        wide[step:] |= marks[:-step]
        wide[:-step] |= marks[step:]
    return wide
