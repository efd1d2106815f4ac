"""`sdrcheck compose`: what is written, what is refused, and that the caution cannot be lost."""

from __future__ import annotations

import json
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from sdrcheck.cli.compose_call import TYPES
from sdrcheck.cli.main import main, sdrcheck
from sdrcheck.compositions.call import ROWS
from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings.recording import Recording, open_recording

CALL = ["call", "test-call", "--self-id", "219012345", "--to", "002191234"]
ALERT = ["call", "distress-alert", "--self-id", "219012345"]


def compose(*words: str) -> Result:
    return CliRunner().invoke(sdrcheck, ["compose", *words], prog_name="sdrcheck")


def composed(*words: str) -> Result:
    outcome = compose(*words)
    assert outcome.exit_code == 0, outcome.output
    return outcome


def samples_of(recording: Recording) -> np.ndarray:
    return np.concatenate([complex_samples(raw, recording.datatype) for raw, _ in recording.blocks()])


def test_a_call_becomes_a_synthetic_recording(tmp_path: Path) -> None:
    composed(*CALL, "-o", str(tmp_path / "call"), "--start-utc", "2026-03-02T08:20:00Z")
    recording = open_recording(tmp_path / "call.sigmf-meta")
    samples = samples_of(recording)
    assert recording.facts.synthetic is True
    assert recording.hash_matches is True
    assert recording.datatype == "cu8"
    assert recording.sample_rate_hz == 240_000
    assert recording.start_utc == "2026-03-02T08:20:00Z"
    keyed_s = 640 / 1200 + 2 * 0.00339  # the carrier rises before the first dot and falls behind the last bit
    assert samples.size == pytest.approx((0.4 + keyed_s + 0.4) * 240_000, abs=30)
    note = recording.annotations[0]
    assert (note.label, note.comment) == ("test call", "synthetic")
    assert note.count == pytest.approx(keyed_s * 240_000, abs=5)
    keyed = samples[note.first + 2000 : note.first + 100_000]
    assert 10 * np.log10(np.mean(np.abs(keyed) ** 2)) == pytest.approx(-12.0, abs=0.1)
    offset_hz = 156_525_000 - recording.centre_hz
    turned = keyed * np.exp(-2j * np.pi * offset_hz * np.arange(keyed.size) / 240_000)
    spectrum = np.abs(np.fft.fft(turned)) ** 2
    frequency_hz = np.fft.fftfreq(keyed.size, 1 / 240_000)
    assert spectrum[np.abs(frequency_hz) < 10_000].sum() / spectrum.sum() > 0.99


def test_the_same_order_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        composed(*CALL, "-o", str(tmp_path / name), "--seed", "7")
    composed(*CALL, "-o", str(tmp_path / "c"), "--seed", "8")
    a, b, c = ((tmp_path / name).with_suffix(".sigmf-data").read_bytes() for name in ("a", "b", "c"))
    assert a == b != c


@pytest.mark.parametrize("datatype", ["cu8", "ci8", "ci16_le", "cf32_le"])
def test_every_datatype(tmp_path: Path, datatype: str) -> None:
    composed(*CALL, "-o", str(tmp_path / "call"), "--datatype", datatype)
    recording = open_recording(tmp_path / "call.sigmf-meta")
    assert recording.datatype == datatype
    assert np.sqrt(np.mean(np.abs(samples_of(recording)) ** 2)) > 0.1


def test_noise_is_as_ordered(tmp_path: Path) -> None:
    composed(*CALL, "-o", str(tmp_path / "call"), "--datatype", "cf32_le", "--cn0", "50", "--level", "-30")
    quiet = samples_of(open_recording(tmp_path / "call.sigmf-meta"))[:90_000]
    density = 10 * np.log10(np.mean(np.abs(quiet) ** 2) / 240_000)
    assert density == pytest.approx(-80.0, abs=0.1)


def test_weak_calls_do_not_clip(tmp_path: Path) -> None:
    composed(*CALL, "-o", str(tmp_path / "call"), "--cn0", "36")
    raw, _ = next(open_recording(tmp_path / "call.sigmf-meta").blocks())
    assert np.mean((raw == 0) | (raw == 255)) < 1e-4
    outcome = compose(*CALL, "-o", str(tmp_path / "loud"), "--cn0", "36", "--level", "-12")
    assert outcome.exit_code != 0


def test_a_call_is_put_onto_a_recording(tmp_path: Path) -> None:
    composed("tone", "--channel", "72", "-o", str(tmp_path / "voice"), "--rate", "1.024M", "--centre", "156.6M")
    composed(*CALL, "-o", str(tmp_path / "both"), "--onto", str(tmp_path / "voice.sigmf-meta"))
    recording = open_recording(tmp_path / "both.sigmf-meta")
    assert [note.label for note in recording.annotations] == ["G3E, 1000 Hz", "test call"]
    samples = samples_of(recording)[round(0.5 * 1.024e6) :][:400_000]
    spectrum = np.abs(np.fft.fft(samples)) ** 2
    frequency_hz = 156.6e6 + np.fft.fftfreq(samples.size, 1 / 1.024e6)
    for channel_hz in (156.525e6, 156.625e6):
        share = spectrum[np.abs(frequency_hz - channel_hz) < 12_500].sum() / spectrum.sum()
        assert share == pytest.approx(0.5, abs=0.02)


