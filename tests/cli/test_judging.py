"""What is said on the command line of dongle, chain and set, and what it does to the readings. All is invented."""

from __future__ import annotations

import json
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sdrcheck.cli.main import main
from sdrcheck.cli.options import Judging
from sdrcheck.quantities import Measured, Term
from sdrcheck.receiver import level_store, reference_store
from sdrcheck.receiver.attenuation import parse_chain
from sdrcheck.receiver.level import LevelReference
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.recordings.facts import ReceptionFacts
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.sigmf import write
from sdrcheck.sources.catalogue import open_source
from tests.conftest import REPOSITORY

VOICE = REPOSITORY / "captures" / "voice-72.sigmf-meta"
CHAIN = "40dB/100W,30dB/2W"
HIGH_DBFS = -8.0
"""Level of the first keying in the recording; the second lies 17 dB lower."""


def recording(folder: Path, **facts: Any) -> Path:
    """The voice recording as a dongle's."""
    made = open_recording(VOICE)
    raw = np.concatenate([raw for raw, _ in made.blocks()])
    known = ReceptionFacts(**{"serial": "EXAMPLE7", "gain_db": 8.7, **facts})
    return write(
        folder / "voice", raw, made.datatype, made.sample_rate_hz, made.centre_hz, start_utc=made.start_utc, facts=known
    )


