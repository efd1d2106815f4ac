"""A rolling memory between a source and the engine: the last minutes as bytes, ready to be kept as evidence."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from sdrcheck.errors import SourceError
from sdrcheck.recordings import sigmf
from sdrcheck.recordings.datatypes import components
from sdrcheck.recordings.facts import ReceptionFacts
from sdrcheck.recordings.utc import utc_moment, utc_text
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts


class RollingMemory:
    """Passes a source through and remembers its last seconds. It is a source itself, so the engine runs on it.

    `keep` may be called from any thread while the blocks flow.
    """

    def __init__(self, source: IqSource, seconds: float = 120.0) -> None:
        if seconds <= 0:
            raise ValueError(f"a rolling memory holds more than 0 s, got {seconds}")
        self._source = source
        self._seconds = seconds
        self._held: deque[IqBlock] = deque()
        self._lock = threading.Lock()
        self._centre_hz = source.facts.centre_hz

    @property
    def facts(self) -> SourceFacts:
        return self._source.facts

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the source's blocks, remembering each before it is handed on."""
        reach = self._seconds * self.facts.sample_rate_hz
        for block in self._source.blocks():
            with self._lock:
                self._held.append(block)
                while self._held[0].first_sample + self._held[0].count < block.first_sample + block.count - reach:
                    gone = self._held.popleft()
                    self._centre_hz = gone.frequency_hz or self._centre_hz
            yield block

    def close(self) -> None:
        self._source.close()

    @property
    def span_s(self) -> tuple[float, float]:
        """From when to when the memory reaches now, in seconds from the start of the source."""
        with self._lock:
            if not self._held:
                return 0.0, 0.0
            first, last = self._held[0], self._held[-1]
        rate = self.facts.sample_rate_hz
        return first.first_sample / rate, (last.first_sample + last.count) / rate

    def keep(
        self, base: str | Path, from_s: float | None = None, to_s: float | None = None, *, description: str = ""
    ) -> Path:
        """Write what is remembered between two times as a recording; returns the path of its description.

        Raises SourceError where nothing of that span is remembered (any more), RecordingError where it cannot be written.
        """
        rate = self.facts.sample_rate_hz
        with self._lock:
            held, centre_hz = tuple(self._held), self._centre_hz
        first = 0 if from_s is None else round(from_s * rate)
        last = round(to_s * rate) if to_s is not None else max((b.first_sample + b.count for b in held), default=0)
        wanted = []
        for block in held:
            if block.first_sample + block.count <= first:
                centre_hz = block.frequency_hz or centre_hz
            elif block.first_sample < last:
                wanted.append(block)
        if not wanted:
            raise SourceError(
                "nothing of that time is in the rolling memory any more; keep it sooner, or make the memory longer"
            )
        begins = max(first, wanted[0].first_sample)
        with sigmf.Writer(
            base,
            self.facts.datatype,
            rate,
            wanted[0].frequency_hz or centre_hz,
            start_utc=self._utc_of(begins),
            facts=self._reception_facts(),
            description=description,
        ) as writer:
            for number, block in enumerate(wanted):
                parts = components(block.datatype)
                low, high = max(first - block.first_sample, 0), min(last - block.first_sample, block.count)
                writer.append(
                    block.raw[low * parts : high * parts],
                    lost_before=block.lost_before if number else 0,
                    frequency_hz=block.frequency_hz if number else None,
                )
        return writer.meta

    def _utc_of(self, sample: int) -> str | None:
        if self.facts.start_utc is None:
            return None
        return utc_text(utc_moment(self.facts.start_utc) + timedelta(seconds=sample / self.facts.sample_rate_hz))

    def _reception_facts(self) -> ReceptionFacts:
        facts = self.facts
        return ReceptionFacts(
            gain_db=facts.gain_db,
            serial=facts.serial,
            frequency_step_hz=facts.frequency_step_hz or None,
            host_utc_error_s=facts.host_utc_error_s,
            receiver_sound=facts.audio or None,
        )
