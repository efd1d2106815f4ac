"""Sources for tests: a server on loopback, a stand-in driver, a sound server without a sound card."""

from __future__ import annotations

import shutil
import subprocess
import sys
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
RAMP_PERIOD = 251 * 251
RAMP_SAMPLES = 8 * RAMP_PERIOD


def write_ramp(folder: Path) -> Path:
    """Two seconds of cu8 in which every sample tells its place: I and Q count in base 251, repeated without a jump."""
    places = np.arange(RAMP_SAMPLES)
    raw = np.column_stack([places % 251, places // 251 % 251]).astype(np.uint8).ravel()
    return write(folder / "ramp", raw, "cu8", RATE_HZ, CENTRE_HZ)


@pytest.fixture(scope="session")
def ramp(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_ramp(tmp_path_factory.mktemp("ramp"))


def place_of(raw: np.ndarray) -> np.ndarray:
    """Which samples of the ramp these are, as far as two codes can tell."""
    return raw[0::2].astype(int) + 251 * raw[1::2].astype(int)


def compile_stand_in(folder: Path) -> Path:
    """Compile the stand-in for the dongle's driver into a folder, or skip the test with a reason."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None or not sys.platform.startswith("linux"):
        pytest.skip("the stand-in driver needs Linux and a C compiler")
    source = Path(__file__).parent / "stand_in" / "librtlsdr.c"
    flags = ["-shared", "-fPIC", "-O2", "-Wall", "-Wextra", "-Werror"]
    subprocess.run([compiler, *flags, "-o", folder / "librtlsdr.so", source], check=True)
    return folder


@pytest.fixture(scope="session")
def stand_in_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compile_stand_in(tmp_path_factory.mktemp("stand_in"))


@pytest.fixture
def stand_in(
    stand_in_library: Path, ramp: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[..., Path]]:
    """Put the stand-in in the driver's place; calling it sets how it behaves and returns the log of calls to it."""

    def behave(**settings: object) -> Path:
        log = tmp_path / "driver.log"
        for name, value in {"bytes": ramp.with_suffix(".sigmf-data"), "log": log, **settings}.items():
            monkeypatch.setenv(f"STAND_IN_{name.upper()}", str(value))
        return log

    for name in _binding():
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pyrtlsdrlib", None)  # else the bundled library wins over the path
    monkeypatch.setenv("LD_LIBRARY_PATH", str(stand_in_library))
    yield behave
    for name in _binding():
        del sys.modules[name]


def _binding() -> list[str]:
    return [name for name in sys.modules if name.partition(".")[0] == "rtlsdr"]


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
