"""Bytes become numbers once: codes, scale and end codes."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.filters.iq import clipped_count, complex_samples


@pytest.mark.parametrize(
    ("datatype", "numpy_type", "zero", "full"),
    [("cu8", np.uint8, 127.5, 127.5), ("ci8", np.int8, 0, 128), ("ci16_le", "<i2", 0, 32768), ("cf32_le", "<f4", 0, 1)],
)
def test_every_code_has_its_number(datatype, numpy_type, zero, full):
    codes = np.array([0, 1, 100, 127], numpy_type)
    samples = complex_samples(codes, datatype)
    expected = (codes.astype(float) - zero) / full
    assert samples.dtype == np.complex64
    assert samples == pytest.approx(expected[0::2] + 1j * expected[1::2], rel=1e-6)


def test_all_pairs_of_eight_bits_are_what_their_halves_are():
    for datatype, numpy_type in (("cu8", np.uint8), ("ci8", np.int8)):
        raw = np.arange(1 << 16, dtype=np.uint16).view(numpy_type)
        samples = complex_samples(raw, datatype)
        zero, full = (127.5, 127.5) if datatype == "cu8" else (0, 128)
        assert np.array_equal(samples.real, ((raw[0::2].astype(np.float32) - np.float32(zero)) / np.float32(full)))
        assert np.array_equal(samples.imag, ((raw[1::2].astype(np.float32) - np.float32(zero)) / np.float32(full)))


@pytest.mark.parametrize(
    ("datatype", "raw", "clipped"),
    [
        ("cu8", np.array([1, 254, 0, 7, 255, 255], np.uint8), 2),
        ("cu8", np.array([1, 254, 3, 7], np.uint8), 0),
        ("ci8", np.array([-128, 0, 5, 127, 1, 1], np.int8), 2),
        ("ci16_le", np.array([32767, 0, 5, 6], "<i2"), 1),
        ("cf32_le", np.array([0.5, -1.0, 0.2, 0.9], "<f4"), 1),
        ("rf32_le", np.array([0.5, -1.0, 1.2, 0.9], "<f4"), 2),
        ("cu8", np.array([], np.uint8), 0),
    ],
)
def test_samples_at_an_end_code_are_counted_once(datatype, raw, clipped):
    assert clipped_count(raw, datatype) == clipped


def test_an_unknown_datatype_is_refused():
    with pytest.raises(ValueError, match="cs12"):
        complex_samples(np.zeros(4, np.int16), "cs12")
