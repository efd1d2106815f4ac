"""ETSI EN 300 338, selective calling equipment: type-test figures.

V1.2.1 (1999-04), partly read in the equivalent Vietnamese standard TCN 68-201:2001; what was not seen is from memory.
"""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing

LIMITS = (
    Limit(
        id="D01",
        quantity="carrier offset",
        unit="Hz",
        low=-1500.0,
        high=1500.0,
        source="ETSI EN 300 338 V1.2.1, clause 6.1 “Frequency error (carrier)” (title seen, value from memory)",
        standing=Standing.TYPE_TEST,
        mark=Mark.MEMORY,
        emissions=("G2B",),
        ship_only=True,
    ),
    Limit(
        id="F06",
        quantity="shift",
        unit="Hz",
        low=168.0,
        high=172.0,
        source="ETSI EN 300 338 V1.2.1, clause 7.1 (TCN 68-201:2001): tones 1615 and 1785 Hz, each ±1 Hz",
        standing=Standing.TYPE_TEST,
        mark=Mark.DERIVED,
        conditions=("call",),
        emissions=("F1B",),
        ship_only=True,
        note="both tones of the encoder at opposite ends of their tolerance",
    ),
)
