"""Plays a recording, as fast as it is taken or as slowly as it was made."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from sdrcheck.recordings.recording import Segment, open_recording
from sdrcheck.recordings.sigmf import LOST_LABEL
from sdrcheck.sources.pace import Pace
from sdrcheck.sources.source import IqBlock, SourceFacts, Tuning

_PACED_BLOCK_S = 0.05


def open_word(path: str, wanted: Tuning) -> RecordingSource:
    """Open the source that a path names; recordings play as if live."""
    return RecordingSource(path, wanted.sample_rate_hz, wanted.centre_hz, speed=wanted.speed)


class RecordingSource:
    """Plays a recording once. `speed` 1 takes as long as the air did; None plays as fast as blocks are taken.

    `recording` tells the seal, what was wrong with the file, and whether the seal fits, once all blocks have passed.
    Gaps that the recording states come out as lost samples, at their place and of their size.
    """

    def __init__(
        self,
        path: str | Path,
        rate_hz: float | None = None,
        centre_hz: float | None = None,
        *,
        speed: float | None = None,
        side: str | None = None,
    ) -> None:
        self.recording = open_recording(path, rate_hz, centre_hz, side=side)
        kept, known = self.recording, self.recording.facts
        self._doubtful: dict[int, int] = {}  # samples before each place, in which a loss lies somewhere
        for note in kept.annotations:
            if note.label == LOST_LABEL and note.count:
                place = note.first + note.count
                self._doubtful[place] = max(note.count, self._doubtful.get(place, 0))
        self._pace = Pace(kept.sample_rate_hz, speed)
        self._block = 1 << 17 if speed is None else max(int(kept.sample_rate_hz * speed * _PACED_BLOCK_S), 1)
        self.facts = SourceFacts(
            name=str(path),
            sample_rate_hz=kept.sample_rate_hz,
            centre_hz=kept.centre_hz,
            datatype=kept.datatype,
            start_utc=kept.start_utc,
            sample_count=kept.sample_count,
            serial=known.serial,
            gain_db=known.gain_db,
            frequency_step_hz=known.frequency_step_hz or 0.0,
            audio=kept.receiver_sound,
            host_utc_error_s=known.host_utc_error_s,
            told_late_s=max(self._doubtful.values(), default=0) / kept.sample_rate_hz,
            remarks=tuple(kept.remarks),
        )

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the samples in order. Raises RecordingError where the file cannot be read to its end."""
        at: Segment | None = None
        first = 0
        for raw, segment in self.recording.blocks(self._block):
            begins = segment is not at
            lost = segment.lost_before if begins else 0
            moved = begins and at is not None and segment.frequency_hz != at.frequency_hz
            block = IqBlock(
                raw,
                first + lost,
                self.facts.datatype,
                lost_before=lost,
                lost_within=self._doubtful.get(segment.first, 0) if lost else 0,
                frequency_hz=segment.frequency_hz if moved else None,
                start_utc=segment.start_utc if begins else None,
            )
            at, first = segment, block.first_sample + block.count
            if not self._pace.wait_for(first):
                return
            yield block

    def close(self) -> None:
        """End `blocks()`; may be called from any thread, and more than once."""
        self._pace.stop()
