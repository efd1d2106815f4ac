"""What is found in random wide-band scenes: keyings missed, and ones that nobody keyed.

    python -m tests.benchmarks.found_and_missed [--scenes 60] [--seed 1]

Each scene has one to six keyings (speech-like, a tone, a bare carrier) on channels of the VHF plan, offsets to
±1.2 kHz, −12 to −50 dBFS, hard or soft edges, in noise at 0.25, 1.024 or 2.4 MS/s as cu8, ci16 or cf32; half of them
with a mirror image 35 to 55 dB down, half with a line at 0 Hz of −26 to −50 dBFS. A keying counts as found with both
edges within 6 ms. All scenes are synthetic.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from sdrcheck.channels import plan
from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings.datatypes import quantise
from tests.filters.scene import Scene, heard_in, table

SECONDS = 3.0
EDGE_S = 0.006
Row = tuple[str | None, float, float]


def random_scene(random: np.random.Generator, number: int) -> tuple[Scene, str, list[Row]]:
    """A scene, the datatype it is recorded in, and what was keyed in it."""
    rate = float(random.choice([250e3, 1.024e6, 2.4e6]))
    datatype = str(random.choice(["cu8", "ci16_le", "cf32_le"]))
    centre_hz = 156.6e6 + random.uniform(-3e5, 3e5)
    span = plan.within(centre_hz - rate / 2 + 15e3, centre_hz + rate / 2 - 15e3)
    channels = [channel for channel in span if channel.emission.value in ("G3E", "G2B")]
    noise_dbfs = (-62.0 if datatype == "cu8" else -85.0) - (4.0 if rate > 2e6 else 0.0)
    scene = Scene(rate, centre_hz, SECONDS, noise_dbfs=noise_dbfs, seed=number)
    keyed: list[Row] = []
    used: list[int] = []
    for _ in range(random.integers(1, 7)):
        channel = channels[random.integers(len(channels))]
        if any(abs(channel.frequency_hz - other) < 20e3 for other in used):
            continue
        used.append(channel.frequency_hz)
        on_s = random.uniform(0.1, 1.8)
        off_s = min(on_s + random.uniform(0.2, 1.5), SECONDS - 0.1)
        level = random.uniform(-42, -14) if datatype == "cu8" else random.uniform(-50, -12)
        frequency_hz = channel.frequency_hz + random.uniform(-1200, 1200)
        kind = random.integers(3)
        if kind == 0:
            ramp_s = float(random.choice([0.0, 0.001, 0.003]))
            scene.voice(frequency_hz, on_s, off_s, level, seed=int(random.integers(1_000_000)), ramp_s=ramp_s)
        else:
            scene.tone(frequency_hz, on_s, off_s, level, deviation_hz=3000.0 * (kind == 1))
        keyed.append((channel.name, on_s, off_s))
    if random.random() < 0.5:
        scene.iq += 10 ** (-random.uniform(35, 55) / 20) * np.conj(scene.iq)
    if random.random() < 0.5:
        scene.iq += 10 ** (-random.uniform(26, 50) / 20) * np.exp(1j)
    scene.iq = complex_samples(quantise(scene.iq, datatype), datatype)
    return scene, datatype, sorted(keyed, key=lambda row: row[1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    random = np.random.default_rng(chosen.seed)
    wanted = missed = extra = 0
    begun = time.process_time()
    for number in range(chosen.scenes):
        scene, datatype, keyed = random_scene(random, number)
        found = table(heard_in(scene, few_bits=datatype == "cu8")[0])
        for row in keyed:
            wanted += 1
            same = [f for f in found if f[0] == row[0] and max(abs(f[1] - row[1]), abs(f[2] - row[2])) < EDGE_S]
            if same:
                found.remove(same[0])
            else:
                missed += 1
                print(
                    f"scene {number}, {scene.rate:.0f} S/s {datatype}: {row[0]} {row[1]:.3f} to {row[2]:.3f} s missed"
                )
        for name, on_s, off_s in found:
            extra += 1
            print(f"scene {number}, {scene.rate:.0f} S/s {datatype}: {name} {on_s:.3f} to {off_s:.3f} s was not keyed")
    print(f"{chosen.scenes} scenes, {wanted} keyings: {missed} missed, {extra} that nobody keyed")
    print(f"{time.process_time() - begun:.0f} CPU s, making the scenes included")


if __name__ == "__main__":
    main()
