"""The computer's sound input: a receiver's audio on one channel, or I and Q on two, through PortAudio."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from types import ModuleType
from typing import Any

from sdrcheck.errors import SourceError, SourceLost
from sdrcheck.recordings.utc import host_utc_error_s
from sdrcheck.sources.intake import Intake
from sdrcheck.sources.sample_clock import SampleClock
from sdrcheck.sources.source import IqBlock, SourceFacts, Tuning

USUAL_RATE_HZ = 48_000.0

_LATENCY_S = 0.2
_ANSWER_S = 3.0
_SILENCE_S = 3.0
_WINDOW_S, _JITTER_S = 3.0, 0.15
"""Sound servers change their delay as they please, and the card says itself when it loses something."""


def open_word(device: str, wanted: Tuning) -> SoundInput:
    """Open the source that `sound:DEVICE` names; without a device the usual one."""
    return SoundInput(wanted, device or None)


class SoundInput:
    """A sound device, by its number or a part of its name. 0 Hz of what it hears is `centre_hz`: the dial, or 0.

    16-bit codes are taken, so that an input driven too far shows as clipping.
    """

    def __init__(self, wanted: Tuning, device: str | None = None) -> None:
        library = sound_library()
        self._word = "sound" if device is None else f"sound:{device}"
        rate = wanted.sample_rate_hz or USUAL_RATE_HZ
        self._datatype, channels = ("ci16_le", 2) if wanted.iq else ("ri16_le", 1)
        clock = SampleClock(rate, window_s=_WINDOW_S, jitter_s=_JITTER_S)
        self._intake = Intake(self._datatype, rate, clock=clock)
        self._due: float | None = None
        try:
            self._stream = library.RawInputStream(
                samplerate=rate,
                channels=channels,
                dtype="int16",
                device=int(device) if device and device.isdecimal() and len(device) < 6 else device,
                latency=_LATENCY_S,
                callback=self._take,
                finished_callback=self._finish,
            )
            try:
                self._stream.start()
            except BaseException:
                self.close()
                raise
        except (library.PortAudioError, ValueError) as problem:
            raise SourceError(
                f"{self._word} cannot be opened for {channels} channel{'s' * (channels - 1)} at {rate:g} Hz "
                f"({_reason(problem)}); these are there: {', '.join(input_names()) or 'none'}"
            ) from None
        try:
            self._intake.wait_for_samples(_ANSWER_S, f"{self._word} is open but hears nothing; plug it in anew")
        except BaseException:
            self.close()
            raise
        self.facts = SourceFacts(
            name=self._word,
            sample_rate_hz=float(self._stream.samplerate),
            centre_hz=wanted.centre_hz or 0.0,
            datatype=self._datatype,
            start_utc=self._intake.start_utc,
            audio=not wanted.iq,
            host_utc_error_s=host_utc_error_s(),
            told_late_s=self._intake.told_late_s,
        )

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the samples as they come. Raises SourceLost when the device vanishes."""
        return self._intake.blocks(
            _SILENCE_S, f"{self._word} hears nothing any more; plug the sound device in anew, then start again"
        )

    def close(self) -> None:
        """End `blocks()` and let go of the device; may be called from any thread, and more than once."""
        self._intake.close()
        with contextlib.suppress(Exception):  # a device that has vanished cannot be closed properly
            self._stream.close()

    def _take(self, data: Any, frames: int, time: Any, status: Any) -> None:
        lost = 0
        if status.input_overflow:  # the card knows that some are lost; its own clock tells how many, if it keeps one
            late = 0.0 if self._due is None else time.inputBufferAdcTime - self._due
            lost = max(round(late * self._stream.samplerate), 1)
        self._due = time.inputBufferAdcTime + frames / self._stream.samplerate
        self._intake.put(bytes(data), lost=lost)

    def _finish(self) -> None:
        self._intake.end(SourceLost(f"{self._word} stopped; plug the sound device in anew, then start again"))


def sound_library() -> ModuleType:
    """The binding to PortAudio. Raises SourceError where PortAudio is not installed."""
    try:
        import sounddevice
    except OSError as problem:
        raise SourceError(
            f"there is no sound on this computer ({problem}); install PortAudio: apt install libportaudio2"
        ) from None
    module: ModuleType = sounddevice
    return module


def input_names() -> list[str]:
    """Names of the devices that hear something."""
    return [device["name"] for device in sound_library().query_devices() if device["max_input_channels"]]


def _reason(problem: Exception) -> str:
    return str(problem.args[0] if problem.args else problem).partition("\n")[0].rstrip(":. ")
