"""Which decoder reads what: one visible table. A decoder's module is imported only when it is asked for."""

from __future__ import annotations

import importlib
from typing import cast

from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.decoders.decoder import Decoder

DECODERS = {  # what it reads -> where it is
    "VHF calls": "sdrcheck.decoders.dsc.vhf:decode",
    "MF/HF calls": "sdrcheck.decoders.dsc.mf:decode",
    "navigational text": "sdrcheck.decoders.navtex.reader:decode",
}

ON_CALLING_CHANNEL, ON_TEXT_CHANNEL, ELSEWHERE = "calling", "text", "elsewhere"

READS: dict[tuple[Emission, str], tuple[str, ...]] = {  # emission and use of the channel -> what may be read there
    (Emission.G2B, ON_CALLING_CHANNEL): ("VHF calls",),
    (Emission.G2B, ELSEWHERE): ("VHF calls",),
    (Emission.G3E, ON_CALLING_CHANNEL): ("VHF calls",),  # until it is decoded a call is one more FM transmission
    (Emission.G3E, ELSEWHERE): ("VHF calls",),
    (Emission.F1B, ON_CALLING_CHANNEL): ("MF/HF calls",),
    (Emission.F1B, ON_TEXT_CHANNEL): ("navigational text",),
    (Emission.F1B, ELSEWHERE): ("navigational text", "MF/HF calls"),
    (Emission.J3E, ELSEWHERE): ("navigational text", "MF/HF calls"),  # receiver sound, its centre not known
}


def decoder(name: str) -> Decoder:
    """Load one decoder by its name in `DECODERS`."""
    module, function = DECODERS[name].split(":")
    return cast(Decoder, getattr(importlib.import_module(module), function))


def decoders_for(emission: Emission, channel: Channel | None) -> tuple[Decoder, ...]:
    """Load the decoders that may find something in an emission on a channel; empty where nothing is sent in code."""
    use = ELSEWHERE
    if channel is not None and channel.calling:
        use = ON_CALLING_CHANNEL
    elif channel is not None and channel.text:
        use = ON_TEXT_CHANNEL
    return tuple(decoder(name) for name in READS.get((emission, use), ()))
