"""The filter bank against what a mixer and an ordinary filter do."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.filters.channeliser import (
    SINGLE_SIDEBAND,
    TELEGRAPHY,
    TELEPHONY_FM,
    Channeliser,
    Passband,
)

BANKS = [
    (2_400_000.0, 0.027, 123_456.7, TELEPHONY_FM),
    (1_024_000.0, 0.027, -401_234.5, TELEPHONY_FM),
    (280_000.0, 0.027, 30_268.0, TELEPHONY_FM),
    (25_000.0, 0.027, 100.0, TELEPHONY_FM),  # sampled slower than its channels
    (12_001.0, 0.15, 1_500.3, TELEGRAPHY),
    (11_998.902, 0.15, -1_111.0, SINGLE_SIDEBAND),
    (8_000.0, 0.15, -900.0, TELEGRAPHY),
    (3_200_000.0, 0.15, 5_000.0, TELEGRAPHY),
]


def channel_of(bank: Channeliser, iq: np.ndarray, offset_hz: float, passband: Passband, pieces: int = 5) -> np.ndarray:
    batches = [batch for part in np.array_split(iq, pieces) for batch in bank.feed(part)] + list(bank.flush())
    cuts = [(bank.cut(batch, offset_hz, passband), batch.first_block) for batch in batches]
    return np.concatenate([bank.samples_of(cut, first, offset_hz, passband) for cut, first in cuts])


@pytest.mark.parametrize(("rate", "block_s", "offset_hz", "passband"), BANKS)
def test_a_line_comes_out_where_and_when_it_was(rate, block_s, offset_hz, passband):
    bank = Channeliser(rate, block_s, 4)
    count = int(bank.hop * 5.3)
    inside_hz = 0.3 * passband.high_hz
    line = 0.5 * np.exp(2j * np.pi * (offset_hz + inside_hz) / rate * np.arange(count))
    out = channel_of(bank, line.astype(np.complex64), offset_hz, passband)
    channel_rate = bank.channel_rate_hz(passband)
    wanted = 0.5 * np.exp(2j * np.pi * inside_hz / channel_rate * np.arange(out.size))
    end = int(count / rate * channel_rate)
    settled = slice(int(0.1 * end), int(0.9 * end))  # the line's own edges ring in the filter
    # where the channel fills the whole span, the span's own edges cut into its filter
    narrow = rate < 2 * passband.high_hz + 2 * bank.transition_hz
    assert np.max(np.abs(out - wanted)[settled]) < (1e-3 if narrow else 2e-4)


@pytest.mark.parametrize(("rate", "block_s", "offset_hz", "passband"), BANKS)
def test_white_noise_comes_out_with_the_stated_bandwidth(rate, block_s, offset_hz, passband):
    bank = Channeliser(rate, block_s, 8)
    random = np.random.default_rng(3)
    count = bank.hop * 24
    noise = (random.standard_normal((count, 2)).view(complex)[:, 0]).astype(np.complex64)
    out = channel_of(bank, noise, offset_hz, passband)
    power = np.mean(np.abs(out) ** 2)
    stated = bank.noise_bandwidth_hz(passband) * 2 / rate
    inside = min(passband.high_hz, rate / 2 - offset_hz) - max(passband.low_hz, -rate / 2 - offset_hz)
    if inside == passband.high_hz - passband.low_hz:  # all of the channel lies in the span
        assert power == pytest.approx(stated, rel=6 / np.sqrt(out.size) + 0.02)


def test_the_channel_filter_stops_the_next_channel_and_passes_its_own():
    bank = Channeliser(1_024_000.0, 0.027)
    for inside_hz, least_db, most_db in (
        (-11_000, -0.01, 0.01),
        (0, -0.01, 0.01),
        (11_000, -0.01, 0.01),
        (17_000, -200, -75),
    ):
        line = np.exp(2j * np.pi * inside_hz / 1_024_000.0 * np.arange(bank.hop * 9)).astype(np.complex64)
        out = channel_of(bank, line, 0.0, TELEPHONY_FM)
        middle = out[out.size // 3 : out.size // 2]
        level_db = 10 * np.log10(np.mean(np.abs(middle) ** 2) + 1e-30)
        assert least_db < level_db < most_db, f"{inside_hz} Hz: {level_db:.2f} dB"


def test_blocks_do_not_show_where_they_join():
    """The same samples cut at other places give the same channel: overlap-save leaves no seams."""
    rate, count = 250_000.0, 250_000
    noise = np.random.default_rng(4).standard_normal((count, 2)).view(complex)[:, 0].astype(np.complex64)
    whole = Channeliser(rate, 0.027)
    later = Channeliser(rate, 0.027)
    shift = 3 * whole.hop // 2 // 16 * 16
    first = channel_of(whole, noise, 10_000.0, TELEPHONY_FM)
    second = channel_of(later, noise[shift:], 10_000.0, TELEPHONY_FM)
    moved = shift * whole.bins(TELEPHONY_FM) / whole.size
    assert moved == round(moved)
    turn = np.exp(-2j * np.pi * 10_000.0 / rate * shift)
    a, b = first[int(moved) + 500 : int(moved) + 30_000], second[500:30_000] * turn
    assert np.max(np.abs(a - b)) < 1e-4 * np.std(a)


def test_real_sound_gives_its_upper_half_at_full_amplitude():
    bank = Channeliser(48_000.0, 0.15, one_sided=True)
    sound = np.cos(2 * np.pi * 1_700.0 / 48_000 * np.arange(bank.hop * 9)).astype(np.complex64)
    out = channel_of(bank, sound, 1_700.0, TELEGRAPHY)
    assert np.abs(out[out.size // 3 : out.size // 2]) == pytest.approx(1.0, abs=1e-3)
    assert np.angle(out[out.size // 3 : out.size // 2]) == pytest.approx(0.0, abs=1e-2)
