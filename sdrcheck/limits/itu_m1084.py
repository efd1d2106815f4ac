"""Rec. ITU-R M.1084, annex 1: VHF telephony on 12.5 kHz channels. Seen in a Japanese rendering."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing

_SPEAKING = ("one tone", "two tones", "speech", "call", "unknown")
_SOURCE = "Rec. ITU-R M.1084, annex 1, item {item} (Japanese rendering)"

LIMITS = (
    Limit(
        id="V03",
        quantity="carrier offset, relative",
        unit="ppm",
        low=-5.0,
        high=5.0,
        source=_SOURCE.format(item=2),
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        emissions=("G3E",),
        note="12.5 kHz channels: 784 Hz on 156.8 MHz",
    ),
    *(
        Limit(
            id="V12",
            quantity=f"peak deviation, {way}",
            unit="Hz",
            high=2500.0,
            source=_SOURCE.format(item=3),
            standing=Standing.REGULATION,
            mark=Mark.SEEN,
            conditions=_SPEAKING,
            emissions=("G3E",),
            note="12.5 kHz channels",
        )
        for way in ("up", "down")
    ),
    Limit(
        id="V40, 12.5 kHz",
        quantity="occupied bandwidth",
        unit="Hz",
        high=11_000.0,
        source=_SOURCE.format(item=1),
        standing=Standing.SERVICE_ADVICE,
        mark=Mark.SEEN,
        conditions=_SPEAKING,
        emissions=("G3E",),
        note="necessary bandwidth by Carson's rule, 2·(2.5 + 3) kHz",
    ),
)