def test_closed_cable_must_be_acknowledged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["compose", *ALERT, "-o", str(tmp_path / "alert")])
    assert stopped.value.code == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "closed cable" in said
    assert "--closed-cable" in said
    assert list(tmp_path.iterdir()) == []


def test_caution_is_printed_and_carried_in_the_name(tmp_path: Path) -> None:
    outcome = composed(*ALERT, "--attempt", "--closed-cable", "-o", str(tmp_path / "attempt"))
    assert "CAUTION" in outcome.stderr
    meta = tmp_path / "attempt-CLOSED-CABLE-ONLY.sigmf-meta"
    assert {path.name for path in tmp_path.iterdir()} == {meta.name, meta.with_suffix(".sigmf-data").name}
    document = json.loads(meta.read_text(encoding="utf-8"))
    assert any("CAUTION" in remark for remark in document["global"]["sdrcheck:remarks"])
    assert document["annotations"][0]["core:label"] == "distress alert attempt"
    assert document["annotations"][0]["core:sample_count"] == pytest.approx((5 * 0.45 + 2 * 0.00339) * 240_000, abs=5)


def test_caution_stays_when_another_signal_is_put_on_top(tmp_path: Path) -> None:
    composed(*ALERT, "--closed-cable", "--duration", "2", "-o", str(tmp_path / "alert"))
    onto = str(tmp_path / "alert-CLOSED-CABLE-ONLY.sigmf-meta")
    composed(*CALL, "--at", "1.2", "--onto", onto, "-o", str(tmp_path / "more"))
    assert (tmp_path / "more-CLOSED-CABLE-ONLY.sigmf-meta").exists()


@pytest.mark.parametrize("name", TYPES)
def test_every_type_has_its_name_on_the_command_line(name: str, tmp_path: Path) -> None:
    row = ROWS[TYPES[name]]
    words = ["call", name, "--self-id", "219012345", "--closed-cable", "-o", str(tmp_path / "x"), "--rate", "48k"]
    if row.format in (114, 120, 123):
        words += ["--to", "021912345" if row.format == 114 else "002191234"]
    if row.format == 102:
        words += ["--area", "56N 004E 3 12"]
    composed(*words)


@pytest.mark.parametrize("law", ["flat", "pre-emphasised"])
def test_sound_comes_with_set_up_tones_and_a_sheet(tmp_path: Path, law: str) -> None:
    outcome = composed(*ALERT, "--closed-cable", "--sound-law", law, "-o", str(tmp_path / "alert.wav"))
    for said in ("156.5250 MHz", "2100 Hz   4.20 kHz", "1300 Hz   2.60 kHz", "closed cable only"):
        assert said in outcome.stdout
    assert ("phase modulation" if law == "flat" else "FM (") in outcome.stdout
    with wave.open(str(tmp_path / "alert-CLOSED-CABLE-ONLY.wav")) as sound:
        assert (sound.getframerate(), sound.getnchannels(), sound.getsampwidth()) == (48_000, 1, 2)
        assert sound.getnframes() == pytest.approx((0.45 + 1.0) * 48_000, abs=2)
    assert (tmp_path / "alert-CLOSED-CABLE-ONLY-setup.wav").exists()


def test_mf_sound_names_the_am_generator(tmp_path: Path) -> None:
    outcome = composed(*CALL, "--band", "mf", "--frequency", "8414.5k", "-o", str(tmp_path / "call.wav"))
    assert "8412.8 kHz" in outcome.stdout
    assert "amplitude modulation" in outcome.stdout
    with wave.open(str(tmp_path / "call.wav")) as sound:
        assert sound.getnframes() == pytest.approx((6.4 + 1.0) * 48_000, abs=2)


def test_mf_call_becomes_a_recording(tmp_path: Path) -> None:
    composed(*CALL, "--band", "mf", "-o", str(tmp_path / "call"))
    recording = open_recording(tmp_path / "call.sigmf-meta")
    note = recording.annotations[0]
    samples = samples_of(recording)[note.first : note.first + (note.count or 0)]
    offset_hz = 2_187_500 - recording.centre_hz
    turned = samples * np.exp(-2j * np.pi * offset_hz * np.arange(samples.size) / recording.sample_rate_hz)
    spectrum = np.abs(np.fft.fft(turned)) ** 2
    frequency_hz = np.fft.fftfreq(samples.size, 1 / recording.sample_rate_hz)
    near = (np.abs(np.abs(frequency_hz) - 85) < 60) | (np.abs(frequency_hz) < 60)
    assert spectrum[near].sum() / spectrum.sum() > 0.9


