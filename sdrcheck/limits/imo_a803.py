"""IMO A.803(19), shipborne VHF radio: seen nearly clause by clause in the Taiwan Ship Equipment Rules.

Sets installed on or after 1 January 2024 follow MSC.511(105), which was not seen.
"""

import math

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Declared, Limit, Standing

SOURCE = "IMO A.803(19) part B, through Taiwan Ship Equipment Rules art. 285-9(8)"


def dbm(watts: float) -> float:
    """Power in dBm, to the hundredth."""
    return round(10 * math.log10(watts * 1000), 2)


LIMITS = (
    Limit(
        id="V05",
        quantity="level at the set",
        unit="dBm",
        low=dbm(6),
        high=dbm(25),
        source=f"{SOURCE}; lower bound also Japan Radio Equipment Regulations art. 40-7(2)",
        standing=Standing.SURVEY_ITEM,
        mark=Mark.SEEN,
        emissions=("G3E", "G2B"),
        needs=(Declared.HIGH_POWER,),
        ship_only=True,
        needs_meter=True,
        note="6 to 25 W into 50 Ω",
    ),
    Limit(
        id="V07",
        quantity="level at the set",
        unit="dBm",
        low=dbm(0.1),
        high=dbm(1),
        source=f"{SOURCE}; 47 CFR 80.873(c)",
        standing=Standing.SURVEY_ITEM,
        mark=Mark.SEEN,
        emissions=("G3E", "G2B"),
        needs=(Declared.LOW_POWER,),
        ship_only=True,
        needs_meter=True,
        note="0.1 to 1 W; best judged as metered high power less the measured ratio",
    ),
    Limit(
        id="V10",
        quantity="level at the set",
        unit="dBm",
        high=dbm(1),
        source="RR Appendix 18 notes (from memory); Japan Enforcement Regulations art. 13-3-3",
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        emissions=("G3E",),
        channels=("15", "17"),
        ship_only=True,
        needs_meter=True,
        note="15 and 17 used on board: 1 W at most",
    ),
    Limit(
        id="V10, beside 16",
        quantity="level at the set",
        unit="dBm",
        high=dbm(1),
        source="RR Appendix 18 notes, from memory",
        standing=Standing.REGULATION,
        mark=Mark.MEMORY,
        emissions=("G3E",),
        channels=("75", "76"),
        ship_only=True,
        needs_meter=True,
        note="75 and 76: 1 W at most",
    ),
    Limit(
        id="V05, ceiling",
        quantity="level at the set",
        unit="dBm",
        high=dbm(25),
        source=SOURCE,
        standing=Standing.SURVEY_ITEM,
        mark=Mark.SEEN,
        emissions=("G3E", "G2B"),
        ship_only=True,
        needs_meter=True,
        note="25 W at most, whatever the power setting",
    ),
)
