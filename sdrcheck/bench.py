"""The bench: one streaming engine from a source's blocks to findings. It yields events, prints nothing and knows no Qt.

A recording and a dongle go through the same `run`; `collect` gathers the events of one run into an `Inspection`.
Events are frozen and their arrays are never reused, so they may be handed to another thread.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.errors import RecordingError, SourceError
from sdrcheck.filters.clipping import Clipping
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.filters.iq import Complex, clipped_places, complex_samples
from sdrcheck.filters.lookout import Lookout
from sdrcheck.filters.sightings import Begun, Heard, Samples, Sighting, Spectrum
from sdrcheck.filters.spectrum import Density
from sdrcheck.findings.assembly import FM_RATE_HZ, Circumstances, Judging, assemble, decoded, joined, make_ready
from sdrcheck.findings.inspection import Inspection, RecordingFacts, ReferenceFacts, Transmission
from sdrcheck.findings.relations import relate
from sdrcheck.recordings.utc import utc_after
from sdrcheck.sources.source import IqBlock, IqSource

if TYPE_CHECKING:
    from sdrcheck.decoders.decoder import Decode, DecodedCall
    from sdrcheck.decoders.navtex.reader import News, Reader
    from sdrcheck.decoders.navtex.receiver import ConformingReceiver

__all__ = ["Judging", "Settings", "collect", "in_doubt", "run"]

LONGEST_LOSS_S = 5.0
"""A longer loss of samples ends what was on the air and begins anew."""
_WEAK_EDGE_S = 0.02
"""How well decoded bits tell where a weak call begins and ends."""


@dataclass(frozen=True, slots=True)
class Settings(Judging):
    """How one run of the engine goes; what it inherits says how findings are corrected and judged."""

    frames_per_s: float = 10.0
    """Spectrum frames a second of air; 0 for none."""
    frame_bins: int = 1024
    """Most bins a spectrum frame has."""
    channels: tuple[Channel, ...] | None = None
    """Watch only these; None watches the whole span, on and off the plan."""


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumFrame:
    """The whole span's power, averaged over one stretch of time. Frames may be skipped; results may not."""

    start_s: float
    """Time of its first sample from the start of the recording, by the indicated sample clock."""
    duration_s: float
    low_hz: float
    """Frequency of the first bin."""
    step_hz: float
    """From one bin to the next, upwards."""
    power_dbfs: NDArray[np.float32]
    """Power in each bin in dB of full scale; empty bins read −200."""
    clipped_fraction: float = 0.0
    lost_samples: int = 0
    """Samples lost since the frame before."""


@dataclass(frozen=True, slots=True)
class TransmissionStarted:
    """A channel was keyed. `number` is the same in all events of one transmission."""

    number: int
    start_s: float
    frequency_hz: float
    channel: Channel | None


@dataclass(frozen=True, slots=True)
class CharactersArrived:
    """Text that came in on a text channel; `number` is that of the transmission, 0 while none stands out yet."""

    number: int
    time_s: float
    channel: Channel | None
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class TransmissionEnded:
    """A transmission is over, measured, decoded and judged. The excerpt holds at most its first minute."""

    number: int
    transmission: Transmission
    excerpt: Excerpt


@dataclass(frozen=True, slots=True)
class SourceFault:
    """Something is wrong with the samples: some were lost, or they stopped coming. Findings so far stay whole."""

    time_s: float
    sentence: str
    lost_samples: int = 0
    stopped: bool = False
    """No more samples come; `Finished` follows."""
    within_s: float = 0.0
    """The loss was found by the clock only: it lies somewhere in so many seconds before `time_s`."""

    def casts_doubt_on(self, found: Transmission) -> bool:
        """Whether the hole may lie inside this transmission, nobody knows where."""
        low_s = self.time_s - self.within_s
        return self.within_s > 0 and found.start_s < self.time_s and found.start_s + found.duration_s > low_s


