"""Runs the engine beside the window and hands over what there is to draw. Knows no Qt."""

from __future__ import annotations

import logging
import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from sdrcheck.bench import Event, Settings, SpectrumFrame, run
from sdrcheck.cli.options import Judging
from sdrcheck.errors import SdrcheckError, SourceError
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.source import IqSource, SourceFacts, Tuning
from sdrcheck.watching.memory import Keeping, RollingMemory, require_memory
from sdrcheck_gui.listening import Listening, Tap

_BUNCH = 6
_FRAMES_PER_S = 60.0
_FRAMES_KEPT = 600
"""Ten seconds' worth wait at most, where drawing falls behind; then the oldest are let go."""
_FRAME_BINS = 512
_LEAST_MEMORY_S = 10.0

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class SourceOpened:
    """The source answered; this is what it knows of itself, and how its findings will be corrected and judged."""

    facts: SourceFacts
    settings: Settings
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class EngineStopped:
    """The engine ended. `sentence` says why where that was not by itself or by the user."""

    sentence: str = ""


FeedEvent = Event | SourceOpened | EngineStopped


class Feed:
    """Iterates over events in a thread of its own.

    The newest spectrum frames win; results are never dropped, and a failure always arrives as `EngineStopped`.
    """

    def __init__(self, events: Callable[[], Iterator[FeedEvent]], close: Callable[[], None] = lambda: None) -> None:
        self._frames: deque[SpectrumFrame] = deque(maxlen=_FRAMES_KEPT)
        self._results: queue.SimpleQueue[FeedEvent] = queue.SimpleQueue()
        self._events, self._close = events, close
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="engine", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Ask the engine to end, in any state; waits for nothing, as a source may take its time to close."""
        if not self._stop.is_set():
            self._stop.set()
            threading.Thread(target=self._close, name="closing", daemon=True).start()

    def wait(self, seconds: float) -> None:
        """Wait until the engine has ended, no longer than so many seconds."""
        if self._thread.is_alive():
            self._thread.join(seconds)

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def frames(self) -> list[SpectrumFrame]:
        """The next spectrum frames to draw, oldest first; some may have been skipped.

        The engine hands them over in bunches, several at a time; they are let out evenly, so that the picture flows.
        """
        return [self._frames.popleft() for _ in range(-(-len(self._frames) // _BUNCH))]

    def results(self) -> list[FeedEvent]:
        """Everything else since the last call, in order, nothing left out."""
        taken = []
        while not self._results.empty():
            taken.append(self._results.get_nowait())
        return taken

    def _run(self) -> None:
        try:
            for event in self._events():
                if isinstance(event, SpectrumFrame):
                    self._frames.append(event)
                else:
                    self._results.put(event)
                if self._stop.is_set():
                    break
            self._results.put(EngineStopped())
        except SdrcheckError as problem:
            self._results.put(EngineStopped("" if self._stop.is_set() else str(problem)))
        except Exception as problem:  # a bug of ours must reach the user, and the window must stay
            log.exception("the engine stopped")
            self._results.put(
                EngineStopped(f"the engine stopped, please report it: {type(problem).__name__}: {problem}")
            )


def fitting_memory_s(facts: SourceFacts, seconds: float) -> float:
    """As much rolling memory as this computer has room for, halved until it fits; else raises SourceError."""
    while True:
        try:
            require_memory(facts, seconds)
        except SourceError:
            seconds /= 2
        else:
            return seconds
        if seconds < _LEAST_MEMORY_S:
            raise SourceError(
                f"this computer has no room for {_LEAST_MEMORY_S:g} s of rolling memory at "
                f"{facts.sample_rate_hz / 1e6:g} MS/s; end other programs, or take a lower rate"
            )


class Session:
    """One run of the engine on one source, with its rolling memory, opened inside the feed's thread."""

    def __init__(self, word: str, tuning: Tuning, judging: Judging, memory_s: float, listening: Listening) -> None:
        self.word, self.tuning, self.judging, self.memory_s = word, tuning, judging, memory_s
        self._listening = listening
        self._memory: RollingMemory | None = None
        self._closed = threading.Event()
        self.feed = Feed(self._events, self._close)

    def _events(self) -> Iterator[FeedEvent]:
        source: IqSource = open_source(self.word, self.tuning)
        if self._closed.is_set():
            source.close()
            return
        try:
            remarks: list[str] = []
            settings = self.judging.settings(source, tell=remarks.append)
            remarks += self._fit_memory(source.facts)
            self._memory = RollingMemory(source, self.memory_s, settings)
            yield SourceOpened(source.facts, settings, tuple(remarks))
            tapped = Tap(self._memory, self._listening, getattr(source, "recording", None))
            yield from run(tapped, replace(settings, frames_per_s=_FRAMES_PER_S, frame_bins=_FRAME_BINS))
        finally:
            source.close()

    def _fit_memory(self, facts: SourceFacts) -> list[str]:
        wanted_s, self.memory_s = self.memory_s, fitting_memory_s(facts, self.memory_s)
        if self.memory_s == wanted_s:
            return []
        return [f"only the last {self.memory_s:g} s are remembered: more does not fit beside what else runs here"]

    def _close(self) -> None:
        self._closed.set()
        if self._memory is not None:
            self._memory.close()

    @property
    def facts(self) -> SourceFacts | None:
        """What the source knows of itself, once it has answered."""
        return self._memory.facts if self._memory is not None else None

    def keep(
        self,
        base: Path,
        from_s: float | None = None,
        to_s: float | None = None,
        tell: Callable[[float], None] = lambda part: None,
    ) -> Path:
        """Write what the memory holds of a span as a recording. Raises SdrcheckError with a sentence for the user."""
        return self._remembering.keep(base, from_s, to_s, tell=tell)

    def keep_from(
        self,
        base: Path,
        from_s: float,
        to_s: float | None,
        description: str = "",
        tell: Callable[[float], None] = lambda part: None,
    ) -> Keeping:
        """Begin a recording with what the memory holds, and go on with what comes. Raises SdrcheckError."""
        return self._remembering.keep_from(base, from_s, to_s, description=description, tell=tell)

    @property
    def _remembering(self) -> RollingMemory:
        if self._memory is None:
            raise SourceError("nothing has been received yet; start a source first")
        return self._memory

    @property
    def memory_span_s(self) -> tuple[float, float]:
        return self._memory.span_s if self._memory is not None else (0.0, 0.0)
