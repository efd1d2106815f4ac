"""What a sideband set puts on the air beside its channel: the other sideband, and products of two tones.

A lower sideband lies as far below the carrier as the sound is high. Products of odd order lie on either side of two
tones, one spacing of the tones after the other (third, fifth, … order).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sdrcheck.channels.channel import Emission
from sdrcheck.findings.inspection import Relation, Transmission
from sdrcheck.findings.wording import format_place
from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.ssb import LESS_CARRIER

NEAR_HZ = 5.0
"""A line no further than this from where it is expected is taken to be it."""
TOGETHER_S = 0.2
"""How much two edges of one keying may differ, as they are told on two places."""
WEAKER_DB = 10.0
"""Products are weaker than the tones by this at least."""
PRODUCT = "product of two tones"
ORDERS = ("third", "fifth", "seventh", "ninth", "eleventh")


def beside(transmissions: Sequence[Transmission]) -> Iterator[Relation]:
    """Find other sidebands and products of two tones; `between` names the set's own channel first."""
    for index, keyed in enumerate(transmissions):
        tones = _tones(keyed)
        for other, line in enumerate(transmissions):
            if other != index and tones and line.emission != Emission.J3E and _together(keyed, line):
                yield from _lower_sideband(index, keyed, tones, other, line)
                yield from _product(index, keyed, tones, other, line)


def _tones(keyed: Transmission) -> list[float]:
    """Where the tones of a sideband keying lie on the air."""
    if keyed.emission != Emission.J3E:
        return []
    offset = keyed.reading("carrier offset")
    places = []
    for name in ("modulating tone", "modulating tone, second"):
        tone = keyed.reading(name)
        if tone is not None:
            from_carrier = offset.value if offset is not None and tone.method.startswith(LESS_CARRIER) else 0.0
            places.append(keyed.frequency_hz + tone.value + from_carrier)
    return sorted(places)


def _together(keyed: Transmission, line: Transmission) -> bool:
    starts = abs(keyed.start_s - line.start_s) <= TOGETHER_S
    return starts and abs(keyed.duration_s - line.duration_s) <= 2 * TOGETHER_S


def _lies_at(line: Transmission) -> float:
    offset = line.reading("carrier offset")
    return line.frequency_hz + (offset.value if offset is not None else 0.0)


def _lower_sideband(
    index: int, keyed: Transmission, tones: Sequence[float], other: int, line: Transmission
) -> Iterator[Relation]:
    offset = keyed.reading("carrier offset")
    carrier = keyed.frequency_hz + (offset.value if offset is not None else 0.0)
    mirrored = [2 * carrier - tone for tone in tones]
    if any(abs(place - _lies_at(line)) <= NEAR_HZ for place in mirrored):
        yield Relation(
            kind="both sidebands",
            between=(index, other),
            value=_lies_at(line) - carrier,
            unit="Hz",
            remark=(
                f"The line {carrier - _lies_at(line):.0f} Hz below the carrier on {format_place(keyed)} is the lower "
                "sideband of the same keying: the set sends both sidebands (A3E, or its sideband filter is off)."
            ),
        )


def _product(
    index: int, keyed: Transmission, tones: Sequence[float], other: int, line: Transmission
) -> Iterator[Relation]:
    strong, weak = keyed.reading("level"), line.reading("level")
    if keyed.condition != Condition.TWO_TONES or len(tones) != 2 or strong is None or weak is None:
        return
    if strong.value - weak.value < WEAKER_DB:
        return
    low, high = tones
    for step, order in enumerate(ORDERS, 1):
        for place in (low - step * (high - low), high + step * (high - low)):
            if abs(place - _lies_at(line)) <= NEAR_HZ:
                yield Relation(
                    kind=PRODUCT,
                    between=(index, other),
                    value=weak.value - strong.value,
                    unit="dB",
                    remark=(
                        f"What lies on {format_place(line)} is where the {order} product of the two tones on "
                        f"{format_place(keyed)} falls, and was keyed with them: no carrier of its own."
                    ),
                )
