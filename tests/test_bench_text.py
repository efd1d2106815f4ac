"""Whole text slots through the engine: long ones, weak ones, cut ones, as radio and as sound. All are synthetic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.compositions.text import TextMessage, bits_on_air, slots_on_air
from sdrcheck.findings.inspection import Inspection, Kind
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.recordings.utc import utc_moment
from sdrcheck.sources.synthetic import Synthetic
from tests.conftest import REPOSITORY
from tests.filters.scene import Scene

QUIET = Settings(reference=FrequencyReference(0.0, 0.001, "exact, for a test"), frames_per_s=0.0)
SHORT = TextMessage("Q", "B", "12", "INVENTED GALE WARNING")
LONG = TextMessage("Q", "A", "07", "\n".join(f"INVENTED LINE {n}: BUOY UNLIT, 54-10.5N 012-05.2E." for n in range(6)))
LEVEL_DBFS = -10.0


def bits_of(*messages: TextMessage) -> list[int]:
    return bits_on_air(slots_on_air([message.characters() for message in messages]))


def slot(bits: list[int], centre_hz: float, snr_db: float, at_s: float = 1.5, offset_hz: float = 3.0) -> Scene:
    """One keying at 4 kS/s; `snr_db` in 300 Hz."""
    noise_dbfs = LEVEL_DBFS - snr_db + 10 * np.log10(16_000 / 300)
    scene = Scene(4_000.0, centre_hz, at_s + len(bits) / 100 + 3.0, noise_dbfs=noise_dbfs)
    return scene.put(keyed_bits(bits, scene.rate, one_is="B"), 518_000 + offset_hz, at_s, LEVEL_DBFS, ramp_s=0)


def inspected(scene: Scene, datatype: str = "cf32_le") -> Inspection:
    return collect(run(Synthetic(scene.iq, scene.rate, scene.centre_hz, datatype), QUIET))


def test_a_slot_longer_than_a_minute_is_measured_like_a_short_one():
    bits = bits_of(LONG, SHORT)
    assert len(bits) > 6_500
    (one,) = inspected(slot(bits, 518_300, 30)).transmissions
    assert (one.kind, one.emission, one.condition) == (Kind.NAVTEX, "F1B", "message")
    assert [message.number for message in one.messages] == ["07", "12"]
    assert one.duration_s == pytest.approx(len(bits) / 100, abs=0.03)
    assert one.reading("carrier offset").value == pytest.approx(3.0, abs=0.02)
    assert one.reading("shift").value == pytest.approx(170.0, abs=0.1)
    assert one.reading("modulation rate error").value == pytest.approx(0.0, abs=1.0)


def test_what_every_minute_of_a_long_slot_shows_is_said_once():
    bits = bits_of(LONG, SHORT)
    scene = Scene(4_000.0, 518_300, len(bits) / 100 + 4.0, noise_dbfs=-22)
    scene.put(keyed_bits(bits, scene.rate, one_is="B", rate_bd=100.006), 518_003, 1.5, LEVEL_DBFS, ramp_s=0)
    (one,) = inspected(scene).transmissions
    assert sum("modulation rate is off" in remark for remark in one.remarks) == 1


@pytest.mark.parametrize("snr_db", [6, 9, 12, 20, 30])
def test_nothing_stands_beside_a_slot_however_weak(snr_db):
    (one,) = inspected(slot(bits_of(SHORT), 518_300, snr_db)).transmissions
    assert (one.channel, one.kind, len(one.messages)) == ("518", Kind.NAVTEX, 1)


def test_nothing_stands_beside_a_slot_that_began_before_the_recording():
    scene = slot(bits_of(SHORT)[400:], 518_300, 30, at_s=0.0)
    (one,) = inspected(scene).transmissions
    assert (one.channel, one.kind, len(one.messages)) == ("518", Kind.NAVTEX, 1)


def test_the_weak_and_fading_slot_of_the_examples_is_two_keyings_and_nothing_else():
    from sdrcheck.sources.recording import RecordingSource

    found = collect(run(RecordingSource(REPOSITORY / "captures" / "text-slot-hole.sigmf-meta"), QUIET)).transmissions
    assert [(one.channel, one.kind) for one in found] == [("518", Kind.NAVTEX)] * 2


def test_a_long_slot_as_sound_at_an_unknown_dial_is_read_whole_and_measured():
    bits = bits_of(LONG, SHORT)
    rate, tone_hz = 8_000.0, 1_703.0
    scene = Scene(rate, 0.0, len(bits) / 100 + 5.0, noise_dbfs=-40)
    scene.put(keyed_bits(bits, rate, one_is="B"), tone_hz, 1.5, LEVEL_DBFS, ramp_s=0)
    inspection = inspected(scene, "rf32_le")
    (one,) = inspection.transmissions
    assert (one.kind, one.emission) == (Kind.NAVTEX, "F1B")
    assert [(message.number, message.complete) for message in one.messages] == [("07", True), ("12", True)]
    assert one.frequency_hz == pytest.approx(tone_hz, abs=0.1)
    assert one.reading("shift").value == pytest.approx(170.0, abs=0.1)
    assert one.reading("modulation rate error").value == pytest.approx(0.0, abs=1.0)
    assert not any("No maritime channel" in remark for remark in inspection.remarks)


def test_sound_that_begins_inside_the_phasing_is_no_receiver_line():
    bits = bits_of(SHORT)[300:]
    rate = 8_000.0
    scene = Scene(rate, 0.0, len(bits) / 100 + 3.0, noise_dbfs=-50)
    scene.put(keyed_bits(bits, rate, one_is="B"), 1_700.0, 0.0, LEVEL_DBFS, ramp_s=0)
    inspection = inspected(scene, "rf32_le")
    (one,) = inspection.transmissions
    assert [message.number for message in one.messages] == ["12"]
    assert not any("Steady narrow lines" in remark for remark in inspection.remarks)


def test_a_message_has_the_time_of_its_own_stretch():
    """The first two seconds are dated an hour before; the dongle's clock is 100 ppm fast."""

    class Dated(Synthetic):
        def blocks(self):
            for block in super().blocks():
                hour = {0: "2026-03-10T08:00:00Z", 8_000: "2026-03-10T09:00:00Z"}.get(block.first_sample)
                yield replace(block, start_utc=hour)

    scene = slot(bits_of(SHORT), 518_300, 30, at_s=12.0)
    fast = Settings(reference=FrequencyReference(100.0, 0.1, "a fast clock, for a test"), frames_per_s=0.0)
    source = Dated(scene.iq, scene.rate, scene.centre_hz, "cf32_le", block_samples=8_000)
    (one,) = collect(run(source, fast)).transmissions
    (message,) = one.messages
    seconds = (message.start_s - 2.0) * (1 + 100e-6)
    assert message.start_utc is not None
    found = utc_moment(message.start_utc) - utc_moment("2026-03-10T09:00:00Z")
    assert found.total_seconds() == pytest.approx(seconds, abs=1e-4)
