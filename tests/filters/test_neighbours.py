"""Two calls at the same time on calling channels 500 Hz apart (RR Appendix 17, Part A). All signals are synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.findings.inspection import Transmission
from sdrcheck.sources.synthetic import Synthetic

FIRST, SECOND, THIRD = "211999990", "211999980", "211999970"
LASTS_S = 6.4
Sent = tuple[float, float, float, str]
"""Frequency in hertz, when, level in dB of full scale, and who."""


def found(*sent: Sent, rate: float = 12_000.0, centre_hz: float = 4_206_500.0) -> list[Transmission]:
    iq = np.random.default_rng(3).normal(0, 1e-4, (int(14 * rate), 2)).view(np.complex128)[:, 0]
    for frequency_hz, at_s, level_db, who in sent:
        order = CallOrder(type=CallType.TEST_CALL, self_id=who, to="002119990")
        call = keyed_bits(call_bits(order.information()), rate, one_is="Y")
        place = np.arange(int(at_s * rate), int(at_s * rate) + call.size)
        iq[place] += 10 ** (level_db / 20) * call * np.exp(2j * np.pi * (frequency_hz - centre_hz) / rate * place)
    return list(collect(run(Synthetic(iq, rate, centre_hz, "cf32_le"), Settings(frames_per_s=0))).transmissions)


def told(transmissions: list[Transmission]) -> list[tuple[str | None, object, object, str]]:
    return [
        (
            one.channel,
            pytest.approx(one.start_s, abs=0.02),
            pytest.approx(one.duration_s, abs=0.03),
            one.calls[0].self_id if one.calls else one.kind,
        )
        for one in transmissions
    ]


@pytest.mark.parametrize(
    "sent",
    [
        ((4_207_500.0, 4.0, -20.0, FIRST), (4_208_000.0, 4.1, -20.0, SECOND)),
        ((4_207_503.0, 4.0, -20.0, FIRST), (4_207_996.0, 6.0, -20.0, SECOND)),
        ((4_207_500.0, 4.0, -30.0, FIRST), (4_208_000.0, 4.5, -20.0, SECOND)),
        ((4_207_500.0, 4.0, -20.0, FIRST), (4_208_000.0, 4.5, -40.0, SECOND)),
        ((4_207_500.0, 4.0, -20.0, FIRST), (4_208_000.0, 4.2, -20.0, SECOND), (4_208_500.0, 4.4, -20.0, THIRD)),
    ],
)
def test_calls_on_neighbouring_channels_are_each_read(sent: tuple[Sent, ...]) -> None:
    wanted = [(f"{round(hz / 500) * 0.5:g}", at_s, LASTS_S, who) for hz, at_s, _, who in sent]
    assert told(found(*sent)) == wanted


@pytest.mark.parametrize("rate", [48_000.0, 240_000.0])
def test_at_other_rates_too(rate: float) -> None:
    both = found((4_207_500.0, 4.0, -20.0, FIRST), (4_208_000.0, 4.3, -20.0, SECOND), rate=rate)
    assert told(both) == [("4207.5", 4.0, LASTS_S, FIRST), ("4208", 4.3, LASTS_S, SECOND)]


def test_what_is_measured_of_one_is_not_the_others() -> None:
    first, second = found((4_207_503.0, 4.0, -20.0, FIRST), (4_207_996.0, 4.3, -23.0, SECOND))
    for one, offset_hz, level_db in ((first, 3.0, -20.0), (second, -4.0, -23.0)):
        for quantity, value, off in (
            ("carrier offset", offset_hz, 0.05),
            ("shift", 170.0, 0.05),
            ("modulation rate", 100.0, 0.001),
            ("level", level_db, 0.05),
        ):
            assert next(r.value for r in one.readings if r.quantity == quantity) == pytest.approx(value, abs=off)


def test_a_call_in_the_middle_between_two_channels_is_one() -> None:
    """Its two lines have a valley between them just where the channels meet."""
    (one,) = found((4_207_750.0, 4.0, -20.0, FIRST))
    assert one.duration_s == pytest.approx(LASTS_S, abs=0.03)
