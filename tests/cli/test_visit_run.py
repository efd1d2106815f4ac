"""A hands-free run from end to end: a composed recording of it, through the engine, into the visit's folder.

The recording is our own composition: it shows that composing, engine and run agree, not that sets behave so.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sdrcheck.cli.main import sdrcheck
from sdrcheck.compositions import level, tone, waveform
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.evidence import case
from sdrcheck.recordings import sigmf
from sdrcheck.sources.source import Tuning
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.sources.tuner import DEPENDABLE_RATE_HZ, VHF_CENTRE_HZ
from sdrcheck.visits import plan, results
from tests.measurements.signals import speech_like
from tests.visits import made

RATE, CENTRE = 400_000.0, 156_680_000.0
VISIT = made.VISIT.replace('maker = "invented"', 'channels = ["16"]\nlow_power_channels = ["15", "17"]')
HIGH, LOW = -14.0, -31.0


def keyings() -> Iterator[tuple[str, float, np.ndarray, float]]:
    """What the person keys, slips included: channel by frequency, waveform, level."""
    silent = tone.fm_tones((), 0.0, 2.6, RATE)
    yield "slip: channel 15 in place of 16", 156.750e6, tone.fm_tones((), 0.0, 1.1, RATE), HIGH
    yield "ch16-high", 156.800e6, silent, HIGH
    yield "slip: still on high power", 156.800e6, silent, HIGH
    yield "ch16-low", 156.800e6, silent, LOW
    yield "ch15-auto", 156.750e6, silent, LOW
    yield "ch17-auto", 156.850e6, silent, LOW
    yield "ch16-tone", 156.800e6, tone.fm_tones([1000.0], 4500.0, 2.6, RATE), HIGH
    speech = np.exp(1j * speech_like(2.6, np.random.default_rng(3), 4000.0, RATE))
    yield "ch16-speech", 156.800e6, speech, HIGH
    bare = np.ones(8000)
    call = waveform.vhf_call(
        call_bits(CallOrder(type=CallType.TEST_CALL, self_id="211999990", to="002119990").information()), RATE
    )
    yield "ch70-call", 156.525e6, np.concatenate([bare, call, bare * call[-1]]), HIGH


def recording(folder: Path) -> Path:
    placed = []
    at = 0.5
    for _, frequency, wave, level_dbfs in keyings():
        placed.append(level.Keying(wave, at, frequency * (1 + 3.1e-6), level_dbfs))
        at += wave.size / RATE + 0.8
    quiet = level.noise(round(at * RATE), RATE, -105.0, np.random.default_rng(7))
    return sigmf.write(
        folder / "hands-free", level.placed(placed, quiet, RATE, CENTRE), "cu8", RATE, CENTRE,
        start_utc="2026-03-02T09:00:00Z",
    )  # fmt: skip


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    base = tmp_path_factory.mktemp("run")
    folder = made.folder_with_visit(base / "visit", VISIT)
    ran = CliRunner().invoke(
        sdrcheck,
        ["visit", "run", "vhf-1", "--from", str(recording(base)), "--no-sound", "--visit", str(folder)],
        catch_exceptions=False,
    )
    assert ran.exit_code == 0, ran.output
    return folder, ran.output


def test_a_live_run_is_tuned_to_all_that_ships_use_and_begins_with_the_cautions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A silent source stands for the dongle, and ends before anything is keyed."""
    asked: list[Tuning] = []

    def silent(word: str, wanted: Tuning) -> Synthetic:
        asked.append(wanted)
        return Synthetic(np.zeros(48_000, complex), 48_000, 156.8e6)

    monkeypatch.setattr("sdrcheck.sources.catalogue.open_source", silent)
    folder = made.folder_with_visit(tmp_path / "visit", VISIT)
    words = ["visit", "run", "vhf-1", "--from", "dongle", "--no-sound", "--visit", str(folder)]
    ran = CliRunner().invoke(sdrcheck, words, catch_exceptions=False)
    assert [(one.centre_hz, one.sample_rate_hz) for one in asked] == [(VHF_CENTRE_HZ, DEPENDABLE_RATE_HZ)]
    said = " ".join(ran.output.split())
    cautions = {caution for check in plan.make(made.visit(VISIT)).spoken("vhf-1") for caution in check.cautions}
    assert cautions
    assert all(said.count(f"CAUTION: {caution}") == 1 for caution in cautions)


def test_every_keying_is_filed_to_its_check(done: tuple[Path, str]) -> None:
    folder, _ = done
    ledger = results.read(folder)
    wanted = [check.id for check in plan.make(made.visit(VISIT)).spoken("vhf-1")]
    assert [entry.check for entry in ledger.tries()] == wanted
    assert all(entry.how == "hands-free" for entry in ledger.tries())
    assert all(len(ledger.transmissions(entry)) == 1 for entry in ledger.tries())


def test_both_slips_are_said(done: tuple[Path, str]) -> None:
    _, output = done
    said = " ".join(output.split())
    assert "That was channel 15. Please switch to channel 16." in said
    assert "That was high power. Please switch to low power and key again." in said
    assert "Finished: 7 of 7 filed." in said


def test_what_was_filed_stands_up(done: tuple[Path, str]) -> None:
    """3.1 ppm less the reference's 2.7 are 0.4; low power is 17 dB down; the call carries the ship's identity."""
    folder, _ = done
    gathered = case.gather(folder, now=made.NOW)
    high = gathered.check("vhf-1/ch16-high")
    offset = high.transmissions[0].reading("carrier offset, relative")
    assert offset is not None
    assert offset.value == pytest.approx(0.4, abs=0.05)
    assert high.proposal.outcome == "satisfactory"
    assert any("17.0 dB below high power" in one.sentence for one in gathered.check("vhf-1/ch16-low").conclusions)
    assert gathered.check("vhf-1/ch15-auto").proposal.outcome == "satisfactory"
    call = gathered.check("vhf-1/ch70-call")
    assert {one.about: one.agrees for one in call.conclusions}["own identity"] is True
    assert call.last is not None
    assert call.last.pictures[0]


def test_the_recording_and_the_inspection_of_the_whole_run_are_kept(done: tuple[Path, str]) -> None:
    folder, _ = done
    assert (folder / "recordings" / "hands-free.sigmf-data").is_file()
    assert (folder / "inspections" / "vhf-1-run-1.json").is_file()
