"""What every decoder gives back, and the protocol it speaks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.filters.excerpt import BitTrack, Excerpt


@dataclass(frozen=True, slots=True)
class DecodedCall:
    """A call, and its bits where they lay, for the measurements."""

    call: Call
    track: BitTrack


@dataclass(frozen=True, slots=True)
class Decode:
    """Everything a decoder read in one excerpt. A bad signal is in here as a finding, never an exception."""

    calls: tuple[DecodedCall, ...] = ()
    messages: tuple[Message, ...] = ()
    stray_text: str = ""
    remarks: tuple[str, ...] = ()
    text_track: BitTrack | None = None
    """The bits of the text where they lay, for the measurements; some may lie outside the excerpt."""


class Decoder(Protocol):
    """Reads all calls or messages in the filtered samples of one transmission."""

    def __call__(self, excerpt: Excerpt) -> Decode: ...