@dataclass(frozen=True, slots=True)
class Finished:
    """The last event of every run."""

    recording: RecordingFacts
    reference: ReferenceFacts
    limit_set: str
    remarks: tuple[str, ...] = ()


Event = SpectrumFrame | TransmissionStarted | CharactersArrived | TransmissionEnded | SourceFault | Finished


def run(source: IqSource, settings: Settings | None = None) -> Iterator[Event]:
    """Take a source to its end and yield what is found. What stops the source is an event, never an exception."""
    bench = _Run(source, settings or Settings())
    if source.facts.sample_count is None:
        make_ready()
    try:
        for block in source.blocks():
            yield from bench.take(block)
    except (SourceError, RecordingError) as problem:
        yield from bench.finish()
        yield SourceFault(bench.time_s, str(problem), stopped=True)
    else:
        yield from bench.finish()
    yield bench.finished()


def collect(events: Iterable[Event]) -> Inspection:
    """Gather the events of one run into the result."""
    transmissions: list[Transmission] = []
    remarks: list[str] = []
    finished: Finished | None = None
    for event in events:
        if isinstance(event, TransmissionEnded):
            transmissions.append(event.transmission)
        elif isinstance(event, SourceFault):
            remarks.append(event.sentence)
            transmissions = [in_doubt(one, event) if event.casts_doubt_on(one) else one for one in transmissions]
        elif isinstance(event, Finished):
            finished = event
    if finished is None:
        raise ValueError("a run that has not finished cannot be collected")
    transmissions.sort(key=lambda one: (one.start_s, one.frequency_hz))
    return Inspection(
        recording=finished.recording,
        reference=finished.reference,
        limit_set=finished.limit_set,
        transmissions=tuple(transmissions),
        relations=relate(transmissions),
        remarks=tuple(dict.fromkeys((*remarks, *finished.remarks))),
    )


def in_doubt(found: Transmission, fault: SourceFault) -> Transmission:
    """The same transmission with nothing judged, because samples may be missing anywhere in it."""
    remark = (
        f"{fault.lost_samples} samples are missing somewhere in the {fault.within_s:.3g} s before "
        f"{fault.time_s:.3f} s, perhaps in the middle of this: nothing of it is judged."
    )
    return msgspec.structs.replace(
        found,
        readings=tuple(msgspec.structs.replace(one, limit=None, verdict=None) for one in found.readings),
        remarks=tuple(dict.fromkeys((*found.remarks, remark))),
    )


