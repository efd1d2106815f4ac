"""The engine from blocks to findings. Scenes are synthetic; the real recordings prove that nothing is found in them."""

from __future__ import annotations

import itertools
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace

import msgspec
import numpy as np
import pytest

from sdrcheck.bench import (
    CharactersArrived,
    Event,
    Finished,
    Settings,
    SourceFault,
    SpectrumFrame,
    TransmissionEnded,
    TransmissionStarted,
    collect,
    run,
)
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.compositions.text import TextMessage, bits_on_air, slots_on_air
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.errors import RecordingError, SourceLost
from sdrcheck.findings.inspection import Inspection, Kind
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqBlock
from sdrcheck.sources.synthetic import Synthetic
from tests.conftest import REAL_RECORDINGS, REPOSITORY
from tests.filters.scene import CHANNELS_HZ, Scene, gmsk

EXACT = FrequencyReference(0.0, 0.001, "exact, for a test")
RATE, CENTRE_HZ = 240_000.0, 156_500_000.0
QUIET = Settings(reference=EXACT, frames_per_s=0.0)
MMSI, COAST = "211999990", "002119990"  # invented


def vhf_bits(calls: int = 1) -> list[int]:
    order = CallOrder(type=CallType("test call"), self_id=MMSI, to=COAST)
    return call_bits(order.information()) * calls


def call_wave(rate: float = RATE, calls: int = 1):
    return vhf_call(vhf_bits(calls), rate)


def source(scene: Scene, datatype: str = "cf32_le", block: int = 16_384) -> Synthetic:
    return Synthetic(scene.iq, scene.rate, scene.centre_hz, datatype, block_samples=block)


def inspected(scene: Scene, settings: Settings = QUIET, datatype: str = "cf32_le") -> Inspection:
    inspection = collect(run(source(scene, datatype), settings))
    assert Inspection.from_json(inspection.to_json()) == inspection, "the result survives JSON"
    return inspection


class Broken(Synthetic):
    """A source that does something to its blocks on the way."""

    def __init__(self, scene: Scene, change) -> None:
        super().__init__(scene.iq, scene.rate, scene.centre_hz, "cf32_le", block_samples=12_000)
        self._change = change

    def blocks(self) -> Iterator[IqBlock]:
        for number, block in enumerate(super().blocks()):
            yield from self._change(number, block)


# -- what is told -----------------------------------------------------------------------------------------------------


def test_two_channels_at_once_from_a_recording():
    inspection = collect(run(RecordingSource(REPOSITORY / "captures" / "two-channels.sigmf-meta"), QUIET))
    voice, call = inspection.transmissions
    assert (voice.channel, voice.kind, voice.emission, voice.condition) == ("72", Kind.VOICE, "G3E", "one tone")
    assert (call.channel, call.kind, call.emission) == ("70", Kind.DSC_CALL, "G2B")
    assert [c.error_check for c in call.calls] == ["ok"]
    assert inspection.recording.hash_matches is True
    assert voice.start_utc is not None


def test_five_calls_in_one_keying_are_one_transmission():
    scene = Scene(RATE, CENTRE_HZ, 4.0).put(call_wave(calls=5), CHANNELS_HZ["70"] + 500, 0.6, -20)
    (one,) = inspected(scene, datatype="cu8").transmissions
    assert [call.self_id for call in one.calls] == [MMSI] * 5
    assert one.reading("carrier offset").value == pytest.approx(500, abs=1)
    assert all(call.gap_before_bits == pytest.approx(0, abs=0.1) for call in one.calls[1:])


def test_two_calls_fifty_milliseconds_apart_are_two():
    wave = call_wave()
    scene = Scene(RATE, CENTRE_HZ, 2.5)
    scene.put(wave, CHANNELS_HZ["70"], 0.5, -20).put(wave, CHANNELS_HZ["70"], 0.55 + wave.size / RATE, -20)
    first, second = inspected(scene).transmissions
    assert len(first.calls) == len(second.calls) == 1
    assert second.start_s - (first.start_s + first.duration_s) == pytest.approx(0.05, abs=0.003)


