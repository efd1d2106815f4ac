"""What is no VHF call must not be told as one: an hour of noise, and strong signals that only look a little like calls.

Run from the repository:

    python -m tests.benchmarks.vhf_false_alarms [--noise-minutes 60] [--junk-minutes 10] [--seed S]

Noise goes to the second detector in stretches of eight seconds, and whole to the decoder as if it had been keyed. Junk
(random bits and symbols with the right modulation, patterns that repeat, swept tones, speech-like FM, a bare carrier)
goes to the decoder at several levels. Counted are places where the second detector saw something, calls told, calls
among them with a good error check, and remarks of a call too weak to be read.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from sdrcheck.decoders.dsc import vhf
from sdrcheck.filters.excerpt import Excerpt
from tests.decoders.vhf_signals import CLEAN, JUNK, RATE, in_noise, junk, noise

STRETCH_S = 8.0
LEVELS = (CLEAN, 56.0, 50.0, 45.0, 40.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--noise-minutes", type=float, default=60.0)
    parser.add_argument("--junk-minutes", type=float, default=10.0, help="of each kind, over all levels together")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print("what                                 minutes  seen  calls  good check  remarks  CPU ms/s: seeing  decoding")
    random = np.random.default_rng([options.seed, 0])
    counts, spent = np.zeros(4, int), np.zeros(2)
    stretches = round(options.noise_minutes * 60 / STRETCH_S)
    for _ in range(stretches):
        iq = noise(round(STRETCH_S * RATE), 1e-6, random).astype(np.complex64)
        begin = time.process_time()
        counts[0] += len(vhf.present(iq, RATE))
        spent[0] += time.process_time() - begin
        excerpt = Excerpt(
            iq=iq, sample_rate_hz=RATE, centre_hz=0.0, start_s=0.0, key_on=0, key_off=iq.size, noise_density=1e-6
        )
        _decode(excerpt, counts, spent)
    _show("noise", stretches, counts, spent)
    for number, kind in enumerate(JUNK):
        random = np.random.default_rng([options.seed, 1 + number])
        stretches = round(options.junk_minutes * 60 / STRETCH_S / len(LEVELS))
        for level in LEVELS:
            counts, spent = np.zeros(4, int), np.zeros(2)
            for _ in range(stretches):
                excerpt = in_noise(junk(kind, STRETCH_S, random), level, int(random.integers(1 << 30)))
                _decode(excerpt, counts, spent)
            _show(f"{kind}, {level:.0f} dB-Hz", stretches, counts, spent)


def _decode(excerpt: Excerpt, counts: np.ndarray, spent: np.ndarray) -> None:
    begin = time.process_time()
    found = vhf.decode(excerpt)
    spent[1] += time.process_time() - begin
    counts[1:] += (
        len(found.calls),
        sum(decoded.call.error_check == "ok" for decoded in found.calls),
        len(found.remarks),
    )


def _show(what: str, stretches: int, counts: np.ndarray, spent: np.ndarray) -> None:
    seconds = max(stretches * STRETCH_S, 1e-9)
    seeing = f"{1000 * spent[0] / seconds:.1f}" if spent[0] else "-"
    print(
        f"{what:36} {seconds / 60:5.1f} {counts[0] if spent[0] else '-':>5} {counts[1]:6} {counts[2]:11} {counts[3]:8} "
        f"{seeing:>17} {1000 * spent[1] / seconds:9.0f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
