"""Listening: one channel's sound, made from the blocks that the engine takes; nothing is received twice. No Qt."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sdrcheck.channels.channel import Emission
from sdrcheck.errors import SdrcheckError
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts
from sdrcheck.watching.demodulation import Demodulator, Sound
from sdrcheck.watching.loudspeaker import Loudspeaker

log = logging.getLogger(__name__)

Opener = Callable[[str | None, float], Loudspeaker]


@dataclass(frozen=True, slots=True)
class Place:
    """What is listened to."""

    frequency_hz: float
    emission: Emission
    name: str


class Speaker:
    """The window's one loudspeaker, for listening and for tones; opened beside the window, when it is first wanted."""

    def __init__(self, opener: Opener = Loudspeaker) -> None:
        self._opener = opener
        self._lock = threading.Lock()
        self._opened: Loudspeaker | None = None
        self._wanted: tuple[str | None] | None = None
        self._level = 0.5
        self.problem = ""
        """One sentence where there is no sound."""

    def open(self, device: str | None = None) -> None:
        """Open a device by name, None for the usual one; returns at once."""
        if self._wanted == (device,) and not self.problem:
            return
        self._wanted = (device,)
        self.problem = ""
        threading.Thread(target=self._open, args=(device,), name="loudspeaker", daemon=True).start()

    def _open(self, device: str | None) -> None:
        try:
            with self._lock:
                if self._wanted != (device,):
                    return
                if self._opened is not None:
                    self._opened.close()
                    self._opened = None
                self._opened = self._opener(device, self._level)
        except SdrcheckError as problem:
            self.problem = str(problem)
        except Exception as problem:  # whatever a sound driver does, the rest goes on
            log.exception("no sound")
            self.problem = f"no sound: {type(problem).__name__}: {problem}"

    @property
    def level(self) -> float:
        return self._level

    @level.setter
    def level(self, level: float) -> None:
        self._level = level
        opened = self._opened
        if opened is not None:
            opened.level = level

    @property
    def ready(self) -> bool:
        return self._opened is not None

    @property
    def speed(self) -> float:
        opened = self._opened
        return 1.0 if opened is None else opened.speed

    def play(self, sound: Sound) -> None:
        """Queue sound; without a loudspeaker it is let go."""
        opened = self._opened
        if opened is None:
            return
        try:
            opened.play(sound)
        except SdrcheckError as problem:  # the device has vanished
            self._opened = None
            self.problem = str(problem)

    def close(self) -> None:
        """Let go of the device; may be called in any state, and it may be opened again."""
        self._wanted = None
        with self._lock:
            opened, self._opened = self._opened, None
        if opened is not None:
            opened.close()


class Listening:
    """Takes the engine's blocks as they pass and plays one channel of them. Trouble with it never stops the engine."""

    def __init__(self, speaker: Speaker) -> None:
        self.speaker = speaker
        self.squelch_db: float | None = 8.0
        """Opens so many decibels above the channel's own noise; None leaves it open."""
        self.problem = ""
        """One sentence where this channel cannot be heard."""
        self._place: Place | None = None
        self._made: tuple[Place, SourceFacts, Demodulator] | None = None

    @property
    def place(self) -> Place | None:
        """What is listened to; None for nothing."""
        return self._place

    def choose(self, place: Place | None) -> None:
        """Listen to another channel from the next block on."""
        self.problem = ""
        self._place = place

    @property
    def hears(self) -> bool | None:
        """Whether the squelch is open; None while nothing is made to be heard."""
        made = self._made
        return None if made is None or self._place is None else made[2].open

    @property
    def level_dbfs(self) -> float | None:
        """Power in the channel now."""
        made = self._made
        return None if made is None or self._place is None else made[2].level_dbfs

    def take(self, block: IqBlock, facts: SourceFacts) -> None:
        """Make sound of a block, where anybody wants it. Called in the engine's thread; never raises."""
        place = self._place
        if place is None:
            self._made = None
            return
        if self.problem:
            return
        try:
            if self._made is None or self._made[0] != place or self._made[1] != facts:
                self._made = (place, facts, Demodulator(facts, place.frequency_hz, place.emission, self.squelch_db))
            demodulator = self._made[2]
            demodulator.squelch_db = self.squelch_db
            self.speaker.play(demodulator.feed(block, self.speaker.speed))
        except SdrcheckError as problem:
            self._made, self.problem = None, str(problem)
        except Exception as problem:  # the engine goes on whatever becomes of the sound
            log.exception("listening stopped")
            self._made, self.problem = None, f"listening stopped: {type(problem).__name__}: {problem}"


class Tap:
    """A source that lets somebody listen to its blocks on their way to the engine."""

    def __init__(self, source: IqSource, listening: Listening, recording: object = None) -> None:
        """`recording` is what is played, where it is one: the engine looks whether its samples are those sealed."""
        self._source, self._listening = source, listening
        self.recording = recording

    @property
    def facts(self) -> SourceFacts:
        return self._source.facts

    def blocks(self) -> Iterator[IqBlock]:
        for block in self._source.blocks():
            self._listening.take(block, self._source.facts)
            yield block

    def close(self) -> None:
        self._source.close()
