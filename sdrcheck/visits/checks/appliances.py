"""Checks of radio life-saving appliances: looked at, tested by their own self-test, never triggered."""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.channels.channel import Mark
from sdrcheck.findings.inspection import Kind
from sdrcheck.limits.limit import Standing
from sdrcheck.visits.checks import cautions
from sdrcheck.visits.checks.check import Check, How, Keying, MeterWanted, Power, Stage
from sdrcheck.visits.checks.vhf import ship_channel
from sdrcheck.visits.ship import RadioSet, SetKind

_TEXTBOOK = "survey practice as a mariner's textbook lists it"


def checks(radio: RadioSet) -> Iterator[Check]:
    """The checks of one portable VHF, SART or EPIRB."""
    if radio.kind is SetKind.PORTABLE_VHF:
        yield from _portable(radio)
    elif radio.kind is SetKind.SART:
        yield _seen(
            radio,
            "sart",
            "SART: battery date, place, self-test",
            "Battery date, serial and place aboard.",
            "Self-test; against a 9 GHz radar only with lamps and tones as its manual says and briefly.",
        )
    else:
        yield _seen(
            radio,
            "epirb",
            "EPIRB: identity, dates, release, self-test",
            "Type and serial against the licence; programmed identity.",
            "Battery and hydrostatic-release dates, float-free mechanism, lanyard, place.",
            "Self-test as its manual says. Code, frequency and power need a screened set-up and its own instruments.",
        )


def _seen(radio: RadioSet, slug: str, title: str, *do: str) -> Check:
    return Check(
        f"{radio.id}/{slug}",
        radio.id,
        title,
        How.SEEN,
        Stage.SELF_TEST,
        do,
        _TEXTBOOK,
        Mark.SEEN,
        Standing.SURVEY_ITEM,
        cautions=(cautions.SELF_TEST_ONLY, cautions.BATTERY),
    )


def _portable(radio: RadioSet) -> Iterator[Check]:
    yield _seen(radio, "battery", "Primary battery: date and seal", "Date and unbroken seal; spare battery.")
    for name in radio.channels or ("16", "06"):
        channel = ship_channel(name)
        yield Check(
            id=f"{radio.id}/ch{channel.name}-high",
            set_id=radio.id,
            title=f"Portable set, channel {channel.name}: frequency and power",
            how=How.MEASURED,
            stage=Stage.CLOSED_CABLE,
            do=(
                "Antenna taken off, cable to the instrument; or in a screened place.",
                f"Channel {channel.name}, key for 5 seconds, microphone covered.",
            ),
            basis="Japan, maintenance standard for two-way radiotelephones, 15.2.2 (10 ppm, +50/-20 % power)",
            mark=Mark.SEEN,
            standing=Standing.SURVEY_ITEM,
            cautions=(cautions.CLOSED_CABLE, cautions.BATTERY),
            keying=Keying(
                channel.frequency_hz,
                channel.name,
                kinds=(Kind.CARRIER, Kind.VOICE),
                conditions=("unmodulated", "unknown"),
                power=Power.HIGH,
                seconds=3.0,
            ),
            quantities=("carrier offset", "carrier offset, relative", "level"),
            meters=(MeterWanted("forward power", "W"),),
            say=f"Portable set, channel {channel.name}. Key five seconds.",
        )
