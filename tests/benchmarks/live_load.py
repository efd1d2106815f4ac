"""What a live watch costs: share of one core, lost samples, memory.

    python -m tests.benchmarks.live_load [--minutes 10] [--rate 2.4e6]
    python -m tests.benchmarks.live_load --hours 12

The first runs `sdrcheck watch --all --listen 72 --record …` as people run it, in a process of its own, on a stand-in
server at real rate, where a test call on channel 70 and a tone on 72 come every six seconds. Each minute it prints the
share of one core that the watch used, samples lost by then (by its journal), its memory, and what it kept. The sound
goes into a sound server without a card, where there is one.

The second runs a watch over so many hours of air as fast as it goes, at 48 kS/s with a call each minute, and prints its
memory each hour. What a watch holds besides is its rolling memory: rate × 2 bytes × seconds, 576 MB at 2.4 MS/s for
the usual two minutes. What grows must grow with the number of keyings or with time, and both are as in reality there.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.bench import Settings
from sdrcheck.channels import plan
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.level import Keying, noise, placed
from sdrcheck.compositions.tone import fm_tones
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.recordings.sigmf import write
from sdrcheck.sources.source import IqBlock
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching import journal
from sdrcheck.watching.policy import Policy
from sdrcheck.watching.watch import Watch
from tests.sound_server import PLAY, sound_server

CENTRE_HZ = 156.75e6
OWN = "211999990"  # invented
PERIOD_S = 6.0
TICKS = os.sysconf("SC_CLK_TCK")
PAGE = os.sysconf("SC_PAGE_SIZE")


def call_wave(rate_hz: float) -> np.ndarray:
    order = CallOrder(type=CallType.TEST_CALL, self_id=OWN, to="002119990")
    return vhf_call(call_bits(order.information()), rate_hz)


def make(base: Path, rate_hz: float) -> None:
    """Six seconds of an invented quay."""
    voice = fm_tones((1000.0,), 3000.0, 2.0, rate_hz)
    quiet = noise(int(PERIOD_S * rate_hz), rate_hz, -30 - 40 - 10 * np.log10(25_000), np.random.default_rng(70))
    keyings = [Keying(call_wave(rate_hz), 0.5, 156.525e6, -30.0), Keying(voice, 2.0, 156.625e6, -30.0)]
    write(base, placed(keyings, quiet, rate_hz, CENTRE_HZ), "cu8", rate_hz, CENTRE_HZ)


def used_s(process: int) -> float:
    """Processor time of a process in seconds."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def resident_mb(process: int | str = "self") -> float:
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * PAGE / 1e6


@contextmanager
def serving(recording: Path) -> Iterator[str]:
    """The word for a server of a recording, in a process of its own."""
    command = [sys.executable, "-m", "sdrcheck", "serve", str(recording), "--port", "0"]
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert server.stderr is not None
        said = server.stderr.readline()
        port = re.search(r"port (\d+)", said)
        assert port, said
        yield f"net:127.0.0.1:{port[1]}"
    finally:
        server.kill()


def soak(minutes: float, rate_hz: float) -> None:
    """The watch at real rate."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        make(folder / "quay", rate_hz)
        word = stack.enter_context(serving(folder / "quay"))
        environment, listening = dict(os.environ), []
        try:
            environment |= stack.enter_context(sound_server(folder)).environment
            listening = ["--listen", "72", "--device", PLAY]
        except pytest.skip.Exception as reason:
            print(f"nothing is listened to: {reason}")
        command = [sys.executable, "-m", "sdrcheck", "watch", "--from", word, "--all", "--own", OWN]
        command += ["--centre", str(CENTRE_HZ), "--rate", str(rate_hz), "--memory", "30", "--disk", "1"]
        command += ["--into", str(folder / "watch"), "--record", str(folder / "whole"), *listening]
        said = (folder / "said").open("w")
        watching = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=said)
        try:
            report(watching, folder, minutes)
        finally:
            watching.send_signal(signal.SIGINT)
            watching.wait(20)
        print("interrupted sound:", (folder / "said").read_text().count("sound"))
        for line in journal.lines(folder / "watch"):
            if line.event in ("trouble", "hole", "clock"):
                print(line.utc, line.sentence)


def report(watching: subprocess.Popen[bytes], folder: Path, minutes: float) -> None:
    print("minute   core   lost samples   memory MB   kept", flush=True)
    time.sleep(5)  # imports and the learning of the noise
    began = minute = time.monotonic()
    used = used_s(watching.pid)
    while time.monotonic() - began < minutes * 60 and watching.poll() is None:
        time.sleep(min(60.0, minutes * 60))
        now, so_far = time.monotonic(), used_s(watching.pid)
        lines = list(journal.lines(folder / "watch"))
        lost = sum(line.lost_samples for line in lines)
        kept = sum(line.event == "kept" for line in lines)
        core = (so_far - used) / (now - minute)
        print(
            f"{(now - began) / 60:6.1f}   {core:4.0%}   {lost:12}   {resident_mb(watching.pid):9.0f}   {kept:4}",
            flush=True,
        )
        minute, used = now, so_far


class Hourly(Synthetic):
    """A minute of air over and over, which tells the memory at each hour that has passed; without an end, as live."""

    def __init__(self, iq: np.ndarray, rate_hz: float, hours: float, folder: Path) -> None:
        super().__init__(iq, rate_hz, 156.52e6, "cu8", repeats=None)
        self._hours, self._folder, self._began = hours, folder, time.monotonic()
        self.facts = replace(self.facts, start_utc="2026-03-14T00:00:00Z")

    def blocks(self) -> Iterator[IqBlock]:
        told = 0
        for block in super().blocks():
            hour = int(block.first_sample / self.facts.sample_rate_hz / 3600 * 2)
            if hour > told:
                told = hour
                events = Counter(line.event for line in journal.lines(self._folder))
                print(
                    f"{hour / 2:6.1f}   {resident_mb():9.1f}   {events['kept']:5}   {events['removed']:7}   "
                    f"{time.monotonic() - self._began:7.0f} s",
                    flush=True,
                )
            if hour >= 2 * self._hours:
                return
            yield block


def long_watch(hours: float) -> None:
    """Hours of air as fast as they go."""
    rate_hz = 48_000.0
    quiet = noise(int(60 * rate_hz), rate_hz, -12 - 40 - 10 * np.log10(25_000), np.random.default_rng(70))
    iq = placed([Keying(call_wave(rate_hz), 30.0, 156.525e6, -12.0)], quiet, rate_hz, 156.52e6)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = Hourly(iq, rate_hz, hours, folder)
        del iq, quiet
        print("  hour   memory MB    kept   removed   after")
        policy = Policy(own=frozenset({OWN}), budget_bytes=5_000_000)
        for _ in Watch(folder, Settings(channels=plan.find("70")), policy).run(source):
            pass


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--rate", type=float, default=2.4e6)
    parser.add_argument("--hours", type=float, help="so many hours of air as fast as they go, instead")
    given = parser.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} at the start")
    if given.hours:
        long_watch(given.hours)
    else:
        soak(given.minutes, given.rate)


if __name__ == "__main__":
    main()
