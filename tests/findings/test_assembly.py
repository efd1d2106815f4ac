"""One excerpt becomes one transmission: readings, limits, level at the set, long ones joined. All synthetic."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import msgspec
import numpy as np
import pytest

from sdrcheck.channels import plan
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.findings.assembly import QUANTITIES, Circumstances, Judging, assemble, joined
from sdrcheck.findings.inspection import Kind
from sdrcheck.limits.limit import Declared
from sdrcheck.quantities import Measured
from sdrcheck.receiver.level import LevelReference
from sdrcheck.receiver.reference import DRIFT, FrequencyReference

RATE = 48_000.0
(CHANNEL_72,) = (channel for channel in plan.PLAN if channel.name == "72")
EXACT = Judging(reference=FrequencyReference(0.0, 0.001, "exact, for a test"))


def excerpt(seconds: float = 0.8, deviation_hz: float = 3000.0, offset_hz: float = 200.0) -> Excerpt:
    random = np.random.default_rng(2)
    quiet, keyed = int(0.1 * RATE), int(seconds * RATE)
    density = 1e-11
    iq = random.standard_normal((keyed + 2 * quiet, 2)).view(complex)[:, 0] * np.sqrt(density * RATE / 2)
    time = np.arange(keyed) / RATE
    phase = 2 * np.pi * offset_hz * time + deviation_hz / 1000 * np.sin(2 * np.pi * 1000 * time)
    iq[quiet : quiet + keyed] += 0.1 * np.exp(1j * phase)
    return Excerpt(
        iq=iq.astype(np.complex64),
        sample_rate_hz=RATE,
        centre_hz=float(CHANNEL_72.frequency_hz),
        start_s=2.0,
        key_on=quiet,
        key_off=quiet + keyed,
        noise_density=density,
        channel=CHANNEL_72,
    )


def test_readings_come_in_the_order_people_want_and_with_their_limits():
    found = assemble(excerpt(), EXACT, Circumstances(start_utc="2026-03-02T08:00:00Z"))
    names = [reading.quantity for reading in found.readings]
    assert names == sorted(names, key=QUANTITIES.index)
    assert (found.kind, found.start_s, found.start_utc) == (Kind.VOICE, 2.1, "2026-03-02T08:00:00Z")
    offset = found.reading("carrier offset")
    assert offset.value == pytest.approx(200, abs=0.1)
    assert (offset.verdict, offset.limit.standing) == ("pass", "survey item")
    relative = found.reading("carrier offset, relative")
    assert relative.value == pytest.approx(offset.value / CHANNEL_72.frequency_hz * 1e6)
    assert relative.uncertainty == pytest.approx(offset.uncertainty / CHANNEL_72.frequency_hz * 1e6)


def test_what_depends_on_the_tone_source_is_judged_only_when_it_is_declared():
    undeclared, electrical = (
        assemble(excerpt(), replace(EXACT, tone_source=source)).reading("sinad") for source in (None, "electrical")
    )
    assert undeclared.verdict is None
    assert electrical.verdict == "pass"
    assert assemble(excerpt(), replace(EXACT, declared=(Declared.SOUND_LEVEL,))).reading("sinad").verdict is None


def test_a_reference_is_as_good_as_it_was_when_the_set_was_keyed():
    """A plain crystal drifts by 2 ppm in a session and 5 ppm in a day (common practice); limits are rectangular."""
    taken = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    reference = FrequencyReference.of_terms(3.0, (), "counter", method="counter", taken_utc=taken, oscillator="crystal")
    judging = Judging(reference=reference)
    for start_utc, drift_ppm in (("2026-03-02T08:10:00Z", 2.0), ("2026-03-03T08:00:00Z", 5.0)):
        offset = assemble(excerpt(), judging, Circumstances(start_utc=start_utc)).reading("carrier offset, relative")
        (drift,) = (term.standard for term in offset.terms if term.name == DRIFT)
        assert drift == pytest.approx(drift_ppm / 3**0.5, rel=0.01)


def sideband(rest_of_carrier: float, clipped_fraction: float = 0.0) -> Excerpt:
    """A second of 1 kHz on 12290 kHz, exactly on frequency for a receiver that is exact."""
    rate = 12_000.0
    (channel,) = (one for one in plan.PLAN if one.name == "12290")
    quiet, keyed = int(0.1 * rate), int(rate)
    density = 1e-10
    iq = np.random.default_rng(3).standard_normal((keyed + 2 * quiet, 2)).view(complex)[:, 0]
    iq *= np.sqrt(density * rate / 2)
    times = np.arange(keyed) / rate
    iq[quiet : quiet + keyed] += 0.3 * np.exp(2j * np.pi * 1000 * times) + rest_of_carrier
    return Excerpt(
        iq=iq.astype(np.complex64),
        sample_rate_hz=rate,
        centre_hz=float(channel.frequency_hz),
        start_s=0.0,
        key_on=quiet,
        key_off=quiet + keyed,
        noise_density=density,
        channel=channel,
        clipped_fraction=clipped_fraction,
    )


@pytest.mark.parametrize("correction_ppm", [0.0, 0.5, -0.5])
def test_a_line_less_the_dial_carries_the_frequency_reference(correction_ppm):
    """True = indicated/(1 + δ): 0.5 ppm of 12.291 MHz is 6.15 Hz, and ±0.5 ppm leaves as much open."""
    judging = Judging(reference=FrequencyReference(correction_ppm, 0.5, "stated"), tones_hz=(1000.0,))
    found = assemble(sideband(0.0), judging)
    for name, exact in (("modulating tone", 1000.0), ("carrier offset", 0.0)):
        reading = found.reading(name)
        assert reading.value == pytest.approx(exact - correction_ppm * 12.291, abs=0.01)
        assert reading.uncertainty == pytest.approx(0.5 * 12.291, rel=0.01)


def test_a_line_less_the_rest_of_the_carrier_needs_no_reference():
    found = assemble(sideband(0.01), Judging(reference=FrequencyReference(0.5, 0.5, "stated")))
    tone = found.reading("modulating tone")
    assert tone.value == pytest.approx(1000 / (1 + 0.5e-6), abs=0.01)
    assert tone.uncertainty < 0.02


def test_clipping_voids_the_verdict_on_suppression_and_its_remark():
    clean, clipped = (assemble(sideband(0.02, part), EXACT) for part in (0.0, 0.01))
    assert clean.reading("carrier suppression").verdict == "fail"
    assert clipped.reading("carrier suppression").verdict is None
    assert [any("balanced modulator" in one for one in found.remarks) for found in (clean, clipped)] == [True, False]


def test_level_at_the_set_needs_the_gain_it_was_tied_to():
    tied = LevelReference.from_meter(
        25.0,
        Measured(-20.0, "dBFS"),
        meter_percent=5,
        gain_db=7.7,
        frequency_hz=156.8e6,
        taken_utc=datetime(2026, 3, 2, tzinfo=UTC),
    )
    judging = replace(EXACT, level_reference=tied)
    at_gain = assemble(excerpt(), judging, Circumstances(gain_db=7.7)).reading("level at the set")
    assert at_gain.value == pytest.approx(10 * np.log10(25_000), abs=0.05)
    assert at_gain.unit == "dBm"
    for gain_db, words in ((20.7, "at gain 7.7"), (None, "at which gain")):
        other = assemble(excerpt(), judging, Circumstances(gain_db=gain_db))
        assert other.reading("level at the set") is None
        assert any(words in remark for remark in other.remarks)


def test_something_wider_than_telephony_is_data():
    found = assemble(excerpt(0.3), EXACT, Circumstances(occupied_hz=60_000.0))
    assert (found.kind, found.emission, found.condition) == (Kind.DATA_BURST, "unknown", "unknown")
    assert {reading.quantity for reading in found.readings} <= {"level", "noise floor", "occupied bandwidth"}
    assert any("60 kHz wide" in remark for remark in found.remarks)


def test_pieces_of_a_long_one_are_joined_and_what_moved_is_told():
    pieces = [
        assemble(
            replace(excerpt(offset_hz=offset_hz), start_s=start_s, cut_at_start=start_s > 0, cut_at_end=start_s == 0),
            EXACT,
        )
        for start_s, offset_hz in ((0.0, 200.0), (0.8, 260.0))
    ]
    whole = joined(pieces)
    assert whole.start_s == pieces[0].start_s
    assert whole.duration_s == pytest.approx(1.6)
    assert whole.readings == pieces[0].readings
    assert any("carrier offset moved between +200 and +260 Hz" in remark for remark in whole.remarks)
    assert not any("is missing" in remark for remark in whole.remarks)
    assert msgspec.json.decode(msgspec.json.encode(whole), type=type(whole)) == whole
