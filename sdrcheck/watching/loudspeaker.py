"""The loudspeaker: sound goes in as it comes, the sound card takes it at its own pace."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from typing import Any

import numpy as np

from sdrcheck.errors import SourceError, SourceLost
from sdrcheck.sources.sound import sound_library
from sdrcheck.watching.demodulation import SOUND_RATE_HZ, Sound

_AIM_S = 0.5
"""So much waits before it is played, and so long at most."""
_MOST_S = 1.5
_SILENCE_S = 2.0
_LARGEST_NUDGE = 0.002
"""How much faster or slower than 1 the sound may be taken to stay in step with the card's clock; nobody hears it."""


class Loudspeaker:
    """Plays sound through a device of the computer. `speed` tells the demodulator how to keep the buffer half full."""

    def __init__(self, device: str | int | None = None, level: float = 0.5) -> None:
        """Open a device by name or number, None for the usual one. Raises SourceError with what to do."""
        self.level = level
        self.underflows = 0
        self._parts: deque[Sound] = deque()
        self._held = 0
        self._lock = threading.Lock()
        self._started = False
        self._last_fill = self._since = time.monotonic()
        self._stopped = self._draining = False
        library = sound_library()
        try:
            self._stream = library.OutputStream(
                samplerate=SOUND_RATE_HZ,
                channels=1,
                dtype="float32",
                device=device,
                latency="high",
                callback=self._fill,
                finished_callback=self._finish,
            )
            try:
                self._stream.start()
            except BaseException:
                self.close()
                raise
        except (library.PortAudioError, ValueError) as problem:
            which = "the usual sound device" if device is None else f"sound device {device!r}"
            raise SourceError(
                f"{which} cannot be opened for playing ({problem}); plug one in or name another, see `sdrcheck ready`"
            ) from None

    def play(self, sound: Sound) -> None:
        """Queue sound of full scale 1 at 48 kHz; more than 1.5 s of it pushes out the oldest.

        Raises SourceLost where the sound device has vanished.
        """
        self._check()
        with self._lock:
            if not self._held:
                self._since = time.monotonic()
            self._parts.append(sound)
            self._held += sound.size
            while self._held > _MOST_S * SOUND_RATE_HZ:
                self._held -= self._parts.popleft().size

    @property
    def held_s(self) -> float:
        """Seconds of sound waiting to be played."""
        return self._held / SOUND_RATE_HZ

    @property
    def speed(self) -> float:
        """How fast sound is to be made so that neither too much nor too little waits."""
        return 1.0 + float(np.clip((self.held_s - _AIM_S) / _AIM_S, -1, 1)) * _LARGEST_NUDGE

    def play_whole(self, sound: Sound) -> None:
        """Play all of a sound, however long, and return when it has been heard. Raises SourceLost as `play` does."""
        edge = np.zeros(SOUND_RATE_HZ // 10, np.float32)  # some devices swallow what comes last
        with self._lock:
            self._parts += [sound, edge]
            self._held += sound.size + edge.size
            self._started = self._draining = True
        while self._held:
            self._check()
            time.sleep(0.02)
        self._stream.stop()  # returns when what PortAudio holds has been played, too

    def _check(self) -> None:
        if self._stopped or time.monotonic() - self._last_fill > _SILENCE_S:
            raise SourceLost("the sound device takes no more sound; plug it in anew, then start again")

    def _fill(self, out: Any, frames: int, when: Any, status: Any) -> None:
        out[:] = 0
        self._last_fill = time.monotonic()
        with self._lock:
            self.underflows += bool(status and status.output_underflow)
            if not self._started and self.held_s < _AIM_S and self._last_fill - self._since < _AIM_S:
                return
            self._started = True
            place = 0
            while place < frames and self._parts:
                part = self._parts.popleft()
                taken = min(part.size, frames - place)
                out[place : place + taken, 0] = part[:taken] * self.level
                if taken < part.size:
                    self._parts.appendleft(part[taken:])
                place += taken
                self._held -= taken
            if place < frames:
                self.underflows += not self._draining
                self._started = False

    def _finish(self) -> None:
        self._stopped = True

    def drain(self) -> None:
        """Wait until everything queued has been played; nothing is played after it."""
        self.play_whole(np.zeros(0, np.float32))

    def close(self) -> None:
        """Stop at once; may be called more than once."""
        with contextlib.suppress(Exception):  # a device that has vanished cannot be closed properly
            self._stream.close()


def output_names() -> list[str]:
    """Names of the devices that play. Raises SourceError where there is no sound on this computer."""
    return [device["name"] for device in sound_library().query_devices() if device["max_output_channels"]]
