"""How weak a VHF call may be: success over carrier-to-noise density, light path alone and whole decoder.

Run from the repository:

    python -m tests.benchmarks.vhf_sensitivity [--calls N] [--seed S] [--levels 49,47,…] [--search]

Calls of every VHF layout with random contents, tones ±10 Hz, index 1.8 to 2.2 (the same for both tones), rate ±50 ppm,
offset ±1.4 kHz, unknown start and phases, in white noise. Success: every symbol right and the error check good.
`--search` hands over nothing but noise with a call somewhere in it and lets the second detector find the place.
The waveforms are our own, so this measures the receiver against noise, not against other people's transmitters.
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.compositions.call import ROWS, CallOrder, call_bits, error_check_of
from sdrcheck.compositions.waveform import shifted, vhf_call
from sdrcheck.decoders.dsc import fields, vhf
from sdrcheck.decoders.dsc.call import Area
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.decoders.dsc.symbols import Format
from sdrcheck.decoders.dsc.vhf_light import Discriminated, Search
from sdrcheck.decoders.dsc.vhf_reading import read_light
from sdrcheck.filters.excerpt import Excerpt

TYPES = tuple(t for t in ROWS if not t.value.startswith("semi-automatic"))
"""Every type with a layout; the doubtful semi-automatic ones are left out."""

OWN_DISTRESS = (CallType.SELF_CANCEL, CallType.MAN_OVERBOARD_CLOSED_LOOP)
NATURE_FIXED = (CallType.EPIRB_ALERT, CallType.MAN_OVERBOARD_ALERT, CallType.MAN_OVERBOARD_CLOSED_LOOP)


def random_call(random: np.random.Generator) -> list[int]:
    """The information symbols of a call of a random type with random contents; the identities are invented."""
    kind = TYPES[random.integers(len(TYPES))]
    row = ROWS[kind]
    ship = f"{random.integers(201, 776)}{random.integers(0, 1_000_000):06d}"
    other = f"{random.integers(201, 776)}{random.integers(0, 1_000_000):06d}"
    to: str | None = None
    if row.format == Format.GROUP:
        to = "0" + other[:8]
    elif row.format not in (Format.DISTRESS, Format.ALL_SHIPS, Format.AREA):
        to = other if random.random() < 0.5 else "00" + other[:7]
    place = (round(random.uniform(-80, 80) * 60) / 60, round(random.uniform(-179, 179) * 60) / 60)
    channel = fields.pack_channel(str(random.integers(1, 29)))
    nature = int(random.integers(100, 109))
    utc = f"{random.integers(24):02d}:{random.integers(60):02d}"
    order = CallOrder(
        type=kind,
        self_id=ship,
        to=to,
        area=Area(
            north_west_latitude=float(random.integers(0, 80)),
            north_west_longitude=float(-random.integers(0, 170)),
            south_extent_degrees=float(random.integers(1, 60)),
            east_extent_degrees=float(random.integers(1, 60)),
        )
        if row.format == Format.AREA
        else None,
        distress_id=other if row.message == "reference" and kind not in OWN_DISTRESS else None,
        nature=nature if row.message in ("alert", "reference") and kind not in NATURE_FIXED else None,
        position=place if row.message in ("alert", "reference", "position") and random.random() < 0.8 else None,
        utc=utc if row.message in ("alert", "reference", "position") and random.random() < 0.8 else None,
        receive=channel if row.message == "channels" else None,
        transmit=channel if row.message == "channels" else None,
    )
    return order.information()


@dataclass(frozen=True)
class Trial:
    """One call in noise and what it says."""

    excerpt: Excerpt
    symbols: tuple[int, ...]


def trial(
    random: np.random.Generator, level_dbhz: float, sample_rate_hz: float = 48_000.0, around_s: float = 0.1
) -> Trial:
    """A random call at a carrier-to-noise density, `around_s` to twice that of noise on each side of it."""
    information = random_call(random)
    index = random.uniform(1.8, 2.2)
    call = vhf_call(
        call_bits(information),
        sample_rate_hz,
        index_b=index,
        index_y=index,
        tone_b_hz=2100 + random.uniform(-10, 10),
        tone_y_hz=1300 + random.uniform(-10, 10),
        rate_bd=1200 * (1 + random.uniform(-50e-6, 50e-6)),
        subcarrier_start=random.uniform(0, 2 * math.pi),
    )
    call = shifted(call, sample_rate_hz, random.uniform(-1400, 1400)) * np.exp(1j * random.uniform(0, 2 * math.pi))
    before, after = (round(random.uniform(1, 2) * around_s * sample_rate_hz) for _ in range(2))
    density = 10 ** (-level_dbhz / 10)
    iq = white_noise(random, before + call.size + after, density * sample_rate_hz)
    iq[before : before + call.size] += call
    excerpt = Excerpt(
        iq=iq.astype(np.complex64),
        sample_rate_hz=sample_rate_hz,
        centre_hz=156_525_000.0,
        start_s=0.0,
        key_on=before,
        key_off=before + call.size,
        noise_density=density,
        edge_uncertainty_s=0.02,
    )
    return Trial(excerpt, (*information, error_check_of(information)))


def white_noise(random: np.random.Generator, count: int, power: float) -> NDArray[np.complex128]:
    """Complex white noise of a mean power."""
    pairs = random.standard_normal((count, 2)) * math.sqrt(power / 2)
    return pairs.view(np.complex128)[:, 0]


def light_alone(one: Trial) -> bool:
    """Whether the discriminator with soft values reads the call."""
    sound = Discriminated(one.excerpt.iq, one.excerpt.sample_rate_hz)
    search = Search(sound)
    for start in search.starts():
        reading = read_light(search, start, one.excerpt.noise_density, sound.duration_s, 0.0)
        if reading.frame.symbols == one.symbols and reading.frame.error_check == "ok":
            return True
    return False


def whole(one: Trial, *, searched: bool) -> tuple[bool, bool, bool]:
    """Whether the decoder reads it right, whether it says another call with a good check, and the ordinary receiver."""
    excerpt = one.excerpt
    if searched:
        places = vhf.present(excerpt.iq, excerpt.sample_rate_hz)
        if not places:
            return False, False, False
        ends = [round(s * excerpt.sample_rate_hz) for s in (places[0].start_s, places[0].end_s)]
        excerpt = Excerpt(
            iq=excerpt.iq,
            sample_rate_hz=excerpt.sample_rate_hz,
            centre_hz=excerpt.centre_hz,
            start_s=0.0,
            key_on=ends[0],
            key_off=min(ends[1], excerpt.iq.size),
            noise_density=excerpt.noise_density,
            edge_uncertainty_s=places[0].edge_uncertainty_s,
        )
    calls = [decoded.call for decoded in vhf.decode(excerpt).calls]
    right = any(call.symbols == one.symbols and call.error_check == "ok" for call in calls)
    wrong = any(call.symbols != one.symbols and call.error_check == "ok" for call in calls)
    ordinary = any(call.symbols == one.symbols and call.ordinary_receiver.accepted for call in calls)
    return right, wrong, ordinary


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--calls", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--levels", default="52,50,49,48,47,46,44,40,38,36,35,34,33,32")
    parser.add_argument("--search", action="store_true")
    options = parser.parse_args()
    print("C/N0 dB-Hz  ordinary receiver  light path  whole decoder  wrong but good check  ms a call")
    for level in (float(text) for text in options.levels.split(",")):
        random = np.random.default_rng([options.seed, round(10 * level)])
        counts = np.zeros(4, int)
        spent = 0.0
        for _ in range(options.calls):
            one = trial(random, level, around_s=1.0 if options.search else 0.1)
            begin = time.process_time()
            right, wrong, ordinary = whole(one, searched=options.search)
            spent += time.process_time() - begin
            counts += np.array([ordinary, light_alone(one), right, wrong])
        shares = [f"{100 * count / options.calls:.0f} %" for count in counts[:3]]
        print(
            f"{level:10.1f}  {shares[0]:>17}  {shares[1]:>10}  {shares[2]:>13}  {counts[3]:>20}  "
            f"{1000 * spent / options.calls:9.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
