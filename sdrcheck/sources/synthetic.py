"""Plays an array: the smallest whole source, and the one to copy when writing another."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

from numpy.typing import NDArray

from sdrcheck.recordings.datatypes import components, quantise
from sdrcheck.recordings.utc import utc_now, utc_text
from sdrcheck.sources.pace import Pace
from sdrcheck.sources.source import IqBlock, SourceFacts


class Synthetic:
    """Plays `iq` (full scale 1.0) as `datatype`, once or `repeats` times (None: for ever), as fast as it is taken.

    With `speed` 1 it takes as long as the air would. Sound (`ri16_le`, `rf32_le`) is played from the real part.
    """

    def __init__(
        self,
        iq: NDArray[Any],
        sample_rate_hz: float,
        centre_hz: float,
        datatype: str = "cu8",
        *,
        repeats: int | None = 1,
        speed: float | None = None,
        block_samples: int = 16_384,
    ) -> None:
        self._raw = quantise(iq, datatype)
        self._repeats = repeats
        self._block = block_samples
        self._pace = Pace(sample_rate_hz, speed)
        self.facts = SourceFacts(
            name="synthetic",
            sample_rate_hz=sample_rate_hz,
            centre_hz=centre_hz,
            datatype=datatype,
            start_utc=utc_text(utc_now()),
            sample_count=None if repeats is None else repeats * iq.size,
            audio=components(datatype) == 1,
        )

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the samples in order; each pass follows the one before without a gap."""
        first = 0
        for _ in itertools.count() if self._repeats is None else range(self._repeats):
            step = self._block * components(self.facts.datatype)
            for place in range(0, self._raw.size, step):
                block = IqBlock(self._raw[place : place + step], first, self.facts.datatype)
                first += block.count
                if not self._pace.wait_for(first):
                    return
                yield block

    def close(self) -> None:
        """End `blocks()`; may be called from any thread, and more than once."""
        self._pace.stop()
