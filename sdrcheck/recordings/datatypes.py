"""The kinds of samples that recordings hold, by SigMF's names, and numbers turned into them.

The way back, from codes to numbers, is `filters/iq.py`; both keep the same scale: full scale is 1.0, and zero of `cu8`
lies between the codes 127 and 128.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

NUMPY_TYPES: dict[str, np.dtype[Any]] = {
    "cu8": np.dtype(np.uint8),
    "ci8": np.dtype(np.int8),
    "ci16_le": np.dtype("<i2"),
    "cf32_le": np.dtype("<f4"),
    "ri16_le": np.dtype("<i2"),
    "rf32_le": np.dtype("<f4"),
}
"""Numpy type of one component of each SigMF datatype that we read; those with r hold one-channel sound, without Q."""

_SCALES = {"cu8": (127.5, 127.5), "ci8": (128.0, 0.0), "ci16_le": (32768.0, 0.0), "ri16_le": (32768.0, 0.0)}


def components(datatype: str) -> int:
    """Numbers in one sample: 2 for I and Q, 1 for sound."""
    return 1 if datatype.startswith("r") else 2


def bytes_per_sample(datatype: str) -> int:
    return components(datatype) * NUMPY_TYPES[datatype].itemsize


def quantise(samples: NDArray[Any], datatype: str) -> NDArray[Any]:
    """Round samples of full scale 1.0 to the nearest codes, without dither; what is beyond the end codes is clipped.

    Complex samples become I, Q, I, Q …; for sound the real part counts. Raises ValueError for NaN or infinity.
    """
    if datatype not in NUMPY_TYPES:
        raise ValueError(f"unknown sample datatype {datatype!r}; known: {', '.join(NUMPY_TYPES)}")
    if samples.dtype.kind not in "fc":
        raise ValueError(f"numbers of full scale 1.0 are quantised, got {samples.dtype}")
    if not np.all(np.isfinite(samples)):
        raise ValueError("samples hold a number that is not finite")
    if components(datatype) == 1:
        numbers = np.real(samples)
    else:
        wide = np.complex64 if samples.dtype == np.complex64 else np.complex128
        numbers = np.ascontiguousarray(samples, dtype=wide).view(np.finfo(wide).dtype)
    code = NUMPY_TYPES[datatype]
    if datatype not in _SCALES:
        return numbers.astype(code)
    scale, zero = _SCALES[datatype]
    ends = np.iinfo(code)
    return np.clip(np.rint(numbers * scale + zero), ends.min, ends.max).astype(code)
