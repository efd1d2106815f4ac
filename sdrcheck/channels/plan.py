"""The whole plan: one name a frequency for what is heard, and every name for what is looked up.

Where a frequency has several names, the single-frequency row of RR Appendix 18 names it (156.925 MHz is 1078), else the
leg of its two-frequency row (156.050 MHz is 01, ship leg); the others become its aliases (78, 78A; 1001, 01A).
"""

from __future__ import annotations

import bisect
import re
from dataclasses import replace

from sdrcheck.channels import mf_hf, navigational, vhf
from sdrcheck.channels.channel import Channel, Emission, Leg

ROWS: tuple[Channel, ...] = tuple(
    sorted(
        (*vhf.SINGLE_FREQUENCY, *vhf.TWO_FREQUENCY, *vhf.NATIONAL, *mf_hf.CHANNELS, *navigational.CHANNELS),
        key=lambda channel: channel.frequency_hz,
    )
)
"""Every name of every frequency, lowest first; at one frequency the name that `PLAN` uses stands first."""

VHF_BAND_HZ = (155_987_500, 162_062_500)
VHF_RASTER_HZ = 12_500
F1B_RASTER_HZ = 500


def _one_a_frequency() -> tuple[Channel, ...]:
    by_frequency: dict[int, list[Channel]] = {}
    for channel in ROWS:
        by_frequency.setdefault(channel.frequency_hz, []).append(channel)
    plan = []
    for first, *others in by_frequency.values():
        names = [*first.aliases, *(name for other in others for name in (other.name, *other.aliases))]
        plan.append(replace(first, aliases=tuple(dict.fromkeys(name for name in names if name != first.name))))
    return tuple(plan)


PLAN: tuple[Channel, ...] = _one_a_frequency()
"""One channel a frequency, lowest first."""

_FREQUENCIES = [channel.frequency_hz for channel in PLAN]


def within(low_hz: float, high_hz: float) -> tuple[Channel, ...]:
    """The channels whose frequency lies between `low_hz` and `high_hz`, both included, lowest first."""
    return PLAN[bisect.bisect_left(_FREQUENCIES, low_hz) : bisect.bisect_right(_FREQUENCIES, high_hz)]


def nearest(frequency_hz: float) -> Channel:
    """The channel whose frequency is nearest, however far away it is."""
    place = bisect.bisect_left(_FREQUENCIES, frequency_hz)
    return min(PLAN[max(place - 1, 0) : place + 1], key=lambda channel: abs(channel.frequency_hz - frequency_hz))


def occupied_hz(channel: Channel) -> tuple[float, float]:
    """The span that belongs to a channel: half a spacing on either side; on J3E from the carrier up to 3 kHz."""
    if channel.emission is Emission.J3E:
        return channel.frequency_hz - 100.0, channel.frequency_hz + float(channel.spacing_hz)
    half = channel.spacing_hz / 2
    return channel.frequency_hz - half, channel.frequency_hz + half


def channel_at(frequency_hz: float) -> Channel | None:
    """The channel in whose span a signal's centre lies, or None off the plan."""
    around = within(frequency_hz - mf_hf.NAVDAT_SPACING_HZ * 2, frequency_hz + mf_hf.NAVDAT_SPACING_HZ * 2)
    fitting = [c for c in around if occupied_hz(c)[0] <= frequency_hz <= occupied_hz(c)[1]]
    return min(fitting, key=lambda channel: abs(channel.frequency_hz - frequency_hz), default=None)


def raster_hz(frequency_hz: float) -> int:
    """The nearest frequency of the band's raster: 12.5 kHz in the VHF maritime band, 500 Hz below 30 MHz.

    Elsewhere there is none to speak of, and the frequency is given back rounded to 1 kHz.
    """
    if VHF_BAND_HZ[0] <= frequency_hz <= VHF_BAND_HZ[1]:
        step = VHF_RASTER_HZ
    else:
        step = F1B_RASTER_HZ if frequency_hz < 30e6 else 1000
    return round(frequency_hz / step) * step


def named(text: str) -> tuple[Channel, ...]:
    """The channels of `PLAN` that a name or an alias means, both legs of a two-frequency one; `6` is `06`."""
    wanted = _folded(text)
    return tuple(one for one in PLAN if wanted in {_folded(name) for name in (one.name, *one.aliases)})


def find(text: str) -> tuple[Channel, ...]:
    """Every row that a name, an alias, a frequency (MHz or kHz) or words fit; names win over words.

    `6`, `06`, `1078`, `22A`, `AIS 1`, `2187.5`, `156.525 MHz`, `bridge`. Nothing fitting gives an empty tuple.
    """
    wanted = _folded(text)
    if not wanted:
        return ROWS
    named = tuple(row for row in ROWS if wanted in {_folded(name) for name in (row.name, *row.aliases)})
    exact = tuple(row for row in named if _folded(row.name) == wanted)
    if named:
        return exact or named
    found = re.fullmatch(r"(\d+(?:\.\d+)?)(mhz|m|khz|k|hz)?", wanted)
    if found:
        scales = {"m": (1e6,), "k": (1e3,), "h": (1.0,), "": (1e6, 1e3, 1.0)}[(found[2] or "")[:1]]
        values = {round(float(found[1]) * scale) for scale in scales}
        return tuple(row for row in ROWS if row.frequency_hz in values)
    words = text.casefold().split()
    return tuple(row for row in ROWS if all(word in _searched(row) for word in words))


def other_number_remark(channel: Channel) -> str | None:
    """Say which number the same frequency has where it is worked the other way, on two frequencies or one; or None."""
    place = f"{channel.frequency_hz / 1e6:.3f} MHz is"
    number = next((name for name in channel.aliases if re.fullmatch(r"10\d\d", name)), None)
    if channel.leg is Leg.SHIP and number is not None:
        return (
            f"{place} the ship leg of channel {channel.name}; "
            f"where it is worked on a single frequency it is channel {number}."
        )
    single = re.fullmatch(r"([12])0(\d\d)", channel.name)
    if single is not None and single[2] in channel.aliases:
        leg = "ship leg" if single[1] == "1" else "coast station's leg"
        number = single[2]
        return f"{place} channel {channel.name}; where channel {number} is worked on two frequencies it is its {leg}."
    return None


def frequency_text(frequency_hz: float) -> str:
    """A frequency as people write it: MHz with three decimals above 30 MHz, kHz below."""
    if frequency_hz >= 30e6:
        return f"{frequency_hz / 1e6:.4f}".removesuffix("0") + " MHz"
    return f"{frequency_hz / 1e3:.1f}".removesuffix(".0") + " kHz"


def _folded(name: str) -> str:
    folded = re.sub(r"\s+", "", name.casefold())
    return f"0{folded}" if re.fullmatch(r"\d[ab]?", folded) else folded


def _searched(channel: Channel) -> str:
    parts = (channel.name, *channel.aliases, channel.use, channel.emission.value, channel.leg or "", channel.source)
    return " ".join(parts).casefold()
