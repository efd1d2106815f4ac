"""Messages as bits against worked streams that a script independent of this project computed from Rec. M.476-5."""

from __future__ import annotations

import hashlib
import zlib
from pathlib import Path

import pytest

from sdrcheck.compositions.text import PHASING_PAIRS, TextMessage, bits_on_air, slots_on_air
from sdrcheck.errors import CompositionError

STREAMS = Path(__file__).parents[1] / "published" / "mode-b-streams.txt"

MESSAGES = {
    "1": [TextMessage("E", "A", "01", "TEST").characters(redundant_shifts=False)],
    "2": [TextMessage("S", "A", "12", "101200 UTC MAR\nGERMAN BIGHT. BUOY UNLIT\n54-10.5N 008-05.2E").characters()],
    "3": [
        TextMessage("L", "D", "00", "MAYDAY RELAY").characters(redundant_shifts=False),
        TextMessage("L", "Z", "40", "NO MESSAGES ON HAND").characters(redundant_shifts=False),
    ],
}


def published(example: str) -> tuple[int, str, str, list[str]]:
    """Length, CRC-32, SHA-256 and the printed words of an example."""
    lines = iter(STREAMS.read_text(encoding="utf-8").splitlines())
    name, count, crc, digest = next(line.split()[1:] for line in lines if line.startswith(f"@ {example} "))
    words: list[str] = []
    for line in lines:
        if line.startswith("@"):
            break
        words += line.split()
    assert name == example
    return int(count), crc, digest, words


@pytest.mark.parametrize("example", ["1", "2", "3"])
def test_stream_is_the_worked_one_bit_by_bit(example: str) -> None:
    count, crc, digest, words = published(example)
    sent = "".join(map(str, bits_on_air(slots_on_air(MESSAGES[example]))))
    assert len(sent) == count
    assert sent[: PHASING_PAIRS * 14] == "01100111111000" * PHASING_PAIRS
    first = sent[PHASING_PAIRS * 14 :]
    if example != "3":
        assert first.startswith("".join(words))
    else:  # between the two messages 34 of the 36 pairs of phasing are left out of the print
        half = next(i for i in range(2, len(words), 2) if words[i : i + 4] == ["0110011", "0011011"] * 2) + 4
        assert first.startswith("".join(words[:half]))
        assert "".join(words[half:]) in first[half * 7 :]
    assert format(zlib.crc32(sent.encode()), "08X") == crc
    assert hashlib.sha256(sent.encode()).hexdigest() == digest


def test_second_copy_starts_350_ms_after_the_first() -> None:
    """280 ms lie between the end of the first and the start of the second (Japan, MPT Notice 543): five slots on."""
    slots = slots_on_air(MESSAGES["1"])
    dx = slots[0::2]
    for pair, place in enumerate(MESSAGES["1"][0], PHASING_PAIRS):
        assert dx[pair] == place
        assert slots[2 * pair + 5] == place


@pytest.mark.parametrize(
    ("station", "subject", "number", "text", "said"),
    [
        ("EE", "A", "01", "X", "station"),
        ("E", "1", "01", "X", "subject"),
        ("E", "A", "1", "X", "number"),
        ("E", "A", "01", "50 % & MORE", "'%' '&'"),
        ("E", "A", "01", "END NNNN OF", "NNNN"),
    ],
)
def test_what_cannot_be_sent_is_refused_with_its_reason(
    station: str, subject: str, number: str, text: str, said: str
) -> None:
    with pytest.raises(CompositionError, match=said):
        TextMessage(station, subject, number, text)