def test_tones_for_the_sounder(tmp_path: Path) -> None:
    composed("tone", "--sounder", "--keyed", "2", "-o", str(tmp_path / "tones.wav"))
    with wave.open(str(tmp_path / "tones.wav")) as sound:
        frames = np.frombuffer(sound.readframes(sound.getnframes()), np.int16) / 32768
    lines = np.abs(np.fft.rfft(frames)) / frames.size * 2
    assert {int(place) // 2 for place in np.flatnonzero(lines > 0.1)} == {1100, 1700}


@pytest.mark.parametrize("channel", ["16", "70"])
def test_no_tones_on_the_calling_channels(channel: str, tmp_path: Path) -> None:
    outcome = compose("tone", "--channel", channel, "-o", str(tmp_path / "tone"))
    assert outcome.exit_code != 0
    assert "rules forbid" in str(outcome.exception)
    assert list(tmp_path.iterdir()) == []


def test_two_frequency_channel_takes_its_leg(tmp_path: Path) -> None:
    composed("tone", "--channel", "26", "--leg", "coast", "-o", str(tmp_path / "coast"))
    note = open_recording(tmp_path / "coast.sigmf-meta").annotations[0]
    assert note.low_hz == 161_900_000 - 8000


BAD: list[tuple[list[str], int, str]] = [
    ([*CALL[:2], "--self-id", "12345", "--to", "002191234"], 2, "nine digits"),
    ([*CALL[:2], "--to", "002191234"], 2, "--self-id"),
    ([*CALL[:4]], 2, "needs the called station's identity"),
    (["call", "no-such-call", "--self-id", "219012345"], 2, "no-such-call"),
    ([*CALL, "--attempt"], 2, "--attempt goes with a distress alert only"),
    ([*CALL, "--gap", "0.1"], 2, "--gap goes with --attempt only"),
    ([*CALL, "--position", "north"], 2, "is not a position"),
    ([*CALL, "--area", "north"], 2, "is not an area"),
    ([*CALL, "--character-fault", "x"], 2, "is not a character fault"),
    ([*CALL, "--character-fault", "99"], 2, "no character 99"),
    ([*CALL, "--working-channel", "12345678k"], 2, "below 30 MHz"),
    ([*ALERT, "--closed-cable", "--nature", "boredom"], 2, "is not one nature of distress"),
    ([*CALL, "--sound-law", "flat"], 2, "--sound-law is for a WAV file"),
    ([*CALL, "--cn0", "50", "--snr", "20"], 2, "not both"),
    ([*CALL, "--cut-start", "1"], 2, "leave nothing"),
    ([*CALL, "--duration", "0.5"], 2, "give a longer duration"),
    ([*CALL, "--centre", "157.2M"], 2, "outside the span"),
    ([*CALL, "--onto", "nothing.sigmf-meta"], 1, "nothing.sigmf-meta"),
    ([*CALL, "--experimental-expansion"], 2, "give --position"),
    (["tone"], 2, "give the --channel or the --frequency"),
    (["tone", "--channel", "72", "--frequency", "156.8M"], 2, "one of them"),
    (["tone", "--channel", "123456"], 2, "not one channel of the plan"),
    (["tone", "--channel", "72", "--sounder", "--unmodulated"], 2, "only one of them"),
    (["tone", "9000", "--channel", "72"], 2, "between 10 and 5000 Hz"),
]


@pytest.mark.parametrize(("words", "status", "sentence"), BAD, ids=lambda value: str(value)[:40])
def test_bad_orders_get_one_sentence(
    words: list[str], status: int, sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["compose", *words, "-o", str(tmp_path / "out")])
    said = capsys.readouterr().err
    assert stopped.value.code == status, said
    assert sentence in said
    assert said.strip().count("\n") <= (1 if "CAUTION" in said else 0)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "fault", [["--offset", "500"], ["--no-pre-emphasis"], ["--cut-end", "0.1"], ["--index-b", "1.5"], ["--hum", "50"]]
)
def test_sound_refuses_faults_of_the_carrier(fault: list[str], tmp_path: Path) -> None:
    outcome = compose(*CALL, *fault, "-o", str(tmp_path / "call.wav"))
    assert outcome.exit_code == 2
    assert "fault of the carrier" in outcome.output


def test_nothing_is_written_over(tmp_path: Path) -> None:
    composed(*CALL, "-o", str(tmp_path / "call"))
    outcome = compose(*CALL, "-o", str(tmp_path / "call"))
    assert outcome.exit_code != 0
    assert "exists already" in str(outcome.exception)


@pytest.mark.parametrize(
    ("text", "latitude", "longitude"),
    [
        ("55°12'N 012°34'E", 55.2, 12 + 34 / 60),
        ("33 30.5 S, 70 15.25 W", -(33 + 30.5 / 60), -(70 + 15.25 / 60)),
        ("55.2,-12.5", 55.2, -12.5),
        ("0°30'S 000°15'W", -0.5, -0.25),
    ],
)
def test_positions_as_people_write_them(text: str, latitude: float, longitude: float) -> None:
    from sdrcheck.cli.compose_call import PositionType

    found: Any = PositionType().convert(text, None, None)
    assert found == pytest.approx((latitude, longitude))


def test_help_of_every_command() -> None:
    for words in ([], ["call"], ["tone"]):
        assert composed(*words, "--help").output.startswith("Usage: sdrcheck compose")