def test_a_call_9_db_under_the_noise_is_read_and_noise_like_it_is_not():
    """38 dB-Hz in noise of −40 dBFS in 16 kHz: no block shows it."""
    scene = Scene(RATE, CENTRE_HZ, 3.0, noise_dbfs=-40)
    density_db = -40 - 10 * np.log10(16e3)
    scene.put(call_wave(), CHANNELS_HZ["70"] - 700, 1.2, density_db + 38)
    (one,) = inspected(scene).transmissions
    assert [(call.self_id, call.address, call.error_check) for call in one.calls] == [(MMSI, COAST, "ok")]
    assert one.start_s == pytest.approx(1.2, abs=0.02)
    assert one.duration_s == pytest.approx(call_wave().size / RATE, abs=0.04)
    tone_like = Scene(RATE, CENTRE_HZ, 3.0, noise_dbfs=-40)
    tone_like.voice(CHANNELS_HZ["70"], 1.2, 1.7, density_db + 38)
    assert inspected(tone_like).transmissions == ()


def test_identification_bursts_are_data_and_carriers_are_carriers():
    scene = Scene(1_024_000.0, 161_900_000.0, 1.8)
    scene.put(gmsk(int(scene.rate * 256 / 9600), scene.rate, 1), 161_975_000, 0.5, -20)
    scene.tone(161_850_000, 0.6, 1.3, -25, deviation_hz=0.0)
    burst, carrier = inspected(scene).transmissions
    assert (burst.channel, burst.kind, burst.calls) == ("AIS 1", Kind.DATA_BURST, ())
    assert burst.reading("peak deviation, up") is None
    assert (carrier.kind, carrier.emission, carrier.condition) == (Kind.CARRIER, "N0N", "unmodulated")


def test_off_the_plan_is_measured_with_its_raster():
    scene = Scene(RATE, 150_000_000.0, 2.0).tone(150_030_120, 0.4, 1.6, -20)
    inspection = inspected(scene)
    (one,) = inspection.transmissions
    assert one.channel is None
    assert one.frequency_hz == pytest.approx(150_030_120, abs=2)
    assert one.reading("carrier offset") is None
    assert any("off the channel plan" in remark and "150.030 MHz" in remark for remark in one.remarks)
    assert any("No maritime channel" in remark for remark in inspection.remarks)


def test_the_reference_is_applied_once_to_radio_and_clock():
    """A dongle 20 ppm high indicates everything 20 ppm high; with δ known the set's own 3 ppm and 1 kHz remain."""
    high = 1 + 20e-6
    indicated = CHANNELS_HZ["72"] * (1 + 3e-6) * high
    scene = Scene(RATE, 156_600_000.0, 2.0)
    wave = np.exp(3j * np.sin(2 * np.pi * 1000.0 * high * np.arange(int(1.2 * RATE)) / RATE))
    (one,) = inspected(
        scene.put(wave, indicated, 0.4, -20), replace(QUIET, reference=FrequencyReference(20.0, 0.2, "x"))
    ).transmissions
    assert one.channel == "72"
    assert one.reading("carrier offset, relative").value == pytest.approx(3.0, abs=0.02)
    assert one.reading("carrier offset, relative").uncertainty == pytest.approx(0.2, abs=0.01)
    assert one.reading("modulating tone").value == pytest.approx(1000.0, abs=0.005)
    (uncorrected,) = inspected(scene, replace(QUIET, reference=None)).transmissions
    assert uncorrected.reading("carrier offset, relative").value == pytest.approx(23.0, abs=0.02)
    assert uncorrected.reading("carrier offset, relative").verdict == "fail, not proven"


def test_a_long_keying_is_one_transmission_with_its_whole_length():
    scene = Scene(50_000.0, CHANNELS_HZ["72"], 40.0)
    wave = np.exp(2j * np.pi * 100 / scene.rate * np.arange(int(36 * scene.rate)))
    events = list(run(source(scene.put(wave, CHANNELS_HZ["72"], 2.0, -20)), QUIET))
    (one,) = collect(events).transmissions
    assert (one.start_s, one.duration_s) == (pytest.approx(2.0, abs=0.003), pytest.approx(36.0, abs=0.005))
    assert any("Measured in its first 30 s of 36 s" in remark for remark in one.remarks)
    assert not any("is missing" in remark for remark in one.remarks)
    (excerpt,) = [event.excerpt for event in events if isinstance(event, TransmissionEnded)]
    assert excerpt.duration_s <= 60


# -- MF, HF and sound -------------------------------------------------------------------------------------------------

TEXT = TextMessage("Q", "B", "12", "INVENTED GALE WARNING")
TEXT_BITS = bits_on_air(slots_on_air([TEXT.characters()]))


def mf_scene(rate: float, centre_hz: float, seconds: float) -> Scene:
    return Scene(rate, centre_hz, seconds, noise_dbfs=-90 + 10 * np.log10(16e3))


