"""Rec. ITU-R M.540, annex II: the modulation rate of navigational text; sent by coast stations."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing

_SOURCE = "Rec. ITU-R M.540, annex II; Japan Radio Equipment Regulations art. 40-9"

LIMITS = (
    Limit(
        id="N02",
        quantity="modulation rate",
        unit="Bd",
        low=100 * (1 - 30e-6),
        high=100 * (1 + 30e-6),
        source=_SOURCE,
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("message",),
        emissions=("F1B",),
    ),
    Limit(
        id="N02, relative",
        quantity="modulation rate error",
        unit="ppm",
        low=-30.0,
        high=30.0,
        source=_SOURCE,
        standing=Standing.REGULATION,
        mark=Mark.SEEN,
        conditions=("message",),
        emissions=("F1B",),
    ),
)
