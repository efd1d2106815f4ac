"""How fast recordings are inspected, and in how much memory.

    python -m tests.benchmarks.engine_speed [--seconds 60]

Each line is one `sdrcheck inspect --json` in a process of its own. Start-up is what a recording of a fifth of a second
costs; the rate is air time per CPU second beyond that. Recordings are made on the fly in a temporary folder.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.compositions.text import TextMessage, bits_on_air, slots_on_air
from sdrcheck.compositions.tone import fm_tones
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.recordings.datatypes import quantise

VHF_RATE, VHF_CENTRE = 2_400_000.0, 156_800_000.0
MF_RATE, MF_CENTRE = 12_000.0, 516_000.0


def sparse_vhf(second: int, noise: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """One second of the whole VHF band: every tenth holds a second of voice or tone, every twentieth a call."""
    iq = noise.copy()
    time_s = np.arange(iq.size) / VHF_RATE
    if second % 10 == 3:
        offset = 156_625_000 + 25_000 * (second % 7) - VHF_CENTRE
        tone = fm_tones([1000.0], 3000.0, 1.0, VHF_RATE)
        iq[: iq.size * 9 // 10] += (0.05 * tone * np.exp(2j * np.pi * offset * time_s))[: iq.size * 9 // 10]
    if second % 20 == 6:
        order = CallOrder(type=CallType("test call"), self_id="211999990", to="002119990")
        call = vhf_call(call_bits(order.information()), VHF_RATE)
        iq[240_000 : 240_000 + call.size] += (
            0.05 * call * np.exp(2j * np.pi * (156_525_000 - VHF_CENTRE) * time_s[: call.size])
        )
    return iq


def text_slots(second: int, noise: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """One minute of 518 kHz: a message in every tenth."""
    iq = noise.copy()
    if second % 600 == 0:
        text = "INVENTED GALE WARNING FOR A TEST\nWIND SOUTH WEST 8 VEERING WEST"
        bits = bits_on_air(slots_on_air([TextMessage("Q", "B", "12", text).characters()]))
        keyed = keyed_bits(bits, MF_RATE, one_is="B")[: iq.size - 12_000]
        iq[12_000 : 12_000 + keyed.size] += (
            0.02 * keyed * np.exp(2j * np.pi * (518_000 - MF_CENTRE) / MF_RATE * np.arange(keyed.size))
        )
    return iq


def write(
    base: Path,
    rate: float,
    centre: float,
    seconds: int,
    step: int,
    piece: Callable[[int, NDArray[np.complex128]], NDArray[np.complex128]],
    datatype: str,
) -> Path:
    """Write a SigMF recording piece by piece."""
    random = np.random.default_rng(7)
    count = int(rate * step)
    noises = [(random.standard_normal((count, 2)) * 0.02).view(np.complex128)[:, 0] for _ in range(3)]
    with base.with_suffix(".sigmf-data").open("wb") as file:
        for second in range(0, seconds, step):
            noise = np.roll(noises[(second // step) % 3], int(random.integers(count)))
            file.write(quantise(piece(second, noise), datatype).tobytes())
    meta = {
        "global": {"core:datatype": datatype, "core:version": "1.2.0", "core:sample_rate": rate},
        "captures": [{"core:sample_start": 0, "core:frequency": centre}],
        "annotations": [],
    }
    path = base.with_suffix(".sigmf-meta")
    path.write_text(json.dumps(meta), encoding="utf-8")
    return path


_MEASURED = """
import resource, sys
from sdrcheck.cli.main import main
try:
    main(["inspect", "--json", sys.argv[1]])
finally:
    used = resource.getrusage(resource.RUSAGE_SELF)
    peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    print(used.ru_utime + used.ru_stime, int(peak.split()[1]) / 1024, file=sys.stderr)
"""


def inspected(path: Path) -> tuple[float, float, float, int]:
    """CPU seconds, wall seconds, peak memory in MB and number of transmissions of one inspection."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _MEASURED, str(path)], capture_output=True, text=True, env=environment, check=True
    )
    wall = time.perf_counter() - begun
    cpu, memory = (float(word) for word in done.stderr.split())
    return cpu, wall, memory, len(json.loads(done.stdout)["transmissions"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60, help="of the VHF recording")
    parser.add_argument("--hours", type=float, default=1.0, help="of the MF recording")
    chosen = parser.parse_args()
    long_mf = int(chosen.hours * 3600) // 60 * 60
    print(f"{'recording':<44}{'CPU s':>8}{'wall s':>8}{'MB':>7}{'found':>7}{'air s per CPU s':>17}")
    with tempfile.TemporaryDirectory() as folder:
        for name, rate, centre, seconds, step, piece, datatype in (
            ("VHF band, 2.4 MS/s cu8, sparse traffic", VHF_RATE, VHF_CENTRE, chosen.seconds, 1, sparse_vhf, "cu8"),
            ("518 kHz, 12 kS/s ci16, a slot an hour", MF_RATE, MF_CENTRE, long_mf, 60, text_slots, "ci16_le"),
        ):
            short = write(
                Path(folder) / "short", rate, centre, 1, 1, lambda _, noise: noise[: noise.size // 5], datatype
            )
            start_up = inspected(short)[0]
            two = inspected(write(Path(folder) / "two", rate, centre, 2 * step, step, piece, datatype))
            long = write(Path(folder) / "long", rate, centre, seconds, step, piece, datatype)
            cpu, wall, memory, found = inspected(long)
            speed = seconds / (cpu - start_up)
            print(f"{name + f', {seconds} s':<44}{cpu:8.2f}{wall:8.2f}{memory:7.0f}{found:7d}{speed:17.1f}")
            print(f"{'   of it start-up':<44}{start_up:8.2f}")
            print(f"{f'   {2 * step} s of it':<44}{two[0]:8.2f}{two[1]:8.2f}{two[2]:7.0f}{two[3]:7d}")
            long.with_suffix(".sigmf-data").unlink()


if __name__ == "__main__":
    main()
