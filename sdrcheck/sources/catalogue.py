"""The words for sources on the command line, and where each is opened; nothing is loaded before it is asked for."""

from __future__ import annotations

import importlib

from sdrcheck.sources.source import IqSource, Tuning

SOURCES = {  # word before the first colon -> the module whose `open_word` opens it; anything else is a path
    "dongle": "sdrcheck.sources.dongle",
    "net": "sdrcheck.sources.network",
    "sound": "sdrcheck.sources.sound",
}

SHAPES = "dongle, dongle:SERIAL, net:HOST:PORT, sound:DEVICE or the path of a recording"


def open_source(word: str, wanted: Tuning | None = None) -> IqSource:
    """Open `dongle[:SERIAL]`, `net:HOST:PORT`, `sound:DEVICE` or the path of a recording.

    Raises SourceError, RecordingError, with a sentence that says what to do.
    """
    kind, _, where = word.partition(":")
    if kind not in SOURCES:
        kind, where = "", word
    module = importlib.import_module(SOURCES.get(kind, "sdrcheck.sources.recording"))
    opened: IqSource = module.open_word(where, wanted or Tuning())
    return opened
