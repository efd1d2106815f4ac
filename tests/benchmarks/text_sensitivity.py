"""How weak may navigational text be? Character errors over energy per bit, as a table.

    python -m tests.benchmarks.text_sensitivity [--trials 8] [--ebn0 4 5 5.5 6 7 8] [--noise-hours 0]

Every trial is a transmission of its own with one message of some 500 characters (figures and punctuation included),
unknown timing, an offset within ±8 Hz and a rate error within ±50 ppm. "wrong" counts the characters of the body that
differ from what was sent, lost ones included (edit operations over length); a message that was not found counts whole.
"ordinary" is what a receiver with hard decisions loses of the messages that were found. With --noise-hours white noise
is read instead. All signals are simulated; Eb/N0 in dB (S/N in 304 Hz is 4.8 dB lower).
"""

from __future__ import annotations

import argparse
import time
from difflib import SequenceMatcher

import numpy as np

from sdrcheck.compositions.text import TextMessage, bits_on_air, slots_on_air
from sdrcheck.decoders.navtex.reader import Reader
from tests.decoders.f1b_signals import noise, noise_density, on_air

_SENTENCE = (
    "GALE WARNING BUOY UNLIT WRECK LIGHT VESSEL ADVISED TO KEEP CLEAR OF DRILLING RIG WIND BACKING VEERING SEA STATE "
    "GUNNERY CABLE LAYING TOW LENGTH METRES MILES RADIUS POSITION REPORTED DRIFTING HAZARD CANCEL THIS MESSAGE"
)


def invented_text(random: np.random.Generator, characters: int = 500) -> str:
    words = _SENTENCE.split()
    lines: list[str] = []
    while sum(len(line) + 1 for line in lines) < characters:
        line = " ".join(str(word) for word in random.choice(words, random.integers(3, 7)))
        if random.random() < 0.5:
            line += f" {random.integers(0, 89):02d}-{random.uniform(0, 60):04.1f}N 008-{random.integers(0, 60):02d}E"
        else:
            line += f", {random.integers(1, 999)}/{random.integers(1, 99)}."
        lines.append(line)
    return "\n".join(lines)


def sensitivity(ebn0_db: float, trials: int, seed: int) -> str:
    sent = wrong = lost = ordinary = heard = found = 0
    spent = seconds = 0.0
    for trial in range(trials):
        random = np.random.default_rng([seed, trial, round(10 * ebn0_db)])
        text = invented_text(random)
        iq, _ = on_air(
            bits_on_air(slots_on_air([TextMessage("E", "A", f"{trial % 99 + 1:02d}", text).characters()])),
            random,
            one_is="B",
            ebn0_db=ebn0_db,
            offset_hz=random.uniform(-8, 8),
            rate_ppm=random.uniform(-50, 50),
            lead_s=3.0,
            tail_s=3.0,
        )
        started = time.process_time()
        reader = Reader(2_000.0)
        messages = reader.feed(iq).messages + reader.finish().messages
        spent += time.process_time() - started
        seconds += iq.size / 2_000.0
        sent += len(text)
        read = [message for message in messages if message.number == f"{trial % 99 + 1:02d}"]
        if not read:
            wrong += len(text)
            continue
        found += 1
        matcher = SequenceMatcher(None, text, read[0].body, autojunk=False)
        wrong += sum(max(b - a, d - c) for op, a, b, c, d in matcher.get_opcodes() if op != "equal")
        lost += read[0].character_errors_repaired
        ordinary += read[0].character_errors
        heard += read[0].characters
    share = 100 * ordinary / heard if heard else float("nan")
    return (
        f"{ebn0_db:6.1f}   {found:3d}/{trials:<3d}  {100 * wrong / sent:6.2f} %  {100 * lost / max(heard, 1):6.2f} %"
        f"   {share:6.2f} %   {seconds / spent:6.0f}"
    )


def noise_only(hours: float, seed: int) -> str:
    reader = Reader(1_000.0)
    messages, text, spent = 0, "", 0.0
    for piece in range(round(hours * 60)):
        iq = noise(60_000, noise_density(0.0), 1_000.0, np.random.default_rng([seed, piece])).astype(np.complex64)
        started = time.process_time()
        news = reader.feed(iq)
        spent += time.process_time() - started
        messages += len(news.messages)
        text += news.text
    news = reader.finish()
    messages += len(news.messages)
    return (
        f"{messages} messages and {len(reader.stray_text)} characters of stray text in {hours:g} h of white noise "
        f"({hours * 3600 / spent:.0f} s of air per CPU second)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=8)
    parser.add_argument("--ebn0", type=float, nargs="+", default=[3, 4, 5, 5.5, 6, 7, 8, 10, 30])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--noise-hours", type=float, default=0.0)
    chosen = parser.parse_args()
    if chosen.noise_hours:
        print(noise_only(chosen.noise_hours, chosen.seed))
        return
    print("Eb/N0 dB  found    wrong     left lost   ordinary   air s per CPU s")
    for ebn0_db in chosen.ebn0:
        print(sensitivity(ebn0_db, chosen.trials, chosen.seed), flush=True)


if __name__ == "__main__":
    main()
