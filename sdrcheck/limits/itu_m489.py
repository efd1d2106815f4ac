"""Rec. ITU-R M.489 and the former RR Appendix 19 behind it: technical characteristics of VHF telephony, 25 kHz."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing

_SPEAKING = ("one tone", "two tones", "speech", "call", "unknown")

LIMITS = (
    *(
        Limit(
            id="V11",
            quantity=f"peak deviation, {way}",
            unit="Hz",
            high=5000.0,
            source="former RR Appendix 19 item 2 (Rec. ITU-R M.489); 47 CFR 80.213(a)(2), (d)",
            standing=Standing.REGULATION,
            mark=Mark.SEEN,
            conditions=_SPEAKING,
            emissions=("G3E", "G2B"),
            note="usually no survey item; through the microphone, raise the sound until the reading stops rising",
        )
        for way in ("up", "down")
    ),
    Limit(
        id="V40",
        quantity="occupied bandwidth",
        unit="Hz",
        high=16_000.0,
        source="necessary bandwidth of 16K0 emissions: Japan Radio Equipment Regulations table 2; 47 CFR 80.205",
        standing=Standing.SERVICE_ADVICE,
        mark=Mark.SEEN,
        conditions=_SPEAKING,
        emissions=("G3E", "G2B"),
        note="by Carson's rule 2·(5 + 3) kHz; a regulation on the measured bandwidth only in some countries",
    ),
)
