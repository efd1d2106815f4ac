"""`sdrcheck serve` as a person starts it: in a process of its own, stopped with Ctrl-C."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from contextlib import closing
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.source import Tuning
from tests.sources.conftest import CENTRE_HZ, RAMP_PERIOD, RATE_HZ, place_of, write_ramp


def serve(*words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "sdrcheck", "serve", *words]
    return subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def test_a_recording_is_served_until_ctrl_c(tmp_path: Path) -> None:
    process = serve(str(write_ramp(tmp_path)), "--port", "0")
    try:
        assert process.stderr is not None
        said = process.stderr.readline()
        port = re.search(
            r"\(156\.8 MHz, 240000 samples per second\) on 127\.0\.0\.1 port (\d+); stop with Ctrl-C", said
        )
        assert port, said
        with closing(open_source(f"net:127.0.0.1:{port[1]}", Tuning(CENTRE_HZ, RATE_HZ))) as source:
            places = np.concatenate([place_of(block.raw) for block in islice(source.blocks(), 5)])
        assert np.all(np.diff(places) % RAMP_PERIOD == 1)
        process.send_signal(signal.SIGINT)
        output, errors = process.communicate(timeout=10)
    finally:
        process.kill()
    assert (process.returncode, output, errors.splitlines()[-1]) == (0, "", "stopped")


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (["absent"], 1, "sdrcheck: there is no recording absent; look at the name and the folder"),
        (["absent", "--port", "70000"], 2, "70000 is not in the range 0<=x<=65535"),
    ],
)
def test_what_cannot_be_served(words: list[str], status: int, sentence: str) -> None:
    process = serve(*words)
    _, errors = process.communicate(timeout=10)
    assert process.returncode == status
    assert sentence in errors
