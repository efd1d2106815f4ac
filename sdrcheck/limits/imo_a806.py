"""IMO A.804(19) and A.806(19), shipborne MF and MF/HF radio: seen in the Taiwan Ship Equipment Rules.

Sets installed on or after 1 January 2024 follow MSC.512(105), which was not seen.
"""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.imo_a803 import dbm
from sdrcheck.limits.limit import Limit, Standing

_SOURCE = "IMO A.806(19), through Taiwan Ship Equipment Rules art. 285-11(5); 47 CFR 80.209(a)"

LIMITS = (
    Limit(
        id="F01",
        quantity="carrier offset",
        unit="Hz",
        low=-10.0,
        high=10.0,
        source=_SOURCE,
        standing=Standing.SURVEY_ITEM,
        mark=Mark.SEEN,
        conditions=("unmodulated", "one tone", "two tones", "call", "unknown"),
        emissions=("F1B", "J3E"),
        ship_only=True,
        note="at all times after warming up",
    ),
    *(
        Limit(
            id=f"F07, {line}",
            quantity=f"line {line} offset",
            unit="Hz",
            low=-10.0,
            high=10.0,
            source="47 CFR 80.209; Taiwan Ship Equipment Rules art. 285-7(3), 285-11(5) (IMO A.804(19), A.806(19))",
            standing=Standing.REGULATION,
            mark=Mark.SEEN,
            conditions=("call",),
            emissions=("F1B",),
            ship_only=True,
            note="that it holds for each line is as remembered",
        )
        for line in ("B", "Y")
    ),
    Limit(
        id="F12",
        quantity="level at the set",
        unit="dBm",
        low=dbm(60),
        source="IMO A.804(19)/A.806(19), through Taiwan Ship Equipment Rules art. 285-7(4); Japan RER art. 40-7(1)",
        standing=Standing.SURVEY_ITEM,
        mark=Mark.SEEN,
        conditions=("one tone", "two tones", "call"),
        emissions=("F1B", "J3E"),
        ship_only=True,
        needs_meter=True,
        note="60 W at every frequency: peak envelope for J3E, mean for F1B",
    ),
)
