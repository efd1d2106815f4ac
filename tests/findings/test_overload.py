"""Overload shows wherever it was: clipped codes, and a crest too near full scale. Signals are our own."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.findings.inspection import Inspection
from sdrcheck.sources.synthetic import Synthetic

RATE_HZ = 60_000.0
OWN = "211999990"  # invented


def inspected(dbfs: float) -> Inspection:
    """A second of carrier 8 kHz beside the centre, on channel 72, as eight bits take it."""
    times = np.arange(int(2.2 * RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(2).normal(0, 0.004, (times.size, 2)).view(np.complex128)[:, 0]
    keyed = (times > 0.5) & (times < 1.5)
    iq = 10 ** (dbfs / 20) * keyed * np.exp(2j * np.pi * 8000 * times) + noise
    return collect(run(Synthetic(iq, RATE_HZ, 156.617e6, "cu8"), Settings(frames_per_s=0)))


def remarks_on_channel_72(dbfs: float) -> list[str]:
    (one,) = (one for one in inspected(dbfs).transmissions if one.channel == "72")
    return [remark for remark in one.remarks if "overload" in remark]


@pytest.mark.parametrize(
    ("dbfs", "words"),
    [
        (-8.0, []),
        (-3.5, []),
        (-2.0, ["Its crest lies at -2.0 dBFS, less than 3 dB under full scale: the receiver is close to overload"]),
        (2.0, ["The receiver was overloaded ("]),
    ],
)
def test_crest_and_clipping(dbfs: float, words: list[str]) -> None:
    """The crest belongs between −30 and −3 dBFS, and more than 0.01 % of clipped codes is overload: common practice."""
    found = remarks_on_channel_72(dbfs)
    assert len(found) == len(words)
    assert all(remark.startswith(word) for remark, word in zip(found, words, strict=True))


def test_clipping_stands_in_the_facts_and_widens_the_level() -> None:
    clean, clipped = inspected(-8.0), inspected(2.0)
    assert clean.recording.clipped_fraction == 0
    assert clipped.recording.clipped_fraction > 0.1
    levels = [
        next(one for one in found.transmissions if one.channel == "72").reading("level") for found in (clean, clipped)
    ]
    assert levels[0] is not None
    assert levels[1] is not None
    assert levels[0].uncertainty < 0.05
    assert levels[1].uncertainty > 1.0
    assert "clipping" in [term.name for term in levels[1].terms]


def test_clipping_voids_verdicts_on_amplitudes_and_leaves_frequencies_judged() -> None:
    """Verdicts that clipping touches are void (common practice); where a carrier lies it does not change."""
    clean, clipped = (next(one for one in inspected(dbfs).transmissions if one.channel == "72") for dbfs in (-8.0, 2.0))
    for one in (clean, clipped):
        offset = one.reading("carrier offset")
        assert offset is not None
        assert offset.verdict is not None
    hums = [one.reading("residual modulation") for one in (clean, clipped)]
    assert [hum.verdict is None for hum in hums if hum is not None] == [False, True]
    assert any("not judged" in remark for remark in clipped.remarks)
    assert not any("not judged" in remark for remark in clean.remarks)


def test_products_of_a_clipped_converter_are_no_fault_of_the_set() -> None:
    """Two clean tones, clipped by the eight bits: third products 20 dB down come from the dongle, limit −25 dB."""
    rate = 48_000.0
    times = np.arange(int(4.5 * rate)) / rate
    tones = np.exp(2j * np.pi * (1100 - 8000) * times) + np.exp(2j * np.pi * (1700 - 8000) * times)
    noise = np.random.default_rng(4).normal(0, 0.003, (times.size, 2)).view(np.complex128)[:, 0]
    iq = 0.9 * tones * ((times > 3.3) & (times < 4.3)) + noise
    settings = Settings(frames_per_s=0, tone_source="electrical")
    found = collect(run(Synthetic(iq, rate, 2_190_000.0, "cu8"), settings))
    (one,) = (one for one in found.transmissions if one.channel == "2182")
    product = one.reading("two-tone product, third")
    assert product is not None
    assert product.value > -25
    assert product.verdict is None
    assert not any("output stage" in remark for remark in one.remarks)


def test_a_clipped_call_on_mf_says_so() -> None:
    rate = 12_000.0
    order = CallOrder(type=CallType.TEST_CALL, self_id=OWN, to="002119990")
    call = keyed_bits(call_bits(order.information()), rate, one_is="Y")
    iq = np.random.default_rng(3).normal(0, 0.003, (int(12 * rate), 2)).view(np.complex128)[:, 0]
    start = int(2 * rate)
    times = np.arange(call.size) / rate
    iq[start : start + call.size] += 1.3 * call * np.exp(2j * np.pi * 500 * times)
    found = collect(run(Synthetic(iq, rate, 2_187_000.0, "cu8"), Settings(frames_per_s=0)))
    (one,) = (one for one in found.transmissions if one.calls)
    assert sum("overloaded" in remark for remark in one.remarks) == 1
