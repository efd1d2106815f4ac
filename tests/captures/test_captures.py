"""The recordings in `captures/`: sealed, valid SigMF, marked synthetic, and made again by the commands beside them."""

from __future__ import annotations

import hashlib
import importlib.machinery
import importlib.util
import json
import re
import warnings
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from sdrcheck.recordings.recording import open_recording
from tests.conftest import REPOSITORY

CAPTURES = REPOSITORY / "captures"
README = (CAPTURES / "README.md").read_text(encoding="utf-8")
RECORDINGS = sorted(path.name.removesuffix(".sigmf-meta") for path in CAPTURES.glob("*.sigmf-meta"))


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    loader = importlib.machinery.SourceFileLoader("captures_make", str(CAPTURES / "make"))
    spec = importlib.util.spec_from_loader("captures_make", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    loader.exec_module(module)
    return module


def stated_seal(name: str) -> str:
    section = README.split(f"\n## {name}\n", 1)[1].split("\n## ", 1)[0]
    found = re.search(r"SHA-512: `([0-9a-f]{128})`", section)
    assert found, name
    return found[1]


@pytest.mark.parametrize("name", RECORDINGS)
def test_seal_is_the_stated_one(name: str) -> None:
    data = (CAPTURES / f"{name}.sigmf-data").read_bytes()
    seal = hashlib.sha512(data).hexdigest()
    assert seal == stated_seal(name)
    recording = open_recording(CAPTURES / f"{name}.sigmf-meta")
    assert seal == recording.stated_sha512
    assert recording.facts.synthetic is True


@pytest.mark.parametrize("name", RECORDINGS)
def test_recording_is_valid_sigmf(name: str) -> None:
    """Against the schema in the `sigmf` package, the standard's own reference reader."""
    import sigmf

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sigmf.fromfile(str(CAPTURES / f"{name}.sigmf-meta")).validate()


def test_there_are_at_least_six_and_they_are_small() -> None:
    assert len(RECORDINGS) >= 6
    assert sum(path.stat().st_size for path in CAPTURES.iterdir()) < 20e6


def test_every_recording_has_its_commands(maker: ModuleType) -> None:
    assert set(RECORDINGS) <= set(maker.recipes())


@pytest.mark.parametrize("name", ["test-call", "test-call-answered-CLOSED-CABLE-ONLY"])
def test_commands_make_the_recording_again(name: str, maker: ModuleType, tmp_path: Path) -> None:
    """The same codes; another version of numpy may round a few samples to the neighbouring code."""
    maker.make(name, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{name}.sigmf-data", f"{name}.sigmf-meta"]
    made, kept = (np.fromfile(folder / f"{name}.sigmf-data", np.uint8).astype(int) for folder in (tmp_path, CAPTURES))
    assert made.size == kept.size
    assert np.max(np.abs(made - kept)) <= 1
    assert np.mean(made != kept) < 1e-3


def test_no_tones_on_16_or_70() -> None:
    """The rules forbid test tones there on the air, and examples teach."""
    for name in RECORDINGS:
        document = json.loads((CAPTURES / f"{name}.sigmf-meta").read_text(encoding="utf-8"))
        for note in document["annotations"]:
            if note["core:label"].startswith("G3E"):
                centre_hz = (note["core:freq_lower_edge"] + note["core:freq_upper_edge"]) / 2
                assert centre_hz not in (156_800_000, 156_525_000)


def test_dangerous_recordings_carry_the_caution() -> None:
    for name in RECORDINGS:
        text = (CAPTURES / f"{name}.sigmf-meta").read_text(encoding="utf-8")
        dangerous = any(word in text for word in ("distress", "acknowledgement"))
        assert ("CLOSED-CABLE-ONLY" in name) is dangerous
