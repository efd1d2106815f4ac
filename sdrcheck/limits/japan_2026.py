"""Japan, Radio Equipment Regulations, text in force in April 2026: where its figures are its own."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.imo_a803 import dbm
from sdrcheck.limits.limit import Declared, Limit, Standing

_SPEAKING = ("one tone", "two tones", "speech", "call", "unknown")


def _source(article: str) -> str:
    return f"Japan, Radio Equipment Regulations (text of April 2026), {article}"


LIMITS = (
    Limit(
        id="V07, Japan",
        quantity="level at the set",
        unit="dBm",
        high=dbm(1),
        source=_source("art. 41(3)"),
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        emissions=("G3E", "G2B"),
        needs=(Declared.LOW_POWER,),
        ship_only=True,
        needs_meter=True,
        note="1 W or less, without a lower bound",
    ),
    Limit(
        id="V23",
        quantity="sinad",
        unit="dB",
        low=20.0,
        source=_source("art. 40-2"),
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("one tone",),
        emissions=("G3E",),
        needs=(Declared.ELECTRICAL_TONE,),
        note="1 kHz at 3.5 kHz deviation",
    ),
    Limit(
        id="V40, Japan",
        quantity="occupied bandwidth",
        unit="Hz",
        high=16_000.0,
        source=_source("art. 6 and table 2"),
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=_SPEAKING,
        emissions=("G3E", "G2B"),
    ),
    Limit(
        id="F06, Japan",
        quantity="shift",
        unit="Hz",
        low=169.0,
        high=171.0,
        source=_source("art. 40-5(2), 40-6") + "; tones 1615 and 1785 Hz, each ±0.5 Hz",
        standing=Standing.REGULATION,
        mark=Mark.DERIVED,
        conditions=("call",),
        emissions=("F1B",),
        ship_only=True,
        note="both tones of the encoder at opposite ends of their tolerance",
    ),
    Limit(
        id="F17, Japan",
        quantity="carrier suppression",
        unit="dB",
        low=40.0,
        source=_source("art. 56(1)"),
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("one tone", "two tones"),
        emissions=("J3E",),
        note="below the mean power at saturation with one tone",
    ),
    Limit(
        id="F30",
        quantity="sinad",
        unit="dB",
        low=20.0,
        source=_source("art. 56(1)"),
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("one tone",),
        emissions=("J3E",),
        needs=(Declared.ELECTRICAL_TONE,),
        note="1 kHz at the reference input level",
    ),
)