def mf_bits() -> list[int]:
    order = CallOrder(type=CallType("test call"), self_id=MMSI, to=COAST, band="mf")
    return call_bits(order.information(), dots=200)


def test_text_arrives_while_it_is_sent_and_is_one_transmission():
    scene = mf_scene(12_001.0, 516_000.0, 26.0)
    scene.put(keyed_bits(TEXT_BITS, scene.rate, one_is="B"), 518_000, 3.0, -30, ramp_s=0)
    events = list(run(source(scene), QUIET))
    kinds = [type(event) for event in events]
    assert kinds.index(TransmissionStarted) < kinds.index(CharactersArrived) < kinds.index(TransmissionEnded)
    text = "".join(event.text for event in events if isinstance(event, CharactersArrived))
    assert "INVENTED GALE" in text
    (one,) = collect(events).transmissions
    assert (one.channel, one.kind, one.emission, one.condition) == ("518", Kind.NAVTEX, "F1B", "message")
    (message,) = one.messages
    assert (message.station, message.number, message.complete) == ("Q", "12", True)
    assert one.duration_s == pytest.approx(len(TEXT_BITS) / 100, abs=0.02)


def test_a_call_and_telephony_in_one_mf_span():
    scene = mf_scene(12_000.0, 2_185_000.0, 13.0)
    scene.put(keyed_bits(mf_bits(), scene.rate, one_is="Y"), 2_187_505, 2.0, -30, ramp_s=0)
    time = np.arange(int(4 * scene.rate)) / scene.rate
    tones = 0.5 * (np.exp(2200j * np.pi * time) + np.exp(3400j * np.pi * time))  # 1100 and 1700 Hz
    scene.put(tones, 2_182_010, 3.0, -20, ramp_s=0.01)
    call, voice = inspected(scene, replace(QUIET, tones_hz=(1100.0, 1700.0))).transmissions
    assert (call.channel, call.kind, [c.self_id for c in call.calls]) == ("2187.5", Kind.DSC_CALL, [MMSI])
    assert call.reading("carrier offset").value == pytest.approx(5.0, abs=0.2)
    assert (voice.channel, voice.emission, voice.condition) == ("2182", "J3E", "two tones")
    assert voice.reading("carrier offset").value == pytest.approx(10.0, abs=0.2)


@pytest.mark.parametrize(("dial_hz", "tone_hz", "channel"), [(2_185_800, 1_700, "2187.5"), (0, 850, None)])
def test_receiver_sound_is_read_at_any_centre_tone(dial_hz, tone_hz, channel):
    scene = mf_scene(8_000.0, 0.0, 11.5)
    scene.put(keyed_bits(mf_bits(), scene.rate, one_is="Y"), tone_hz, 1.5, -30, ramp_s=0)
    sound = Synthetic(scene.iq, scene.rate, dial_hz, "rf32_le")
    (one,) = collect(run(sound, QUIET)).transmissions
    assert (one.channel, one.kind, [call.self_id for call in one.calls]) == (channel, Kind.DSC_CALL, [MMSI])
    assert one.frequency_hz == pytest.approx(dial_hz + tone_hz, abs=0.5)


# -- what goes wrong --------------------------------------------------------------------------------------------------


def keyed_scene() -> Scene:
    return Scene(RATE, CENTRE_HZ, 3.0).tone(CHANNELS_HZ["11"], 0.5, 2.2, -20)


def test_a_lost_source_is_an_event_and_the_findings_stay_whole():
    def lose(number: int, block: IqBlock) -> Iterator[IqBlock]:
        if number == 30:
            raise SourceLost("the dongle stopped answering; plug it in again")
        yield block

    events = list(run(Broken(keyed_scene(), lose), QUIET))
    (fault,) = [event for event in events if isinstance(event, SourceFault)]
    assert fault.stopped
    assert "plug it in again" in fault.sentence
    assert isinstance(events[-1], Finished)
    (one,) = collect(events).transmissions
    assert one.duration_s == pytest.approx(1.0, abs=0.003)
    assert any("end is missing" in remark for remark in one.remarks)


def test_a_recording_that_breaks_off_is_told_the_same_way():
    def fail(number: int, block: IqBlock) -> Iterator[IqBlock]:
        if number == 3:
            raise RecordingError("it became shorter")
        yield block

    events = list(run(Broken(keyed_scene(), fail), QUIET))
    assert [event.stopped for event in events if isinstance(event, SourceFault)] == [True]


