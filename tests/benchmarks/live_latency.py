"""How long after the end of a call does its line stand on the terminal?

    python -m tests.benchmarks.live_latency [--rate 2.4e6] [--calls 30] [--recorded]

`sdrcheck watch --all` runs as people run it, in a process of its own, on a stand-in server at real rate. Each sample of
the served recording has its instant on this computer's monotonic clock, so the end of each call is known; the line is
timed where it is read. The test call comes every 6.1 s, so that ends fall everywhere between two blocks of samples.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np

from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.level import Keying, noise, placed
from sdrcheck.compositions.tone import fm_tones
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.sigmf import write
from sdrcheck.watching.serve import Server

CENTRE_HZ = 156.75e6
OWN = "211999990"  # invented
PERIOD_S = 6.1
CALL_AT_S, VOICE_AT_S, VOICE_S = 2.0, 3.5, 1.0


def make(base: Path, rate_hz: float) -> float:
    """A test call on 70 and a second of tone on 72; returns when in it the call ends."""
    order = CallOrder(type=CallType.TEST_CALL, self_id=OWN, to="002119990")
    call = vhf_call(call_bits(order.information()), rate_hz)
    voice = fm_tones((1000.0,), 3000.0, VOICE_S, rate_hz)
    quiet = noise(round(PERIOD_S * rate_hz), rate_hz, -30 - 40 - 10 * np.log10(25_000), np.random.default_rng(70))
    keyings = [Keying(call, CALL_AT_S, 156.525e6, -30.0), Keying(voice, VOICE_AT_S, 156.625e6, -30.0)]
    write(base, placed(keyings, quiet, rate_hz, CENTRE_HZ), "cu8", rate_hz, CENTRE_HZ)
    return CALL_AT_S + call.size / rate_hz


class Connected:
    """Notes when the client connected: the served recording begins then."""

    def __init__(self) -> None:
        self.at = 0.0

    def __call__(self, sentence: str) -> None:
        if sentence.endswith("connected"):
            self.at = time.monotonic()


def measured(rate_hz: float, calls: int, recorded: bool, say: Callable[[str], None]) -> list[float]:
    """Seconds from the end of each call to its line."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ends_at_s = make(folder / "quay", rate_hz)
        begun = Connected()
        with closing(Server(open_recording(folder / "quay"), port=0, say=begun)) as server:
            threading.Thread(target=server.run, daemon=True).start()
            command = [sys.executable, "-m", "sdrcheck", "watch", "--from", f"net:127.0.0.1:{server.port}", "--all"]
            command += ["--centre", str(CENTRE_HZ), "--rate", str(rate_hz), "--own", OWN, "--into", str(folder / "w")]
            command += ["--disk", "0.2", "--memory", "30"]
            command += ["--record", str(folder / "whole")] if recorded else []
            watching = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
            found: list[float] = []
            try:
                assert watching.stdout is not None
                for line in watching.stdout:
                    now = time.monotonic()
                    if " kept " in line and "test call" in line:
                        found.append((now - begun.at - ends_at_s) % PERIOD_S)
                        say(f"{found[-1]:.3f} s  {line.strip()[:60]} …")
                    if len(found) >= calls:
                        break
            finally:
                watching.kill()
                watching.wait()
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rate", type=float, default=2.4e6)
    parser.add_argument("--calls", type=int, default=30)
    parser.add_argument("--recorded", action="store_true", help="record everything meanwhile")
    given = parser.parse_args()
    found = measured(given.rate, given.calls, given.recorded, lambda line: print(line, flush=True))
    spread = np.quantile(found, [0.1, 0.5, 0.9]) if found else [float("nan")] * 3
    print(f"{len(found)} calls at {given.rate / 1e6:g} MS/s on {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}:")
    print(f"median {spread[1]:.3f} s, 80 % between {spread[0]:.3f} and {spread[2]:.3f} s (wanted: median under 0.5 s)")


if __name__ == "__main__":
    main()