class _Run:
    """One run's state: where in time it is, what was lost, and the lookout that finds transmissions."""

    def __init__(self, source: IqSource, settings: Settings) -> None:
        self._source = source
        self._facts = source.facts
        self._settings = settings
        self._reference = settings.reference_at(source.facts.start_utc)
        self._rate = source.facts.sample_rate_hz
        self._centre_hz = source.facts.centre_hz
        self._numbers = itertools.count(1)
        self._next_sample = 0
        self._received = 0
        self._clipped = 0
        self._lost = 0
        self._not_numbers = 0
        self._clipping = Clipping(self._rate)
        self._anchors: list[tuple[int, str]] = [(0, source.facts.start_utc)] if source.facts.start_utc else []
        self._doubts: deque[SourceFault] = deque(maxlen=100)
        self._pieces: dict[int, list[tuple[Transmission, Excerpt]]] = {}
        self._readers: dict[int, _TextReader] = {}
        self._ship_receivers: dict[int, ConformingReceiver] = {}
        """What a ship's receiver would have stored, by text channel: it outlasts a single transmission."""
        self._heard_text: dict[int, int] = {}
        self._remarks: list[str] = []
        self._frame = _FrameMaker(settings)
        self._lookout = self._new_lookout(0)

    @property
    def time_s(self) -> float:
        """How far the run has come."""
        return self._next_sample / self._rate

    def take(self, block: IqBlock) -> Iterator[Event]:
        """Take the next block of the source."""
        lost = max(block.lost_before, block.first_sample - self._next_sample)
        if lost > 0:
            yield from self._lose(lost, block)
        if block.frequency_hz is not None and block.frequency_hz != self._centre_hz:
            yield from self._events(self._lookout.flush())
            self._centre_hz = block.frequency_hz
            self._begin_anew()
        if block.start_utc is not None:
            self._anchors.append((self._next_sample, block.start_utc))
        places = clipped_places(block.raw, block.datatype)
        overloaded = self._clipping.note(self._next_sample, block.count, places)
        self._clipped += places.size
        self._received += block.count
        self._frame.clipped += places.size
        self._frame.received += block.count
        samples = self._finite(complex_samples(block.raw, block.datatype))
        self._next_sample += block.count
        overloaded = [(first - self._origin, count) for first, count in overloaded]
        yield from self._events(self._lookout.feed(samples, overloaded=overloaded))

    def finish(self) -> Iterator[Event]:
        """Tell the rest when no more samples come."""
        yield from self._events(self._lookout.flush())
        self._remarks += self._lookout.remarks

    def finished(self) -> Finished:
        """What is known of the source and of the reference, for the result."""
        recording = getattr(self._source, "recording", None)
        remarks = list(self._facts.remarks)
        if recording is not None:
            remarks += recording.remarks
            if recording.hash_matches is False:
                remarks.append("The samples are not those that were sealed: their hash differs from the stated one.")
        if self._not_numbers:
            remarks.append(f"{self._not_numbers} samples were no numbers (NaN or infinite) and were taken as zero.")
        return Finished(
            recording=RecordingFacts(
                path=self._facts.name,
                sha512=recording.sha512 if recording is not None else None,
                hash_matches=recording.hash_matches if recording is not None else None,
                sample_rate_hz=self._rate,
                centre_frequency_hz=self._facts.centre_hz,
                start_utc=self._facts.start_utc,
                duration_s=self.time_s,
                clipped_fraction=self._clipped / self._received if self._received else 0.0,
                lost_samples=self._lost,
                remarks=tuple(dict.fromkeys(remarks)),
            ),
            reference=ReferenceFacts(
                correction_ppm=self._reference.correction_ppm,
                uncertainty_ppm=self._reference.uncertainty_ppm,
                source=self._reference.source,
            ),
            limit_set=self._settings.limit_set,
            remarks=tuple(dict.fromkeys(self._remarks)),
        )

    # -- samples in ---------------------------------------------------------------------------------------------------

    def _new_lookout(self, first_sample: int) -> Lookout:
        lookout = Lookout(
            self._rate,
            self._centre_hz,
            audio=self._facts.audio,
            correction_ppm=self._reference.correction_ppm,
            channels=self._settings.channels,
            start_s=first_sample / self._rate,
            numbers=self._numbers,
            few_bits=self._facts.datatype in ("cu8", "ci8"),
            prompt=self._facts.sample_count is None,
        )
        if self._facts.audio and self._centre_hz <= 0:
            self._remarks.append(
                "The dial frequency of this receiver sound is not known: every frequency told is that of the sound."
            )
        elif not lookout.channels:
            self._remarks.append(
                "No maritime channel lies in the span of this recording; what was found is measured all the same."
            )
        self._frame.bands(lookout, self._centre_hz)
        return lookout

    def _begin_anew(self) -> None:
        self._remarks += self._lookout.remarks
        self._readers.clear()
        self._lookout = self._new_lookout(self._next_sample)
        self._origin = self._next_sample

    _origin = 0

    def _lose(self, lost: int, block: IqBlock) -> Iterator[Event]:
        """Put a loss where it was: zeros for a short one, a new beginning after a long one."""
        self._lost += lost
        self._frame.lost += lost
        seconds = lost / self._rate
        sentence = f"{lost} samples ({1e3 * seconds:.3g} ms) are missing at {self.time_s:.3f} s"
        if block.lost_within:
            sentence += f", somewhere in the {block.lost_within / self._rate:.3g} s before"
        fault = SourceFault(self.time_s, sentence + ".", lost_samples=lost, within_s=block.lost_within / self._rate)
        if fault.within_s:
            self._doubts.append(fault)
        yield fault
        if seconds <= LONGEST_LOSS_S:
            place = self._next_sample - self._origin
            zeros = np.zeros(lost, np.complex64)
            self._next_sample += lost
            yield from self._events(self._lookout.feed(zeros, ((place, lost),)))
        else:
            yield from self._events(self._lookout.flush())
            self._next_sample += lost
            self._begin_anew()

    def _finite(self, samples: Complex) -> Complex:
        if self._facts.datatype not in ("cf32_le", "rf32_le") or bool(np.isfinite(samples).all()):
            return samples
        bad = ~np.isfinite(samples)
        self._not_numbers += int(np.count_nonzero(bad))
        return np.where(bad, np.complex64(0), samples)

    # -- findings out -------------------------------------------------------------------------------------------------

    def _events(self, sightings: Iterator[Sighting]) -> Iterator[Event]:
        for sighting in sightings:
            if isinstance(sighting, Spectrum):
                yield from self._frame.frames(sighting)
            elif isinstance(sighting, Begun):
                if sighting.channel is not None and sighting.channel.frequency_hz in self._readers:
                    self._heard_text[sighting.channel.frequency_hz] = sighting.number
                yield TransmissionStarted(sighting.number, sighting.start_s, sighting.centre_hz, sighting.channel)
            elif isinstance(sighting, Samples):
                yield from self._read_on(sighting)
            elif sighting.weak:
                yield from self._weak(sighting)
            else:
                yield from self._heard(sighting)

    def _heard(self, heard: Heard) -> Iterator[Event]:
        excerpt = replace(heard.excerpt, clipped_fraction=self._clipped_in(heard.excerpt))
        decode = None
        if excerpt.channel is not None and excerpt.channel.text:
            decode = self._text_of(excerpt) if heard.last else self._bits_so_far(excerpt)
        transmission = assemble(excerpt, self._settings, self._circumstances(excerpt, heard.occupied_hz), decode)
        pieces = self._pieces.setdefault(heard.number, [])
        pieces.append((transmission, excerpt if not pieces else _without_samples(excerpt)))
        if heard.last:
            del self._pieces[heard.number]
            yield self._ended(heard.number, joined([transmission for transmission, _ in pieces]), pieces[0][1])

    def _ended(self, number: int, found: Transmission, excerpt: Excerpt) -> TransmissionEnded:
        """A transmission that is over; nothing of it is judged where samples may be missing somewhere in it."""
        for doubt in self._doubts:
            if doubt.casts_doubt_on(found):
                found = in_doubt(found, doubt)
        return TransmissionEnded(number, found, excerpt)

    def _weak(self, heard: Heard) -> Iterator[Event]:
        """What only its energy over a long time gave away counts if it can be read; else what else was made of it."""
        told = False
        for excerpt, decode in self._read_weak(heard.excerpt):
            told = True
            number = next(self._numbers)
            transmission = assemble(excerpt, self._settings, self._circumstances(excerpt, 0.0), decode)
            yield TransmissionStarted(number, transmission.start_s, excerpt.centre_hz, excerpt.channel)
            yield self._ended(number, transmission, excerpt)
        for other in heard.instead if not told else ():
            if other.excerpt.channel is not None:
                yield TransmissionStarted(
                    other.number, other.excerpt.key_on_s, other.excerpt.centre_hz, other.excerpt.channel
                )
            yield from self._heard(other)

    def _read_weak(self, excerpt: Excerpt) -> Iterator[tuple[Excerpt, Decode]]:
        """Everything that can be read in a stretch with a little more energy, each with its own edges."""
        if excerpt.channel is not None and excerpt.channel.text:
            read = self._text_of(excerpt)
            spans = [(message.start_s, message.end_s) for message in read.messages]
            if spans and read.text_track is not None:
                track = read.text_track
                first_s = excerpt.start_s + track.first_bit_s
                spans.append((first_s, first_s + len(track.bits) / track.rate_bd))
                yield _keyed(excerpt, min(s for s, _ in spans), max(e for _, e in spans)), read
            return
        if excerpt.sample_rate_hz >= FM_RATE_HZ:
            from sdrcheck.decoders.dsc.vhf_presence import present

            if not present(excerpt.iq, excerpt.sample_rate_hz):
                return
        read = decoded(excerpt, excerpt.channel.emission if excerpt.channel is not None else Emission.UNKNOWN)
        if read.calls:
            # calls without a gap are one keying
            groups: list[list[DecodedCall]] = []
            for one in read.calls:
                if groups and one.call.start_s - groups[-1][-1].call.end_s < 0.02:
                    groups[-1].append(one)
                else:
                    groups.append([one])
            for group in groups:
                part = _keyed(excerpt, group[0].call.start_s, group[-1].call.end_s)
                yield part, replace(read, calls=tuple(group))

    def _circumstances(self, excerpt: Excerpt, occupied_hz: float) -> Circumstances:
        return Circumstances(
            start_utc=self._utc_at(excerpt.key_on_s),
            frequency_step_hz=self._facts.frequency_step_hz,
            gain_db=self._facts.gain_db,
            occupied_hz=occupied_hz,
            receiver_sound=self._facts.audio,
        )

    def _utc_at(self, time_s: float) -> str | None:
        """The instant of a time in the stream, from the last stated one before it."""
        sample = time_s * self._rate
        before = [anchor for anchor in self._anchors if anchor[0] <= sample + 1]
        if not before:
            return None
        first, utc = before[-1]
        return utc_after(utc, sample - first, self._rate, self._reference.correction_ppm)

    def _clipped_in(self, excerpt: Excerpt) -> float:
        """Share of the wide band's samples at an end code while the transmission was on."""
        low = excerpt.key_on_s * self._rate
        return self._clipping.share(low, low + excerpt.duration_s * self._rate)

    # -- text as it comes ---------------------------------------------------------------------------------------------

    def _read_on(self, samples: Samples) -> Iterator[Event]:
        key = samples.channel.frequency_hz
        if key not in self._readers:
            from sdrcheck.decoders.navtex.receiver import ConformingReceiver

            stored = self._ship_receivers.setdefault(key, ConformingReceiver())
            self._readers[key] = _TextReader(samples, stored)
        text = self._readers[key].feed(samples)
        if text:
            time_s = samples.start_s + samples.iq.size / samples.sample_rate_hz
            yield CharactersArrived(self._heard_text.get(key, 0), time_s, samples.channel, text)

    def _bits_so_far(self, excerpt: Excerpt) -> Decode:
        """The bits of a text that goes on, for the measurements; what it says is told at its end."""
        assert excerpt.channel is not None
        reader = self._readers.get(excerpt.channel.frequency_hz)
        return _nothing_read() if reader is None else reader.bits_so_far(excerpt)

    def _text_of(self, excerpt: Excerpt) -> Decode:
        """What was read on a text channel until now; its reader begins anew."""
        assert excerpt.channel is not None
        self._heard_text.pop(excerpt.channel.frequency_hz, None)
        reader = self._readers.pop(excerpt.channel.frequency_hz, None)
        return _nothing_read() if reader is None else reader.finish(excerpt)


