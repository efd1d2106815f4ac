"""What a sideband set puts beside its channel. Places follow from the tones: 2·f2 − f1, 3·f2 − 2·f1, and the mirror."""

from __future__ import annotations

import pytest

from sdrcheck.findings.inspection import Kind, Reading, Transmission
from sdrcheck.findings.relations import relate
from sdrcheck.findings.sidebands import beside
from sdrcheck.measurements.ssb import LESS_CARRIER, LESS_DIAL

DIAL_HZ = 2_182_000.0


def reading(quantity: str, value: float, unit: str = "Hz", method: str = "") -> Reading:
    return Reading(quantity=quantity, value=value, unit=unit, uncertainty=0.01, method=method)


def keyed(frequency_hz: float, level: float, *readings: Reading, start_s: float = 1.0, **said: str) -> Transmission:
    return Transmission(
        start_s=start_s,
        duration_s=1.2,
        start_utc=None,
        frequency_hz=frequency_hz,
        channel=said.get("channel"),
        leg=None,
        emission=said.get("emission", "N0N"),
        kind=Kind.VOICE if "emission" in said else Kind.CARRIER,
        condition=said.get("condition", "unmodulated"),
        readings=(reading("level", level, "dBFS"), *readings),
    )


def on_2182(*tones: float, method: str = LESS_CARRIER) -> Transmission:
    names = ("modulating tone", "modulating tone, second")
    return keyed(
        DIAL_HZ,
        -10.0,
        reading("carrier offset", 4.0),
        *(reading(name, tone, method=method) for name, tone in zip(names, tones, strict=False)),
        channel="2182",
        emission="J3E",
        condition="two tones" if len(tones) == 2 else "one tone",
    )


@pytest.mark.parametrize(
    ("place_hz", "order"),
    [(2_187_504.0, "fifth"), (2_185_904.0, "third"), (2_179_504.0, "fifth"), (2_189_104.0, "seventh")],
)
def test_products_of_two_tones_are_told_from_carriers(place_hz: float, order: str) -> None:
    """700 and 2300 Hz on a carrier 4 Hz high: 3·2300 − 2·700 = 5500, 2·2300 − 700 = 3900, 3·700 − 2·2300 = −2500 Hz."""
    (found,) = beside([on_2182(700.0, 2300.0), keyed(place_hz, -50.0)])
    assert (found.kind, found.between, found.value) == ("product of two tones", (0, 1), -40.0)
    assert f"the {order} product" in found.remark


def test_where_the_carrier_does_not_show_tones_count_from_the_dial() -> None:
    assert [one.kind for one in beside([on_2182(700.0, 2300.0, method=LESS_DIAL), keyed(2_187_500.0, -50.0)])] == [
        "product of two tones"
    ]


@pytest.mark.parametrize(
    "line",
    [
        keyed(2_187_604.0, -50.0),
        keyed(2_187_504.0, -15.0),
        keyed(2_187_504.0, -50.0, start_s=2.5),
    ],
)
def test_a_line_elsewhere_or_as_strong_or_at_another_time_is_none(line: Transmission) -> None:
    assert list(beside([on_2182(700.0, 2300.0), line])) == []


def test_a_product_on_a_calling_frequency_says_nothing_of_the_oscillator() -> None:
    on_the_plan = keyed(
        2_187_500.0,
        -50.0,
        reading("carrier offset", 4.0),
        reading("carrier offset, relative", 1.83, "ppm"),
        channel="2187.5",
    )
    voice = on_2182(700.0, 2300.0)
    both = [
        Transmission(
            **{name: getattr(voice, name) for name in voice.__struct_fields__}
            | {"readings": (*voice.readings, reading("carrier offset, relative", 1.83, "ppm"))}
        ),
        on_the_plan,
    ]
    assert [one.kind for one in relate(both)] == ["product of two tones"]


def test_the_lower_sideband_beside_a_carrier_is_both_sidebands() -> None:
    """A3E with 1 kHz: 996 Hz below the dial where the carrier is 4 Hz high."""
    (found,) = beside([on_2182(1000.0), keyed(2_181_004.0, -23.0)])
    assert (found.kind, found.between) == ("both sidebands", (0, 1))
    assert "1000 Hz below" in found.remark