def test_lost_samples_keep_the_time_and_are_counted():
    def skip(number: int, block: IqBlock) -> Iterator[IqBlock]:
        if number == 20:  # from 1.0 to 1.05 s
            return
        lost = block.count if number == 21 else 0
        yield replace(block, lost_before=lost)

    events = list(run(Broken(keyed_scene(), skip), QUIET))
    (fault,) = [event for event in events if isinstance(event, SourceFault)]
    assert (fault.lost_samples, fault.stopped, fault.time_s) == (12_000, False, pytest.approx(1.0))
    inspection = collect(events)
    assert inspection.recording.lost_samples == 12_000
    assert inspection.recording.duration_s == pytest.approx(3.0)
    (one,) = inspection.transmissions
    assert (one.start_s, one.duration_s) == (pytest.approx(0.5, abs=0.003), pytest.approx(1.7, abs=0.005))
    assert any("missing" in remark for remark in one.remarks)


@pytest.mark.parametrize("dbhz", [70, 40])
def test_a_loss_somewhere_before_its_block_leaves_nothing_judged(dbhz):
    """Of a plain call and of one that only its bits gave away."""

    def late(number: int, block: IqBlock) -> Iterator[IqBlock]:
        yield replace(block, lost_before=240, lost_within=int(RATE)) if number == 32 else block  # found at 1.6 s

    scene = Scene(RATE, CENTRE_HZ, 3.0, noise_dbfs=-40)
    scene.put(call_wave(), CHANNELS_HZ["70"], 1.2, -40 - 10 * np.log10(16e3) + dbhz)
    (one,) = collect(run(Broken(scene, late), QUIET)).transmissions
    assert one.calls
    assert [reading.quantity for reading in one.readings if reading.verdict is not None] == []
    assert any("perhaps in the middle of this" in remark for remark in one.remarks)


def test_a_long_loss_ends_what_was_on_the_air():
    def gap(number: int, block: IqBlock) -> Iterator[IqBlock]:
        ten_s = int(10 * RATE)
        late = ten_s if number >= 20 else 0
        yield replace(block, first_sample=block.first_sample + late, lost_before=ten_s if number == 20 else 0)

    first, second = collect(run(Broken(keyed_scene(), gap), QUIET)).transmissions
    assert first.duration_s == pytest.approx(0.5, abs=0.003)
    assert second.start_s == pytest.approx(11.0, abs=0.003)
    assert second.duration_s == pytest.approx(1.2, abs=0.003)


def test_the_centre_may_change_on_the_way():
    def retune(number: int, block: IqBlock) -> Iterator[IqBlock]:
        yield replace(block, frequency_hz=156_700_000.0 if number == 20 else None)

    first, second = collect(run(Broken(keyed_scene(), retune), QUIET)).transmissions
    assert (first.channel, second.frequency_hz) == ("11", 156_750_000.0)


def test_what_is_no_number_is_zero_and_counted():
    def spoil(number: int, block: IqBlock) -> Iterator[IqBlock]:
        raw = block.raw.copy()
        if number == 1:
            raw[1000:1020] = np.nan
            raw[2000] = np.inf
        yield replace(block, raw=raw)

    inspection = collect(run(Broken(keyed_scene(), spoil), QUIET))
    assert len(inspection.transmissions) == 1
    assert any(remark.startswith("11 samples were no numbers") for remark in inspection.recording.remarks)


def test_clipping_is_told_of_the_transmission_that_clipped():
    scene = Scene(RATE, CENTRE_HZ, 2.4).tone(CHANNELS_HZ["11"], 0.4, 0.9, 3).tone(CHANNELS_HZ["71"], 1.4, 1.9, -20)
    loud, soft = inspected(scene, datatype="cu8").transmissions
    assert any("overloaded" in remark for remark in loud.remarks)
    assert not any("overloaded" in remark for remark in soft.remarks)


# -- frames and memory ------------------------------------------------------------------------------------------------


