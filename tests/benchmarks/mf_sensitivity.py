"""How weak may an MF or HF call be? Success over energy per bit, as a table.

    python -m tests.benchmarks.mf_sensitivity [--trials 40] [--ebn0 3 4 5 6 7 8] [--noise-hours 0]

Every trial has another call, unknown timing, an offset within ±8 Hz, a rate error within ±50 ppm and 1 to 4 kS/s.
"exact" are calls whose every symbol is right, "ordinary" those that a receiver with hard decisions and the standard's
acceptance rules would have taken. With --noise-hours white noise is read instead, ten minutes at a time, and every call
found there is a false one. All signals are simulated; Eb/N0 in dB (S/N in 300 Hz is 4.8 dB lower).
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from sdrcheck.compositions.call import error_check_of
from sdrcheck.decoders.dsc import mf
from tests.decoders.f1b_signals import ORDERS, bits_of_order, excerpt_of, noise, noise_density, on_air


def sensitivity(ebn0_db: float, trials: int, seed: int) -> str:
    exact = ordinary = false = 0
    spent = seconds = 0.0
    for trial in range(trials):
        random = np.random.default_rng([seed, trial, round(10 * ebn0_db)])
        order = ORDERS[trial % len(ORDERS)]
        rate = (1_000.0, 2_000.0, 4_000.0)[trial % 3]
        iq, _ = on_air(
            bits_of_order(order),
            random,
            one_is="Y",
            ebn0_db=ebn0_db,
            sample_rate_hz=rate,
            offset_hz=random.uniform(-8, 8),
            rate_ppm=random.uniform(-50, 50),
        )
        started = time.process_time()
        decode = mf.decode(excerpt_of(iq, rate, ebn0_db=ebn0_db))
        spent += time.process_time() - started
        seconds += iq.size / rate
        information = order.information()
        wanted = (*information, error_check_of(information))
        right = [decoded.call.symbols == wanted for decoded in decode.calls]
        exact += any(right)
        false += sum(
            not one and decoded.call.error_check == "ok" for one, decoded in zip(right, decode.calls, strict=True)
        )
        ordinary += any(decoded.call.ordinary_receiver.accepted for decoded in decode.calls)
    return (
        f"{ebn0_db:6.1f}   {exact:4d}/{trials:<4d} {100 * exact / trials:5.0f} %   {ordinary:4d}/{trials:<4d}"
        f"   {false:3d}   {seconds / spent:6.0f}"
    )


def noise_only(hours: float, seed: int) -> str:
    found = 0
    spent = 0.0
    pieces = round(hours * 6)
    for piece in range(pieces):
        random = np.random.default_rng([seed, piece])
        iq = noise(600_000, noise_density(0.0), 1_000.0, random).astype(np.complex64)
        started = time.process_time()
        found += len(mf.decode(excerpt_of(iq, 1_000.0)).calls)
        spent += time.process_time() - started
    return (
        f"{found} calls found in {pieces / 6:.1f} h of white noise ({pieces * 600 / spent:.0f} s of air per CPU second)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=40)
    parser.add_argument("--ebn0", type=float, nargs="+", default=[3, 4, 5, 6, 7, 8, 10, 12, 30])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--noise-hours", type=float, default=0.0)
    chosen = parser.parse_args()
    if chosen.noise_hours:
        print(noise_only(chosen.noise_hours, chosen.seed))
        return
    print("Eb/N0 dB   exact             ordinary   false ECC  air s per CPU s")
    for ebn0_db in chosen.ebn0:
        print(sensitivity(ebn0_db, chosen.trials, chosen.seed), flush=True)


if __name__ == "__main__":
    main()
