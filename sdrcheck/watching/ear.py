"""One channel of a source in the loudspeaker, beside whatever else is done with its blocks."""

from __future__ import annotations

from collections.abc import Callable

from sdrcheck.errors import SdrcheckError
from sdrcheck.sources.source import IqBlock
from sdrcheck.watching.demodulation import Demodulator
from sdrcheck.watching.loudspeaker import Loudspeaker


class Ear:
    """Plays one channel. When the sound fails there is no more of it, and `say` gets the reason; nothing else stops."""

    def __init__(
        self, demodulator: Demodulator, loudspeaker: Loudspeaker, say: Callable[[str], None] = lambda reason: None
    ) -> None:
        self._demodulator, self._loudspeaker, self._say = demodulator, loudspeaker, say
        self._failed = False

    def take(self, block: IqBlock) -> None:
        """Make sound of a block and queue it."""
        if self._failed:
            return
        try:
            self._loudspeaker.play(self._demodulator.feed(block, self._loudspeaker.speed))
        except SdrcheckError as problem:
            self._fail(str(problem))
        except Exception as problem:  # our own bug must not end a watch, either
            self._fail(f"internal error, please report it: {type(problem).__name__}: {problem}")

    def _fail(self, reason: str) -> None:
        self._failed = True
        self._say(reason)
