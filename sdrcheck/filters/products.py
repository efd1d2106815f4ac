"""What a strong signal makes elsewhere in the span: its mirror image, clipping products, splatter.

A product says what its origin says, at the same time, only weaker; a signal of its own does not.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.iq import Complex

ORDERS = (-1, -3, 5, 2, 3)
"""Multiples of the origin's frequency where the converter's faults put products; −1 is the mirror image."""
_CHUNK_S = 0.02


def order_of(offset_hz: float, origin_hz: float, sample_rate_hz: float, tolerance_hz: float) -> int | None:
    """Which product of a signal at `origin_hz` could lie at `offset_hz` (both from the span's centre), or None."""
    for order in ORDERS:
        distance = (offset_hz - order * origin_hz + sample_rate_hz / 2) % sample_rate_hz - sample_rate_hz / 2
        if abs(distance) <= tolerance_hz:
            return order
    return None


def shared_fraction(
    weak: Complex, strong: Complex, order: int, offset_hz: float, origin_hz: float, rate_hz: float, span_rate_hz: float
) -> float:
    """How much of the weak signal's power (0…1) follows the strong one's phase as a product of that order would.

    Both come from the same filter and cover the same samples, 0 Hz being `offset_hz` and `origin_hz`.
    """
    count = min(weak.size, strong.size)
    chunk = max(16, round(_CHUNK_S * rate_hz))
    rows = count // chunk
    if rows == 0:
        chunk, rows = count, 1
    if count < 16:
        return 0.0
    weak, strong = weak[: rows * chunk], strong[: rows * chunk]
    size = np.abs(strong)
    unit = np.divide(strong, size, out=np.zeros_like(strong), where=size > 0)
    turned = unit ** abs(order) if order < 0 else np.conj(unit) ** order
    # where the product's own centre differs from the weak excerpt's, the rest is a known turn
    rest_hz = (offset_hz - order * origin_hz + span_rate_hz / 2) % span_rate_hz - span_rate_hz / 2
    turn = np.exp(2j * np.pi * math.fmod(rest_hz / rate_hz, 1.0) * np.arange(weak.size))
    # an image follows the origin's amplitude, too; the others come from a limiter
    model = turned * (size if order == -1 else 1.0)
    product = (weak * model * turn).reshape(rows, chunk)
    coherent = float(np.sum(np.abs(product.sum(axis=1)) ** 2 / np.maximum(_power(model, rows, chunk), 1e-30)))
    total = float(np.sum(np.abs(weak.astype(np.complex128)) ** 2))
    return coherent / total if total > 0 else 0.0


def _power(model: NDArray[Any], rows: int, chunk: int) -> NDArray[np.float64]:
    power: NDArray[np.float64] = np.sum(np.abs(model.reshape(rows, chunk)) ** 2, axis=1)
    return power
