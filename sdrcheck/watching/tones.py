"""The tones that go with a hands-free run's announcements, told apart by ear across the bridge."""

from __future__ import annotations

import numpy as np

from sdrcheck.visits.hands_free import Sound as Meaning
from sdrcheck.watching.demodulation import SOUND_RATE_HZ, Sound

MELODIES: dict[Meaning, tuple[tuple[float, float], ...]] = {
    Meaning.HEARD: ((660.0, 0.15), (880.0, 0.2)),
    Meaning.WRONG: ((330.0, 0.5),),
    Meaning.FINISHED: ((880.0, 0.6),),
}
"""Hertz and seconds; away from a call's tones (1300 and 2100 Hz), in case a microphone is open."""


def tone_of(meaning: Meaning) -> Sound:
    """Make the sound of an announcement at full scale 1 and 48 kHz; empty where it has none."""
    notes = [_note(hertz, seconds) for hertz, seconds in MELODIES.get(meaning, ())]
    return np.concatenate(notes) if notes else np.zeros(0, np.float32)


def _note(hertz: float, seconds: float) -> Sound:
    times = np.arange(round(seconds * SOUND_RATE_HZ)) / SOUND_RATE_HZ
    return (np.hanning(times.size) * np.sin(2 * np.pi * hertz * times)).astype(np.float32)
