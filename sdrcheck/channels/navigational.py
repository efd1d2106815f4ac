"""Where navigational text is broadcast: NAVTEX and HF maritime safety information, by assigned frequency."""

from __future__ import annotations

from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.channels.mf_hf import F1B_SPACING_HZ, hertz

_SOURCE = "RR Appendix 15; 47 CFR 80.1077"
_JAPAN = "list of distress-notification methods, Japanese radio regulations"

_BROADCASTS = (  # kHz, use, source
    ("518", "NAVTEX, international, in English", _SOURCE),
    ("490", "NAVTEX, in the national language or regional", _SOURCE),
    ("4209.5", "NAVTEX on HF", _SOURCE),
    ("424", "NAVTEX in Japanese, national", _JAPAN),
    ("4210", "maritime safety information, HF", _SOURCE),
    ("6314", "maritime safety information, HF", _SOURCE),
    ("8416.5", "maritime safety information, HF", _SOURCE),
    ("12579", "maritime safety information, HF", _SOURCE),
    ("16806.5", "maritime safety information, HF", _SOURCE),
    ("19680.5", "maritime safety information, HF", _SOURCE),
    ("22376", "maritime safety information, HF", _SOURCE),
    ("26100.5", "maritime safety information, HF", _SOURCE),
)

CHANNELS = tuple(
    Channel(khz, hertz(khz), F1B_SPACING_HZ, Emission.F1B, use, source, text=True) for khz, use, source in _BROADCASTS
)
