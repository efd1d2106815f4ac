"""Does the stated uncertainty of the F1B readings hold? Seeded trials, as a table.

    python -m tests.benchmarks.f1b_coverage [--trials 200] [--ebn0 6 10 30 50] [--text]

Calls of every layout (or, with --text, a minute of navigational text) with unknown timing, offsets within ±12 Hz,
shifts of 164 to 176 Hz and rate errors within ±40 ppm, made at 16 kS/s, filtered and decoded as in an inspection, then
measured with the decoder's own bits. Right is: covered in at least 183 of 200 (the 99 % binomial bound for 95 %) and a
mean U of at most 1.5 times twice the rms error. All signals are simulated; the reference is exact. Eb/N0 50 dB is 40 dB
in 1 kHz.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np

from sdrcheck.compositions.text import TextMessage, bits_on_air, slots_on_air
from sdrcheck.decoders import fsk
from sdrcheck.decoders.dsc import mf
from sdrcheck.decoders.navtex.reader import decode as decode_text
from sdrcheck.measurements import f1b
from sdrcheck.quantities import Measured
from tests.benchmarks.text_sensitivity import invented_text
from tests.decoders.f1b_signals import ORDERS, bits_of_order, excerpt_of, on_air

MADE_AT_HZ = 16_000.0


def trial(ebn0_db: float, number: int, *, text: bool) -> tuple[dict[str, Measured], dict[str, float]]:
    """Measure one transmission; what was found and what is true."""
    random = np.random.default_rng([round(10 * ebn0_db), number])
    if text:
        message = TextMessage("E", "A", "01", invented_text(random, 400))
        bits, one_is = bits_on_air(slots_on_air([message.characters()])), "B"
    else:
        bits, one_is = bits_of_order(ORDERS[number % len(ORDERS)]), "Y"
    offset_hz, rate_ppm, shift_hz = random.uniform(-12, 12), random.uniform(-40, 40), 170 + random.uniform(-6, 6)
    iq, start_s = on_air(
        bits,
        random,
        one_is="B" if one_is == "B" else "Y",
        ebn0_db=ebn0_db,
        sample_rate_hz=MADE_AT_HZ,
        offset_hz=offset_hz,
        rate_ppm=rate_ppm,
        shift_hz=shift_hz,
    )
    narrow, rate = fsk.shifted_and_narrowed(iq, MADE_AT_HZ, 0.0)
    end_s = start_s + len(bits) / (100 * (1 + rate_ppm * 1e-6))
    excerpt = excerpt_of(narrow, rate, ebn0_db=ebn0_db)
    excerpt = replace(excerpt, key_on=round(start_s * rate), key_off=round(end_s * rate))
    decode = decode_text(excerpt) if text else mf.decode(excerpt)
    track = decode.text_track if text else decode.calls[0].track if decode.calls else None
    truth = {
        "carrier offset": offset_hz,
        "line B offset": offset_hz + shift_hz / 2 - 85,
        "line Y offset": offset_hz - shift_hz / 2 + 85,
        "shift": shift_hz,
        "modulation rate": 100 * (1 + rate_ppm * 1e-6),
        "modulation rate error": rate_ppm,
        "level": 0.0,
    }
    return ({} if track is None else f1b.measure(excerpt, track)), truth


def table(ebn0_db: float, trials: int, *, text: bool) -> str:
    errors: dict[str, list[float]] = defaultdict(list)
    stated: dict[str, list[float]] = defaultdict(list)
    ways: Counter[str] = Counter()
    for number in range(trials):
        found, truth = trial(ebn0_db, number, text=text)
        ways[found["shift"].method.rpartition("; ")[2] if found else "not measured"] += 1
        for quantity in truth.keys() & found.keys():
            errors[quantity].append(found[quantity].value - truth[quantity])
            stated[quantity].append(found[quantity].uncertainty)
    lines = [f"Eb/N0 {ebn0_db:g} dB: " + ", ".join(f"{way} {count}" for way, count in ways.most_common())]
    for quantity in sorted(errors):
        error, expanded = np.array(errors[quantity]), np.array(stated[quantity])
        rms = float(np.sqrt(np.mean(np.square(error))))
        covered = int(np.count_nonzero(np.abs(error) <= expanded))
        lines.append(
            f"  {quantity:22s} rms {rms:10.5f}   mean U {expanded.mean():10.5f}   covered {covered:3d}/{error.size:<3d}"
            f"   U/2rms {expanded.mean() / (2 * rms):5.2f}"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--ebn0", type=float, nargs="+", default=[6, 10, 30, 50])
    parser.add_argument("--text", action="store_true")
    chosen = parser.parse_args()
    for ebn0_db in chosen.ebn0:
        print(table(ebn0_db, chosen.trials, text=chosen.text), flush=True)


if __name__ == "__main__":
    main()
