"""Rec. ITU-R M.493: the modulation rate of selective calls. Its figures seen through national rules."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing

_SOURCE = "Rec. ITU-R M.493; Japan Radio Equipment Regulations art. 40-5(2)"

LIMITS = (
    Limit(
        id="D06",
        quantity="modulation rate",
        unit="Bd",
        low=1200 * (1 - 30e-6),
        high=1200 * (1 + 30e-6),
        source=_SOURCE,
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("call",),
        emissions=("G2B",),
        note="averaged over the call",
    ),
    Limit(
        id="D06, relative",
        quantity="modulation rate error",
        unit="ppm",
        low=-30.0,
        high=30.0,
        source=_SOURCE,
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("call",),
        emissions=("G2B",),
        note="the receiver's own clock error adds one for one",
    ),
    Limit(
        id="F08",
        quantity="modulation rate",
        unit="Bd",
        low=100 * (1 - 30e-6),
        high=100 * (1 + 30e-6),
        source=_SOURCE,
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("call",),
        emissions=("F1B",),
    ),
    Limit(
        id="F08, relative",
        quantity="modulation rate error",
        unit="ppm",
        low=-30.0,
        high=30.0,
        source=_SOURCE,
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("call",),
        emissions=("F1B",),
    ),
)
