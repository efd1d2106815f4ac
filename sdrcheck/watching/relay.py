"""A thread of its own between a source and the engine: what must never wait for the engine gets every block first.

The engine may need half a second for one transmission; a loudspeaker and a disk want their samples meanwhile.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator

from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts


class Relay:
    """Hands every block to `taken` at once, and on to whoever reads `blocks()`, in order. It is a source itself.

    Who reads may fall behind by `room_s`; then the source has to wait, and counts what it loses. `taken` must not
    raise. Whatever ends the source ends the relay, its exception included.
    """

    def __init__(
        self, source: IqSource, taken: Callable[[IqBlock], None] = lambda block: None, *, room_s: float = 4.0
    ) -> None:
        self._source, self._taken, self._room_s = source, taken, room_s
        self._waiting: deque[IqBlock] = deque()
        self._samples = 0
        self._changed = threading.Condition()
        self._ended = self._closed = False
        self._problem: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)

    @property
    def facts(self) -> SourceFacts:
        return self._source.facts

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the source's blocks; raises what the source raised, after all that came before it."""
        self._thread.start()
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting or self._ended or self._closed)
                if self._closed:
                    return
                if not self._waiting:
                    if self._problem is not None:
                        raise self._problem
                    return
                block = self._waiting.popleft()
                self._samples -= block.count
                self._changed.notify_all()
            yield block

    def _run(self) -> None:
        room = self._room_s * self.facts.sample_rate_hz
        try:
            for block in self._source.blocks():
                self._taken(block)
                with self._changed:
                    self._waiting.append(block)
                    self._samples += block.count
                    self._changed.notify_all()
                    self._changed.wait_for(lambda: self._samples <= room or self._closed)
                    if self._closed:
                        return
        except Exception as problem:  # told in the thread that reads
            self._problem = problem
        finally:
            with self._changed:
                self._ended = True
                self._changed.notify_all()

    def close(self) -> None:
        """End `blocks()` and the source; may be called from any thread, and more than once."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._source.close()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(1.0)
