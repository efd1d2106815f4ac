"""Does the stated uncertainty hold? Seeded trials of every quantity, as a table.

    python -m tests.benchmarks.measurement_coverage [--trials 200] [--only carrier]

For each kind of signal and quantity: rms error, mean expanded uncertainty U, in how many trials ±U covered the error,
and mean U over twice the rms error. Right is: covered in at least 183 of 200 (the 99 % binomial bound for 95 %) and a
ratio of 1.5 or less. All signals are simulated; the reference is exact.
"""

from __future__ import annotations

import argparse
import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from sdrcheck.compositions.waveform import shifted, vhf_call
from sdrcheck.measurements import calls, fm
from sdrcheck.quantities import Measured
from tests.measurements.signals import (
    QUANTISATION,
    WIDE_RATE,
    deviation_of,
    excerpt,
    limited,
    peak,
    speech_like,
    times,
    track_of,
)

Trial = tuple[dict[str, Measured], dict[str, float]]


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    scenario: str
    quantity: str
    errors: np.ndarray
    expanded: np.ndarray

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.errors**2)))

    @property
    def covered(self) -> int:
        return int(np.count_nonzero(np.abs(self.errors) <= self.expanded))

    @property
    def ratio(self) -> float:
        return float(np.mean(self.expanded)) / (2 * self.rms) if self.rms else math.inf