class _TextReader:
    """One text channel's decoder and what it has read since the last transmission there ended."""

    def __init__(self, samples: Samples, receiver: ConformingReceiver) -> None:
        from sdrcheck.decoders.navtex.reader import Reader

        self._reader: Reader = Reader(samples.sample_rate_hz, start_s=samples.start_s, receiver=receiver)
        self._start_s = samples.start_s
        self._messages: tuple[Any, ...] = ()

    def feed(self, samples: Samples) -> str:
        news: News = self._reader.feed(samples.iq)
        self._messages += news.messages
        return news.text

    def bits_so_far(self, excerpt: Excerpt) -> Decode:
        """Only where the bits lie, counted from the excerpt's first sample."""
        from sdrcheck.decoders.decoder import Decode

        track = self._reader.track()
        if track is not None:
            track = replace(track, first_bit_s=track.first_bit_s - excerpt.start_s)
        return Decode(text_track=track)

    def finish(self, excerpt: Excerpt) -> Decode:
        """Close what is open; bits are placed from the excerpt's first sample."""
        self._messages += self._reader.finish().messages
        return replace(
            self.bits_so_far(excerpt),
            messages=self._messages,
            stray_text=self._reader.stray_text,
            remarks=self._reader.remarks,
        )


def _nothing_read() -> Decode:
    from sdrcheck.decoders.decoder import Decode

    return Decode()


