"""Service advice: what the trade goes by where no published figure fits what can be measured aboard."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Declared, Limit, Standing

LIMITS = (
    Limit(
        id="V22, advice",
        quantity="sinad",
        unit="dB",
        low=20.0,
        source="from the 10 % harmonic distortion of ETSI EN 300 162-1 clause 8.6 (value from memory)",
        standing=Standing.SERVICE_ADVICE,
        mark=Mark.MEMORY,
        conditions=("one tone",),
        emissions=("G3E",),
        needs=(Declared.ELECTRICAL_TONE,),
        note="10 % is 20 dB; this reading counts noise too, so a clean signal is needed",
    ),
    *(
        Limit(
            id=f"F21, {order}",
            quantity=f"two-tone product, {order}",
            unit="dB",
            high=-25.0,
            source="common practice, after the −25 dB relative to either tone of ETSI EN 300 373-1 (secondary account)",
            standing=Standing.SERVICE_ADVICE,
            mark=Mark.PRACTICE,
            conditions=("two tones",),
            emissions=("J3E",),
            needs=(Declared.ELECTRICAL_TONE,),
            note="the type test looks outside the occupied band only",
        )
        for order in ("third", "fifth")
    ),
)
