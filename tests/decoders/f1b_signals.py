"""F1B excerpts for tests and benchmarks. Synthetic: they show that encoder and decoder agree, and how noise acts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels.channel import Channel
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.decoders.dsc import fields
from sdrcheck.decoders.dsc.call import Area
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.filters.iq import Complex

SHIP, COAST = "211999990", "002119990"
"""Invented."""

_FREQUENCY = fields.pack_frequency(2_182_000.0, False)
_AREA = Area(north_west_latitude=56.0, north_west_longitude=4.0, south_extent_degrees=3.0, east_extent_degrees=12.0)

ORDERS: tuple[CallOrder, ...] = (
    CallOrder(type=CallType.DISTRESS_ALERT, band="mf", self_id=SHIP, position=(55.2, 12.55), utc="15:36"),
    CallOrder(type=CallType.DISTRESS_ALERT, band="mf", self_id=SHIP),
    CallOrder(type=CallType.TEST_CALL, band="mf", self_id=SHIP, to=COAST),
    CallOrder(type=CallType.TEST_ACKNOWLEDGEMENT, band="mf", self_id=COAST, to=SHIP),
    CallOrder(type=CallType.AREA_URGENCY, band="mf", self_id=SHIP, area=_AREA, receive=_FREQUENCY, transmit=_FREQUENCY),
    CallOrder(type=CallType.ALL_SHIPS_SAFETY, band="mf", self_id=SHIP, receive=_FREQUENCY, transmit=_FREQUENCY),
    CallOrder(type=CallType.INDIVIDUAL_ROUTINE, band="mf", self_id=SHIP, to="211999980", receive=_FREQUENCY),
    CallOrder(type=CallType.DISTRESS_ACKNOWLEDGEMENT, band="mf", self_id=COAST, distress_id=SHIP, utc="15:36"),
    CallOrder(type=CallType.RELAY_ALL_SHIPS, band="mf", self_id=COAST, distress_id=SHIP, position=(55.2, 12.55)),
    CallOrder(type=CallType.POSITION_REPLY, band="mf", self_id=SHIP, to=COAST, position=(55.2, 12.55), utc="08:15"),
)
"""One call of each layout that MF and HF know."""


def noise(count: int, density: float, sample_rate_hz: float, random: np.random.Generator) -> NDArray[np.complex128]:
    """White noise of `density` (power per hertz, full scale squared)."""
    parts = random.standard_normal((count, 2)) * math.sqrt(density * sample_rate_hz / 2)
    return parts.view(np.complex128)[:, 0]


def noise_density(ebn0_db: float, rate_bd: float = 100.0) -> float:
    """Noise power per hertz that leaves a carrier of unit amplitude this energy per bit over noise density."""
    return 10 ** (-ebn0_db / 10) / rate_bd


def bits_of_order(order: CallOrder) -> list[int]:
    return call_bits(order.information(), dots=order.usual_dots())


def delayed(iq: NDArray[np.complex128], sample_rate_hz: float, by_s: float) -> NDArray[np.complex128]:
    """The same band-limited samples later by less than their padding."""
    frequency = np.fft.fftfreq(iq.size, 1 / sample_rate_hz)
    return np.fft.ifft(np.fft.fft(iq) * np.exp(-2j * np.pi * frequency * by_s))


def on_air(
    bits: Sequence[int],
    random: np.random.Generator,
    *,
    one_is: Literal["B", "Y"],
    ebn0_db: float,
    sample_rate_hz: float = 2_000.0,
    offset_hz: float = 0.0,
    drift_hz_per_s: float = 0.0,
    rate_ppm: float = 0.0,
    shift_hz: float = 170.0,
    inverted: bool = False,
    lead_s: float = 1.0,
    tail_s: float = 1.0,
) -> tuple[Complex, float]:
    """One keying in noise, its bits at an arbitrary place between the samples; and when its first bit begins."""
    keyed = keyed_bits(
        bits,
        sample_rate_hz,
        one_is=one_is,
        rate_bd=100 * (1 + rate_ppm * 1e-6),
        shift_hz=shift_hz,
        inverted=inverted,
        phase=random.uniform(0, 2 * np.pi),
    )
    times = np.arange(keyed.size) / sample_rate_hz
    keyed = keyed * np.exp(2j * np.pi * (offset_hz * times + drift_hz_per_s / 2 * (times - times[-1] / 2) ** 2))
    lead = round(lead_s * sample_rate_hz)
    whole = np.concatenate([np.zeros(lead), keyed, np.zeros(round(tail_s * sample_rate_hz))])
    late_s = random.uniform(0, 0.01)
    whole = delayed(whole, sample_rate_hz, late_s) + noise(whole.size, noise_density(ebn0_db), sample_rate_hz, random)
    return whole.astype(np.complex64), lead / sample_rate_hz + late_s


def excerpt_of(
    iq: Complex,
    sample_rate_hz: float = 2_000.0,
    *,
    ebn0_db: float = 40.0,
    centre_hz: float = 2_187_500.0,
    channel: Channel | None = None,
    start_s: float = 0.0,
) -> Excerpt:
    return Excerpt(
        iq=iq,
        sample_rate_hz=sample_rate_hz,
        centre_hz=centre_hz,
        start_s=start_s,
        key_on=0,
        key_off=iq.size,
        noise_density=noise_density(ebn0_db),
        channel=channel,
    )