def test_frames_tile_the_time_and_carry_the_power():
    scene = keyed_scene()
    frames = [
        e for e in run(source(scene), replace(QUIET, frames_per_s=8.0, frame_bins=512)) if isinstance(e, SpectrumFrame)
    ]
    assert all(frame.power_dbfs.size <= 512 for frame in frames)
    for before, after in itertools.pairwise(frames):
        assert after.start_s == pytest.approx(before.start_s + before.duration_s)
        assert before.duration_s == pytest.approx(1 / 8, abs=0.03)
    keyed = next(frame for frame in frames if 1.0 < frame.start_s < 1.5)
    strongest = keyed.low_hz + keyed.step_hz * int(np.argmax(keyed.power_dbfs))
    assert strongest == pytest.approx(CHANNELS_HZ["11"], abs=3_500)
    assert 10 * np.log10(np.sum(10 ** (keyed.power_dbfs.astype(float) / 10))) == pytest.approx(-20, abs=0.2)
    assert not any(isinstance(e, SpectrumFrame) for e in run(source(scene), QUIET))


def test_memory_does_not_grow_with_time():
    noise = Scene(480_000.0, CENTRE_HZ, 1.0)

    def peak(seconds: int) -> int:
        endless = Synthetic(noise.iq, noise.rate, noise.centre_hz, "cu8", repeats=seconds)
        tracemalloc.start()
        collect(run(endless, QUIET))
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    peak(2)  # what is loaded once
    assert peak(16) < peak(4) + 2_000_000


# -- real recordings --------------------------------------------------------------------------------------------------

CLAIMED = {  # file -> rate and centre to claim where it does not say them
    "rtlsdr_1090M_2000k_transponder-pulses-strong.cu8": (2_000_000, 1_090_000_000),
    "rtlsdr_144.470M_280k_nfm-voice-keyed-strong.cu8": (280_000, 156_495_000),
    "rtlsdr_433.92M_250k_ask-bursts-agc-step-clipped.cu8": (250_000, 156_525_000),
    "rtlsdr_433.92M_250k_ook-overload-near-centre.cu8": (250_000, 156_525_000),
    "rtlsdr_868.625M_2400k_fsk-43ms.cu8": (2_400_000, 156_800_000),
    "rtlsdr_868.950M_1600k_fsk-two-bursts-one-clipped.cu8": (1_600_000, 156_800_000),
    "sdr_unknown_1000k_fsk-long-dot-pattern-startup-transient.cs16": (1_000_000, 156_525_000),
    "sdr_unknown_1000k_fsk-strong-and-weak-decaying-line.cs16": (1_000_000, 156_525_000),
    "sdr_unknown_1000k_fsk-two-stations-exact-zero-runs.cs8": (1_000_000, 156_525_000),
    "sdr_unknown_2048k_noise-only-low-level.cu8": (2_048_000, 156_800_000),
    "sdr_unknown_48k_4fsk-100bd-faint-dc-spike.cs16": (48_000, 2_181_500),
    "netrx_77.5k_12001_time-signal-clean.wav": (None, 2_187_500),
    "netrx_77.5k_12001_time-signal-burst-noise_original-chunks.wav": (None, 518_000),
    "netrx_77.5k_12001_time-signal-static-narrow-filter.wav": (None, 2_187_500),
    "netrx_100k_11999_loran-pulses-strong.wav": (None, 518_000),
    "netrx_100k_11999_loran-pulses_original-chunks.wav": (None, 2_187_500),
    "hf-usb-audio_12k_8fsk-agc-attack-harmonics.wav": (None, 2_185_800),
    "hf-usb-audio_12k_8fsk-crowded-band.wav": (None, 2_185_800),
    "hf-usb-audio_12k_8fsk-weak-in-noise.wav": (None, 516_300),
    "hf-usb-audio_6.4k_8fsk-and-carrier.wav": (None, 2_185_800),
    "ssb-audio_48k_bpsk1200-burst-drift.wav": (None, 2_182_000),
    "ssb-audio_48k_fsk-300bd-900hz-fading.wav": (None, 516_300),
    "fm-audio_48k_afsk1200-keyed-out-of-noise.wav": (None, 0),
    "airband-am_12.5k_msk-data-burst_one-channel.wav": (None, 2_182_000),
}
here = pytest.mark.skipif(not REAL_RECORDINGS.is_dir(), reason="the real recordings are not here")


@here
@pytest.mark.parametrize("name", CLAIMED)
def test_real_recordings_hold_no_call_and_no_message(name):
    rate, centre = CLAIMED[name]
    inspection = collect(run(RecordingSource(REAL_RECORDINGS / name, rate, centre), replace(QUIET, reference=None)))
    assert sum(len(one.calls) for one in inspection.transmissions) == 0
    assert sum(len(one.messages) for one in inspection.transmissions) == 0
    assert msgspec.json.decode(inspection.to_json())["schema"] == "sdrcheck.inspection/1"
    if "noise-only" in name or "loran" in name:
        assert inspection.transmissions == ()