def _keyed(excerpt: Excerpt, start_s: float, end_s: float) -> Excerpt:
    """The same samples with the edges where its content says."""
    low = max(0, round((start_s - excerpt.start_s) * excerpt.sample_rate_hz))
    high = min(excerpt.iq.size, round((end_s - excerpt.start_s) * excerpt.sample_rate_hz))
    return replace(excerpt, key_on=min(low, max(high - 1, 0)), key_off=high, edge_uncertainty_s=_WEAK_EDGE_S)


def _without_samples(excerpt: Excerpt) -> Excerpt:
    # a slice, even an empty one, would hold on to all of them
    return replace(excerpt, iq=np.zeros(0, np.complex64), key_on=0, key_off=0)


class _FrameMaker:
    """Averages blocks' spectra into frames, as many a second as were asked for."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._sum: Density = np.zeros(0, np.float32)
        self._blocks = 0
        self._start_s = 0.0
        self._lookout: Lookout | None = None
        self._centre_hz = 0.0
        self.clipped = 0
        self.received = 0
        self.lost = 0

    def bands(self, lookout: Lookout, centre_hz: float) -> None:
        """Make frames of this lookout's spectra from now on."""
        self._lookout, self._centre_hz, self._blocks = lookout, centre_hz, 0

    def frames(self, spectrum: Spectrum) -> Iterator[SpectrumFrame]:
        """Take the spectra of some blocks, and give the frames that are full."""
        if self._settings.frames_per_s <= 0 or self._lookout is None:
            return
        wanted_s = 0.999 / self._settings.frames_per_s
        place = 0
        while place < len(spectrum.densities):
            start_s = spectrum.start_s + place * spectrum.block_s
            if self._blocks == 0:
                self._start_s = start_s
            missing = max(1, math.ceil((wanted_s - (start_s - self._start_s)) / spectrum.block_s))
            part = spectrum.densities[place : place + missing].sum(axis=0)
            self._sum = part if self._blocks == 0 else self._sum + part
            taken = min(missing, len(spectrum.densities) - place)
            self._blocks += taken
            place += taken
            if taken < missing:
                return
            levels, low_hz, step_hz = self._lookout.frame(
                self._sum / np.float32(self._blocks), self._settings.frame_bins
            )
            yield SpectrumFrame(
                start_s=self._start_s,
                duration_s=spectrum.start_s + place * spectrum.block_s - self._start_s,
                low_hz=self._centre_hz + low_hz,
                step_hz=step_hz,
                power_dbfs=levels,
                clipped_fraction=self.clipped / self.received if self.received else 0.0,
                lost_samples=self.lost,
            )
            self._blocks = 0
            self.clipped = self.received = self.lost = 0
