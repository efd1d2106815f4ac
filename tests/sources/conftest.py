"""Sources for tests: a server on loopback, a stand-in driver, a sound server without a sound card."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sdrcheck.recordings import open_recording
from sdrcheck.recordings.sigmf import write
from sdrcheck.watching.serve import Server

RATE_HZ, CENTRE_HZ = 240_000.0, 156.8e6


@pytest.fixture(scope="session")
def ramp(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds of cu8 in which every sample tells its place: the codes count the samples in base 251."""
    places = np.arange(int(2 * RATE_HZ))
    raw = np.column_stack([places % 251, places // 251 % 251]).astype(np.uint8).ravel()
    return write(tmp_path_factory.mktemp("ramp") / "ramp", raw, "cu8", RATE_HZ, CENTRE_HZ)


def place_of(raw: np.ndarray) -> np.ndarray:
    """Which samples of the ramp these are, as far as two codes can tell."""
    return raw[0::2].astype(int) + 251 * raw[1::2].astype(int)


@pytest.fixture
def serve(ramp: Path) -> Iterator[Callable[..., Server]]:
    """Start servers of the ramp on loopback; they are stopped after the test."""
    with ExitStack() as stack:

        def start(path: Path = ramp, **options: Any) -> Server:
            server = stack.enter_context(closing(Server(open_recording(path), port=0, **options)))
            thread = threading.Thread(target=server.run, daemon=True)
            thread.start()
            stack.callback(thread.join, 3)
            stack.callback(server.close)
            return server

        yield start
