"""ETSI EN 300 162-1, VHF telephony of ship stations: type-test figures.

Clause titles were seen in published contents lists, edition not fixed; every value is from memory and must be checked
against the edition of the set's approval.
"""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Declared, Limit, Standing


def _source(clause: str, title: str) -> str:
    return f"ETSI EN 300 162-1, clause {clause} “{title}” (title seen, value from memory)"


LIMITS = (
    Limit(
        id="V01",
        quantity="carrier offset",
        unit="Hz",
        low=-1500.0,
        high=1500.0,
        source=_source("8.1", "Frequency error"),
        standing=Standing.TYPE_TEST,
        mark=Mark.MEMORY,
        emissions=("G3E",),
        ship_only=True,
        note="measured on the bare carrier in a type test",
    ),
    *(
        Limit(
            id="V25",
            quantity=f"peak deviation, {way}",
            unit="Hz",
            low=1500.0,
            high=3000.0,
            source="ETSI EN 300 162-1, clause 8.4 on the sensitivity of the modulator (value from memory)",
            standing=Standing.TYPE_TEST,
            mark=Mark.MEMORY,
            conditions=("one tone",),
            emissions=("G3E",),
            needs=(Declared.SOUND_LEVEL,),
            ship_only=True,
            note="1 kHz at 94 dB sound level at the microphone",
        )
        for way in ("up", "down")
    ),
    Limit(
        id="V24",
        quantity="residual modulation",
        unit="dB",
        high=-40.0,
        source=_source("8.10", "Residual modulation"),
        standing=Standing.TYPE_TEST,
        mark=Mark.MEMORY,
        conditions=("unmodulated",),
        emissions=("G3E",),
        note="relative to 1 kHz at 3 kHz deviation; only with the modulation off",
    ),
    Limit(
        id="V30",
        quantity="transient frequency",
        unit="Hz",
        low=-25_000.0,
        high=25_000.0,
        source=_source("8.14", "Transient frequency behaviour"),
        standing=Standing.TYPE_TEST,
        mark=Mark.MEMORY,
        emissions=("G3E", "G2B"),
        ship_only=True,
        note="during the first 5 ms; within 12.5 kHz for the 20 ms after that",
    ),
)
