"""Bytes become numbers here, and nowhere else.

Conventions: full scale is 1.0, so 0 dBFS is |I + jQ| of full-code magnitude. For `cu8` zero lies between the codes
127 and 128, so 127.5 is subtracted and divided by; `ci8` and `ci16_le` are divided by 128 and 32 768. No DC is
removed here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex64]


def complex_samples(raw: NDArray[Any], datatype: str) -> Complex:
    """Turn interleaved I, Q of a SigMF datatype into complex64 with full scale 1.0; shape (samples,).

    One-channel sound (`ri16_le`, `rf32_le`) becomes complex with Q = 0.
    """
    if datatype == "cu8":
        pairs = np.subtract(raw, np.float32(127.5), dtype=np.float32)
        pairs /= np.float32(127.5)
    elif datatype == "ci8":
        pairs = raw.astype(np.float32)
        pairs /= np.float32(128)
    elif datatype == "ci16_le":
        pairs = raw.astype(np.float32) * np.float32(1 / 32768)
    elif datatype == "cf32_le":
        pairs = np.ascontiguousarray(raw, dtype=np.float32)
    elif datatype == "rf32_le":
        return raw.astype(np.complex64)
    elif datatype == "ri16_le":
        return (raw * np.float32(1 / 32768)).astype(np.complex64)
    else:
        raise ValueError(f"unknown sample datatype {datatype!r}")
    return pairs.view(np.complex64)


_END_CODES = {"cu8": (0, 255), "ci8": (-128, 127), "ci16_le": (-32768, 32767), "ri16_le": (-32768, 32767)}


def clipped_places(raw: NDArray[Any], datatype: str) -> NDArray[np.int64]:
    """Find the complex samples with a component at an end code: the converter ran out of range there."""
    lowest, highest = _END_CODES.get(datatype, (-1.0, 1.0))
    if raw.size == 0 or (raw.min() > lowest and raw.max() < highest):
        return np.zeros(0, np.int64)  # nearly always, and far quicker to see
    ends = (raw <= lowest) | (raw >= highest)
    return np.flatnonzero(ends if datatype.startswith("r") else ends[0::2] | ends[1::2])


def clipped_count(raw: NDArray[Any], datatype: str) -> int:
    """Count the complex samples with a component at an end code."""
    return clipped_places(raw, datatype).size
