"""Can one core keep up, live? All channels watched, one listened to, everything recorded, from a server at real rate.

    python -m tests.benchmarks.live_soak [--minutes 10] [--rate 2.4e6]

A recording with a test call on channel 70 and voice on 72 every six seconds is served by a process of its own over
loopback. Prints, each minute, the share of one core that the receiving process used, samples lost, its memory, and how
many transmissions ended and were told how long after their last sample had come.
"""

from __future__ import annotations

import argparse
import multiprocessing
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from sdrcheck.bench import Settings, SourceFault, TransmissionEnded, run
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.level import Keying, noise, placed
from sdrcheck.compositions.tone import fm_tones
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.recordings.sigmf import write
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.source import IqBlock, SourceFacts, Tuning
from sdrcheck.watching.demodulation import Demodulator
from sdrcheck.watching.memory import RollingMemory

CENTRE_HZ = 156.75e6
PERIOD_S = 6.0


def make(folder: Path, rate_hz: float) -> None:
    """Six seconds of an invented quay: a test call on 70, two seconds of tone on 72."""
    order = CallOrder(type=CallType.TEST_CALL, self_id="211999990", to="002119990")
    call = vhf_call(call_bits(order.information()), rate_hz)
    voice = fm_tones((1000.0,), 3000.0, 2.0, rate_hz)
    quiet = noise(int(PERIOD_S * rate_hz), rate_hz, -30 - 40 - 10 * np.log10(25_000), np.random.default_rng(70))
    keyings = [Keying(call, 0.5, 156.525e6, -30.0), Keying(voice, 2.0, 156.625e6, -30.0)]
    write(folder / "quay", placed(keyings, quiet, rate_hz, CENTRE_HZ), "cu8", rate_hz, CENTRE_HZ)


class Listened:
    """The rolling memory, heard on channel 72 on its way to the engine."""

    def __init__(self, memory: RollingMemory) -> None:
        self._memory = memory
        self._ear = Demodulator(memory.facts, 156.625e6)
        self.arrived: list[tuple[float, float]] = []
        self._recording = False

    @property
    def facts(self) -> SourceFacts:
        return self._memory.facts

    def blocks(self) -> Iterator[IqBlock]:
        for block in self._memory.blocks():
            if not self._recording:
                self._memory.keep_from(self.base)
                self._recording = True
            self.newest_s = (block.first_sample + block.count) / self.facts.sample_rate_hz
            self.newest_at = time.monotonic()
            self._ear.feed(block)
            yield block

    def close(self) -> None:
        self._memory.close()

    base: Path
    newest_s = newest_at = 0.0


def soak(minutes: float, rate_hz: float, folder: Path) -> None:
    maker = multiprocessing.get_context("spawn").Process(target=make, args=(folder, rate_hz))  # its memory is not ours
    maker.start()
    maker.join()
    command = [sys.executable, "-m", "sdrcheck", "serve", str(folder / "quay"), "--port", "0"]
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert server.stderr is not None
        said = server.stderr.readline()
        port = re.search(r"port (\d+)", said)
        assert port, said
        source = open_source(f"net:127.0.0.1:{port[1]}", Tuning(CENTRE_HZ, rate_hz))
        listened = Listened(RollingMemory(source, 30.0))
        listened.base = folder / "kept"
        print("minute   core   lost samples   memory MB   transmissions   told after, median s")
        told(listened, minutes)
    finally:
        server.kill()


def told(listened: Listened, minutes: float) -> None:
    began = minute = time.monotonic()
    used, lost, ended = time.process_time(), 0, []
    for event in run(listened, Settings()):
        if isinstance(event, SourceFault):
            lost += event.lost_samples
            print(event.sentence)
        if isinstance(event, TransmissionEnded):
            end = event.transmission.start_s + event.transmission.duration_s
            ended.append(listened.newest_s - end + time.monotonic() - listened.newest_at)
        now = time.monotonic()
        if now - minute >= 60 or now - began >= minutes * 60:
            core = (time.process_time() - used) / (now - minute)
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            delay = f"{np.median(ended):.2f}" if ended else "none"
            print(
                f"{(now - began) / 60:6.1f}   {core:4.0%}   {lost:12}   {memory:9.0f}   {len(ended):13}   {delay}",
                flush=True,
            )
            minute, used, ended = now, time.process_time(), []
        if now - began >= minutes * 60:
            return listened.close()


if __name__ == "__main__":
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--minutes", type=float, default=10)
    arguments.add_argument("--rate", type=float, default=2.4e6)
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory() as name:
        soak(given.minutes, given.rate, Path(name))