@here
def test_the_real_voice_is_one_transmission_where_and_when_it_was():
    """Keyed from 0.925 to 4.521 s at +30 268 Hz, rising within 19 ms, by the notes that come with the recording."""
    name = "rtlsdr_144.470M_280k_nfm-voice-keyed-strong.cu8"
    (one,) = collect(run(RecordingSource(REAL_RECORDINGS / name, 280_000, 156_770_000), QUIET)).transmissions
    assert (one.channel, one.kind, one.condition) == ("16", Kind.VOICE, "speech")
    assert one.start_s == pytest.approx(0.925, abs=0.005)
    assert one.start_s + one.duration_s == pytest.approx(4.521, abs=0.003)
    assert one.reading("carrier offset").value == pytest.approx(268, abs=6)
    assert one.reading("level").value == pytest.approx(-1.6, abs=0.1)


@here
def test_a_real_carrier_exactly_at_0_hz_survives():
    name = "netrx_77.5k_12001_time-signal-clean.wav"
    (one,) = collect(run(RecordingSource(REAL_RECORDINGS / name, None, 77_500), QUIET)).transmissions
    assert one.frequency_hz == pytest.approx(77_500, abs=0.1)
    assert one.duration_s == pytest.approx(29.5, abs=0.1)


def test_events_are_told_in_an_order_that_can_be_followed():
    events: list[Event] = list(run(source(keyed_scene()), Settings(reference=EXACT)))
    open_numbers: set[int] = set()
    for event in events:
        if isinstance(event, TransmissionStarted):
            assert event.number not in open_numbers
            open_numbers.add(event.number)
        elif isinstance(event, TransmissionEnded):
            open_numbers.remove(event.number)
    assert not open_numbers
    assert isinstance(events[-1], Finished)


@pytest.mark.parametrize("gap_s", [0.1, 0.3])
@pytest.mark.parametrize("live", [False, True], ids=["recorded", "live"])
def test_a_set_keyed_twice_in_a_hurry_shows_both_key_ons(gap_s, live):
    """Nothing swings: both carriers stand at once, and each has its transient frequency, however the samples come."""
    scene = Scene(RATE, CENTRE_HZ, 4.2)
    bare = np.exp(1j * np.zeros(int(0.6 * RATE)))
    for start_s in (2.0, 2.6 + gap_s):
        scene.put(bare, CHANNELS_HZ["11"], start_s, -20)
    keyed = source(scene, block=4_096)
    if live:
        keyed.facts = replace(keyed.facts, sample_count=None)
    swings = [one.reading("transient frequency") for one in collect(run(keyed, QUIET)).transmissions]
    assert [swing is not None and abs(swing.value) < 250 for swing in swings] == [True, True]


def test_noise_alone_is_no_other_station_beside_a_key_on():
    """18 dB over the noise in 16 kHz."""
    scene = Scene(RATE, CENTRE_HZ, 3.4, noise_dbfs=-44)
    scene.put(np.exp(1j * np.zeros(int(0.8 * RATE))), CHANNELS_HZ["11"], 2.0, -26, ramp_s=0.002)
    (one,) = inspected(scene).transmissions
    assert not any("something else was on the air" in remark for remark in one.remarks)


def test_a_recording_without_any_noise_is_inspected():
    """Exact zeros, and a carrier that comes and goes within 2 ms."""
    times = np.arange(int(4 * RATE)) / RATE
    ramp = np.clip(np.minimum((times - 2) / 0.002, (3 - times) / 0.002) + 0.5, 0, 1)
    iq = (0.25 - 0.25 * np.cos(np.pi * ramp)) * np.exp(2j * np.pi * 50_000 * times)
    (one,) = collect(run(Synthetic(iq, RATE, 156_750_000.0, "cf32_le"), QUIET)).transmissions
    assert one.reading("carrier offset").value == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("line_hz", [202.0, 210.0, 218.0])
def test_the_skirt_of_a_low_tone_is_no_carrier(line_hz):
    scene = Scene(48_000.0, 2_182_000.0, 8.0, noise_dbfs=-65)
    wave = np.exp(2j * np.pi * line_hz * np.arange(int(3 * scene.rate)) / scene.rate)
    scene.put(wave, 2_182_000, 4.0, -14, ramp_s=0.01)
    for one in inspected(scene).transmissions:
        offset = one.reading("carrier offset")
        assert offset is None or offset.verdict != "fail"