def _ramp(seconds: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda since: np.square(np.sin(np.pi / 2 * np.clip(since / seconds, 0, 1)))


def _rise_of(seconds: float) -> float:
    """10 % to 90 % of the amplitude of a sin² ramp."""
    return seconds * 2 / np.pi * (math.asin(math.sqrt(0.9)) - math.asin(math.sqrt(0.1)))


def _bits(rng: np.random.Generator) -> list[int]:
    return [k % 2 for k in range(20)] + rng.integers(0, 2, 520).tolist()


def bare_carrier(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    offset, amplitude = rng.uniform(-1500, 1500), rng.uniform(0.3, 0.7)
    seconds, ramp = round(rng.uniform(0.2, 1.0), 2), rng.uniform(0.001, 0.004)
    at = times(seconds)
    made = excerpt(
        np.exp(2j * np.pi * offset * at), rng, snr_db=snr_db, amplitude=amplitude, quantised=quantised, ramp=_ramp(ramp)
    )
    floor = amplitude**2 / 10 ** (snr_db / 10) / 25_000 + (QUANTISATION * 2 / 12 / WIDE_RATE if quantised else 0)
    return fm.measure(made).readings, {
        "carrier offset": offset,
        "level": 20 * math.log10(amplitude),
        "noise floor": 10 * math.log10(floor * 16_000),
        "rise time": _rise_of(ramp),
        "fall time": _rise_of(ramp),
    }


def noisy_carrier(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    """A carrier with hum and noise of its own, and a frequency that settles after key-on."""
    offset, seconds = rng.uniform(-1500, 1500), round(rng.uniform(0.3, 1.0), 2)
    at = times(seconds)
    hum = rng.uniform(10, 60)
    spectrum = np.fft.rfft(rng.standard_normal(at.size))
    frequencies = np.fft.rfftfreq(at.size, 1 / WIDE_RATE)
    band = (frequencies > 300) & (frequencies < 2500)
    own = rng.uniform(20, 60)
    noise = np.fft.irfft(np.where(band, spectrum, 0), at.size) * own * math.sqrt(at.size / 2 / np.count_nonzero(band))
    phase = hum / 100 * np.sin(2 * np.pi * 100 * at + rng.uniform(0, 6)) + 2 * np.pi * np.cumsum(noise) / WIDE_RATE
    swing = rng.choice([-1, 1]) * rng.uniform(1000, 5000)
    phase += 2 * np.pi * swing * 0.003 * (1 - np.exp(-at / 0.003))
    made = excerpt(
        np.exp(1j * phase + 2j * np.pi * offset * at), rng, snr_db=snr_db, quantised=quantised, ramp=_ramp(0.0005)
    )
    seen = at >= 0.0005 * 2 / np.pi * math.asin(math.sqrt(0.1))
    early = deviation_of(phase)[seen & (at < 0.025)]
    corner = (1 / (2 * np.pi * 750e-6)) ** 2
    weight = (1e6 + corner) / (frequencies**2 + corner)
    residual = own**2 * np.mean(weight[band]) + hum**2 / 2 * (1e6 + corner) / (1e4 + corner)
    return fm.measure(made).readings, {
        "carrier offset": offset,
        "residual modulation": 10 * math.log10(residual / 4.5e6),
        "transient frequency": float(early[np.argmax(np.abs(early))]),
    }


def one_tone(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    offset, seconds = rng.uniform(-1500, 1500), round(rng.uniform(0.2, 2.0), 2)
    tone, height = rng.uniform(400, 2500), rng.uniform(1500, 5000)
    second = rng.uniform(0.0, 0.05)
    at, angle = times(seconds), rng.uniform(0, 2 * np.pi)
    turn = 2 * np.pi * tone * at + angle
    phase = height / tone * (np.sin(turn) + second * np.sin(2 * turn + 1))
    deviation = height * (np.cos(turn) + 2 * second * np.cos(2 * turn + 1))
    made = excerpt(np.exp(1j * phase + 2j * np.pi * offset * at), rng, snr_db=snr_db, quantised=quantised)
    floor = (25_000 * 10 ** (snr_db / 10)) ** -1 + (QUANTISATION * 2 / 12 / WIDE_RATE / 0.25 if quantised else 0)
    signal, rest = (height / tone) ** 2 / 2, 2700 * floor
    if 2 * tone < 3000:
        rest += signal * second**2
    return fm.measure(made).readings, {
        "carrier offset": offset,
        "modulating tone": tone,
        "peak deviation, up": peak(deviation),
        "peak deviation, down": peak(-deviation),
        "sinad": 10 * math.log10(1 + signal / rest),
        "occupied bandwidth": _clean_bandwidth(phase),
    }


def two_tones(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    offset, seconds = rng.uniform(-1500, 1500), round(rng.uniform(0.2, 1.5), 2)
    tones, peaks = np.array([1100.0, 1700.0]) + rng.uniform(-20, 20, 2), rng.uniform(800, 2400, 2)
    at = times(seconds)
    phase = sum(p / f * np.sin(2 * np.pi * f * at + rng.uniform(0, 6)) for f, p in zip(tones, peaks, strict=True))
    made = excerpt(np.exp(1j * phase + 2j * np.pi * offset * at), rng, snr_db=snr_db, quantised=quantised)
    order = np.argsort(-peaks)
    deviation = deviation_of(phase)
    return fm.measure(made).readings, {
        "carrier offset": offset,
        "modulating tone": tones[order[0]],
        "modulating tone, second": tones[order[1]],
        "peak deviation, up": peak(deviation),
        "peak deviation, down": peak(-deviation),
        "occupied bandwidth": _clean_bandwidth(phase),
    }


def speech(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    offset, seconds = rng.uniform(-1500, 1500), round(rng.uniform(0.5, 3.0), 2)
    phase = speech_like(seconds, rng, rng.uniform(2500, 5500))
    deviation = deviation_of(phase)[1:-1]
    made = excerpt(np.exp(1j * phase + 2j * np.pi * offset * times(seconds)), rng, snr_db=snr_db, quantised=quantised)
    return fm.measure(made).readings, {
        "carrier offset": offset,
        "peak deviation, up": peak(deviation),
        "peak deviation, down": peak(-deviation),
        "occupied bandwidth": _clean_bandwidth(phase),
        "level": 20 * math.log10(0.5),
    }


def limited_speech(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    """Speech that the set limits and then filters with a gentle or a steep low-pass."""
    offset, seconds = rng.uniform(-1500, 1500), round(rng.uniform(0.4, 1.5), 2)
    phase = speech_like(seconds, rng, 1.0)
    audio = deviation_of(phase)
    deviation = limited(audio / audio.std(), rng.uniform(1, 4), int(rng.choice([1, 2, 4])), rng.uniform(3000, 5200))
    waveform = np.exp(2j * np.pi * (np.cumsum(deviation) / WIDE_RATE + offset * times(seconds)))
    made = excerpt(waveform, rng, snr_db=snr_db, quantised=quantised)
    inner = deviation[int(0.002 * WIDE_RATE) : -int(0.002 * WIDE_RATE)]
    return fm.measure(made).readings, {"peak deviation, up": peak(inner), "peak deviation, down": peak(-inner)}


def call(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    """An ordinary call within the tolerances."""
    index = rng.uniform(1.8, 2.2)
    return _call(rng, snr_db, quantised, index, index, rng.uniform(-10, 10, 2), rng.uniform(-50, 50))


def faulty_call(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    """Indices apart, tones and rate far off."""
    index_b, index_y = rng.uniform(1.2, 2.6, 2)
    return _call(rng, snr_db, quantised, index_b, index_y, rng.uniform(-50, 50, 2), rng.uniform(-500, 500))


def flat_call(rng: np.random.Generator, snr_db: float, quantised: bool) -> Trial:
    """A call without pre-emphasis: the same deviation on both tones."""
    peak = rng.uniform(2600, 4200)
    tones = rng.uniform(-10, 10, 2)
    return _call(
        rng, snr_db, quantised, peak / (2100 + tones[0]), peak / (1300 + tones[1]), tones, rng.uniform(-50, 50)
    )


def _call(rng, snr_db, quantised, index_b, index_y, tone_errors, rate_ppm) -> Trial:
    offset = rng.uniform(-1400, 1400)
    bits, rate = _bits(rng), 1200 * (1 + rate_ppm * 1e-6)
    tone_b, tone_y = 2100 + tone_errors[0], 1300 + tone_errors[1]
    wave = vhf_call(
        bits, WIDE_RATE, index_b=index_b, index_y=index_y, tone_b_hz=tone_b, tone_y_hz=tone_y, rate_bd=rate,
        subcarrier_start=rng.uniform(0, 2 * np.pi),
    )  # fmt: skip
    made = excerpt(shifted(wave, WIDE_RATE, offset), rng, snr_db=snr_db, quantised=quantised)
    track = track_of(bits, 1200.0, offset + rng.uniform(-3, 3))
    return calls.measure(made, track), {
        "carrier offset": offset,
        "tone B": tone_b,
        "tone Y": tone_y,
        "modulation index, B": index_b,
        "modulation index, Y": index_y,
        "modulation rate": rate,
        "modulation rate error": rate_ppm,
    }


def _clean_bandwidth(phase: np.ndarray) -> float:
    """99 % bandwidth of the noise-free waveform, from one long periodogram."""
    power = np.square(np.abs(np.fft.fftshift(np.fft.fft(np.exp(1j * phase)))))
    running = np.cumsum(power) / power.sum()
    frequencies = np.fft.fftshift(np.fft.fftfreq(phase.size, 1 / WIDE_RATE))
    return float(np.interp(0.995, running, frequencies) - np.interp(0.005, running, frequencies))


SCENARIOS: tuple[Callable[[np.random.Generator, float, bool], Trial], ...] = (
    bare_carrier,
    noisy_carrier,
    one_tone,
    two_tones,
    speech,
    limited_speech,
    call,
    faulty_call,
    flat_call,
)


def rows(scenario, trials: int, snr_db: float, quantised: bool, seed: int = 1) -> Iterator[Row]:
    """Run one kind of signal and give a row a quantity. A quantity that was not read counts as not covered."""
    errors, expanded = defaultdict(list), defaultdict(list)
    for trial in range(trials):
        readings, truth = scenario(np.random.default_rng([seed, trial]), snr_db, quantised)
        for quantity, true in truth.items():
            found = readings.get(quantity)
            errors[quantity].append(found.value - true if found else math.inf)
            expanded[quantity].append(found.uncertainty if found else 0.0)
    name = f"{scenario.__name__}, {snr_db:.0f} dB, {'cu8' if quantised else 'float'}"
    for quantity, found in errors.items():
        yield Row(name, quantity, np.array(found), np.array(expanded[quantity]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--only", default="")
    parser.add_argument("--snr", type=float, nargs="*", default=[20, 30, 40])
    parser.add_argument("--worst", action="store_true", help="name the trial with the largest error over U")
    given = parser.parse_args()
    for scenario in SCENARIOS:
        if given.only not in scenario.__name__:
            continue
        for snr_db in given.snr:
            for quantised in (False, True) if snr_db == 40 else (False,):
                for row in rows(scenario, given.trials, snr_db, quantised):
                    bound = math.floor(given.trials * 183 / 200)
                    good = row.covered >= bound and row.ratio <= 1.5
                    worst = int(np.argmax(np.abs(row.errors) - row.expanded)) if given.worst else ""
                    print(
                        f"{row.scenario:32} {row.quantity:24} rms {row.rms:10.4g}  U {np.mean(row.expanded):10.4g}  "
                        f"{row.covered:3d}/{given.trials}  ratio {row.ratio:5.2f}  {'' if good else '<--'} {worst}",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
