"""What can be wrong with a sender or its call, by name, and the waveform of a call sent that way.

Everything is synthetic; what is made here proves only that encoder and decoder agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sdrcheck.compositions.call import copy_places
from sdrcheck.compositions.f1b import RATE_BD, SHIFT_HZ, keyed_bits
from sdrcheck.compositions.waveform import (
    MODULATION_INDEX,
    VHF_RATE_BD,
    VHF_TONE_B_HZ,
    VHF_TONE_Y_HZ,
    shifted,
    vhf_call,
)
from sdrcheck.decoders.dsc.symbols import SYMBOL_BITS
from sdrcheck.errors import CompositionError

Copy = Literal["first", "second", "both"]


@dataclass(frozen=True, slots=True)
class SenderFaults:
    """How a sender differs from a good one. Frequencies in hertz; the rate error is (sent − nominal)/nominal."""

    offset_hz: float = 0.0
    drift_hz_per_s: float = 0.0
    rate_ppm: float = 0.0
    inverted: bool = False
    """B and Y exchanged."""
    hum_hz: float = 100.0
    hum_deviation_hz: float = 0.0
    cut_start_s: float = 0.0
    """Missing at the start of the keying."""
    cut_end_s: float = 0.0
    index_b: float = MODULATION_INDEX
    """VHF: peak phase deviation by the 2100 Hz tone, radians."""
    index_y: float = MODULATION_INDEX
    tone_b_error_hz: float = 0.0
    tone_y_error_hz: float = 0.0

    def without_pre_emphasis(self) -> SenderFaults:
        """The same sender with one frequency deviation for both tones: that of a correct 1300 Hz tone."""
        flat = self.index_y * (VHF_TONE_Y_HZ + self.tone_y_error_hz) / (VHF_TONE_B_HZ + self.tone_b_error_hz)
        return SenderFaults(**{name: getattr(self, name) for name in self.__slots__} | {"index_b": flat})


@dataclass(frozen=True, slots=True)
class CharacterFault:
    """One bit of a character sent wrong, in one copy or both; the format specifier is character 1."""

    character: int
    copy: Copy = "first"
    bit: int = 4
    """1 to 10, in the order of sending."""

    def __post_init__(self) -> None:
        if self.character < 1 or not 1 <= self.bit <= SYMBOL_BITS or self.copy not in ("first", "second", "both"):
            raise CompositionError(
                f"a character fault needs a character from 1, a bit from 1 to 10 and the copy first, second or both, "
                f"got character {self.character}, bit {self.bit}, copy {self.copy!r}"
            )


def with_character_faults(bits: Sequence[int], faults: Sequence[CharacterFault], dots: int) -> list[int]:
    """The bits of one call with single bits turned over. Raises CompositionError behind the end of the call."""
    sent = list(bits)
    for fault in faults:
        first, second = copy_places(fault.character)
        places = {"first": (first,), "second": (second,), "both": (first, second)}[fault.copy]
        for place in places:
            index = dots + place * SYMBOL_BITS + fault.bit - 1
            if index >= len(sent):
                raise CompositionError(f"the call has no character {fault.character}")
            sent[index] ^= 1
    return sent


def vhf_keying(
    calls: Sequence[Sequence[int]],
    sample_rate_hz: float,
    faults: SenderFaults,
    *,
    gap_s: float = 0.0,
    carrier_s: float = 0.0,
) -> NDArray[np.complex128]:
    """One keying with one or several calls, unit amplitude; in a gap the carrier stays on, unmodulated.

    `carrier_s` of bare carrier stands before and after, so that it rises and falls without eating bits.
    """
    rate_bd = VHF_RATE_BD * (1 + faults.rate_ppm * 1e-6)

    def modulated(bits: Sequence[int]) -> NDArray[np.complex128]:
        return vhf_call(
            [1 - bit for bit in bits] if faults.inverted else bits,
            sample_rate_hz,
            index_b=faults.index_b,
            index_y=faults.index_y,
            tone_b_hz=VHF_TONE_B_HZ + faults.tone_b_error_hz,
            tone_y_hz=VHF_TONE_Y_HZ + faults.tone_y_error_hz,
            rate_bd=rate_bd,
        )

    bare = np.ones(round(carrier_s * sample_rate_hz), np.complex128)
    parts: list[NDArray[np.complex128]] = [bare]
    for number, run in enumerate(calls if gap_s else [[bit for call in calls for bit in call]]):
        if number:
            parts.append(np.ones(round(gap_s * sample_rate_hz), np.complex128))
        parts.append(modulated(run))
    parts.append(bare * (parts[-1][-1] if parts[-1].size else 1.0))
    return np.concatenate(parts)


def sent_by(iq: NDArray[np.complex128], sample_rate_hz: float, faults: SenderFaults) -> NDArray[np.complex128]:
    """Any keying as the faulty sender puts it on the air: hum, offset and drift, cut at its ends."""
    if faults.hum_deviation_hz:
        times = np.arange(iq.size) / sample_rate_hz
        swing = faults.hum_deviation_hz / faults.hum_hz
        iq = iq * np.exp(1j * swing * np.sin(2 * math.pi * faults.hum_hz * times))
    iq = shifted(iq, sample_rate_hz, faults.offset_hz, faults.drift_hz_per_s)
    first, last = round(faults.cut_start_s * sample_rate_hz), iq.size - round(faults.cut_end_s * sample_rate_hz)
    if first >= last:
        raise CompositionError("the cuts at start and end leave nothing of the transmission")
    return iq[first:last]


def mf_keying(
    calls: Sequence[Sequence[int]],
    sample_rate_hz: float,
    faults: SenderFaults,
    *,
    gap_s: float = 0.0,
    shift_hz: float = SHIFT_HZ,
) -> NDArray[np.complex128]:
    """The same on MF and HF: F1B, unit amplitude; in a gap the carrier is off."""
    rate_bd = RATE_BD * (1 + faults.rate_ppm * 1e-6)
    runs = calls if gap_s else [[bit for call in calls for bit in call]]
    parts: list[NDArray[np.complex128]] = []
    for number, bits in enumerate(runs):
        if number:
            parts.append(np.zeros(round(gap_s * sample_rate_hz), np.complex128))
        keyed = keyed_bits(
            bits, sample_rate_hz, one_is="Y", rate_bd=rate_bd, shift_hz=shift_hz, inverted=faults.inverted, edge_s=0.0
        )
        parts.append(keyed)
    return np.concatenate(parts)
