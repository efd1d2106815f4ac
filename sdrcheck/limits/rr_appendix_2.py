"""Radio Regulations, Appendix 2: tolerances of transmitter frequencies. Seen through national rules that carry them."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing

LIMITS = (
    Limit(
        id="V02",
        quantity="carrier offset, relative",
        unit="ppm",
        low=-10.0,
        high=10.0,
        source=(
            "RR Appendix 2, ship stations 156-174 MHz; carried by Japan Radio Equipment Regulations art. 5 (text of "
            "April 2026), IMO A.803(19) through Taiwan Ship Equipment Rules art. 285-9(4), 47 CFR 80.209(a)(5)"
        ),
        standing=Standing.SURVEY_ITEM,
        mark=Mark.SEEN,
        emissions=("G3E", "G2B"),
        ship_only=True,
        note="10 millionths: 1565 Hz on channel 70, 1568 Hz on channel 16",
    ),
)