def inspected(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[dict[str, Any], str]:
    with pytest.raises(SystemExit) as ended:
        main(["inspect", *map(str, words), "--json"])
    assert not ended.value.code
    printed = capsys.readouterr()
    return json.loads(printed.out), printed.err


def reading(document: dict[str, Any], quantity: str, number: int = 0) -> dict[str, Any] | None:
    found = document["transmissions"][number]["readings"]
    return next((one for one in found if one["quantity"] == quantity), None)


def meter_reading(frequency_hz: float = 156.625e6, chain: str = CHAIN) -> None:
    """25 W on the meter was read as the level of the first keying."""
    indicated = Measured(HIGH_DBFS, "dBFS", (Term.normal("noise", 0.01),))
    tied = LevelReference.from_meter(
        25.0,
        indicated,
        meter_percent=5,
        gain_db=8.7,
        frequency_hz=frequency_hz,
        taken_utc=datetime(2026, 3, 2, 8, 0, tzinfo=UTC),
        chain=parse_chain(chain),
    )
    level_store.keep("EXAMPLE7", tied)


def test_levels_at_the_set_need_a_meter_reading_and_a_chain(capsys, tmp_path):
    """25 W are 43.98 dBm (worked by hand)."""
    meter_reading()
    path = recording(tmp_path)
    assert reading(inspected(capsys, path)[0], "level at the set") is None
    document, err = inspected(capsys, path, "--chain", CHAIN)
    high, low = (reading(document, "level at the set", number) for number in (0, 1))
    assert err == ""
    assert high is not None
    assert low is not None
    assert (high["value"], high["unit"]) == (pytest.approx(43.98, abs=0.02), "dBm")
    assert high["uncertainty"] == pytest.approx(1.44, abs=0.02)
    assert low["value"] == pytest.approx(43.98 - 17.0, abs=0.05)
    (told,) = (remark for remark in document["transmissions"][0]["remarks"] if "wattmeter" in remark)
    assert told.startswith("About 25 W at the set (17.9 W to 34.")  # +39 % and −28 % of power for 1.44 dB


def test_another_chain_shifts_and_widens(capsys, tmp_path):
    meter_reading()
    document, _ = inspected(capsys, recording(tmp_path), "--chain", "40dB/100W,20dB/2W")
    found = reading(document, "level at the set")
    assert found is not None
    assert found["value"] == pytest.approx(33.98, abs=0.02)
    assert found["uncertainty"] == pytest.approx(2 * (0.721**2 + 0.6**2 / 3) ** 0.5, abs=0.02)


def test_power_is_judged_where_the_setting_is_declared_and_never_proven_by_the_dongle(capsys, tmp_path):
    meter_reading()
    path = recording(tmp_path)
    undeclared = reading(inspected(capsys, path, "--chain", CHAIN)[0], "level at the set")
    assert undeclared is not None
    assert undeclared["limit"]["id"] == "V05, ceiling"
    high = reading(inspected(capsys, path, "--chain", CHAIN, "--power-setting", "high")[0], "level at the set")
    assert high is not None
    assert high["limit"]["id"] == "V05"
    assert high["verdict"].endswith("not proven")
    low = reading(inspected(capsys, path, "--chain", CHAIN, "--power-setting", "low")[0], "level at the set", 1)
    assert low is not None
    assert low["limit"]["id"] == "V07"


def test_a_declared_sound_level_lets_deviation_be_judged_as_too_low(capsys, tmp_path):
    path = recording(tmp_path)
    ids = []
    for words in ((), ("--sound-level", "94")):
        found = reading(inspected(capsys, path, "--tone-source", "acoustic", *words)[0], "peak deviation, up")
        assert found is not None
        ids.append((found["limit"]["id"], found["limit"]["low"]))
    assert ids[0][1] is None
    assert ids[1][1] is not None


@pytest.mark.parametrize(
    ("facts", "words", "sentence"),
    [
        ({"serial": None}, CHAIN, "does not say which dongle it is"),
        ({"serial": "OTHER"}, CHAIN, "no meter reading is kept for dongle OTHER; see sdrcheck reference level"),
    ],
)
def test_why_levels_stay_relative(capsys, tmp_path, facts, words, sentence):
    meter_reading()
    document, err = inspected(capsys, recording(tmp_path, **facts), "--chain", words)
    assert reading(document, "level at the set") is None
    assert err.startswith("levels stay relative: ")
    assert sentence in err


@pytest.mark.parametrize(
    ("facts", "frequency_hz", "sentence"),
    [
        ({"gain_db": 20.7}, 156.625e6, "taken at gain 8.7 dB and says nothing at 20.7 dB"),
        ({"gain_db": None}, 156.625e6, "does not say at which gain it was made"),
        ({}, 2.1875e6, "taken at 2.1875 MHz and says nothing at 156.625 MHz"),
    ],
)
def test_a_meter_reading_holds_at_its_gain_and_frequency_only(capsys, tmp_path, facts, frequency_hz, sentence):
    meter_reading(frequency_hz)
    document, _ = inspected(capsys, recording(tmp_path, **facts), "--chain", CHAIN)
    assert reading(document, "level at the set") is None
    assert any(sentence in remark for remark in document["transmissions"][0]["remarks"])


def test_which_reference_is_used(capsys, tmp_path):
    """As stated, else as written in the recording, else as kept for the dongle, else an uncorrected dongle's."""
    taken = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    kept = FrequencyReference(2.0, 0.2, "calibrated counter", "counter", taken, "tcxo")
    plain = recording(tmp_path)
    assert inspected(capsys, plain)[0]["reference"]["source"].startswith("none given")
    reference_store.keep("EXAMPLE7", kept)
    stored = inspected(capsys, plain)[0]["reference"]
    assert stored["correction_ppm"] == 2.0
    assert "calibrated counter; 12 min old" in stored["source"]
    with closing(open_source(str(plain))) as source:  # its age is asked for where it is used
        assert Judging().settings(source).reference == reference_store.latest("EXAMPLE7")
    (tmp_path / "b").mkdir()
    written = recording(
        tmp_path / "b", reference_ppm=1.0, reference_uncertainty_ppm=0.3, reference_source="counter that day"
    )
    assert inspected(capsys, written)[0]["reference"] == {
        "correction_ppm": 1.0,
        "uncertainty_ppm": 0.3,
        "source": "counter that day; as written in the recording",
    }
    stated = inspected(capsys, written, "--reference", "+3±0.1")[0]["reference"]
    assert (stated["correction_ppm"], stated["source"]) == (3.0, "given with --reference")
