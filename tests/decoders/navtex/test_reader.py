"""Messages from samples: worked faults of the standard's rules, edges of a recording, other stations, bad channels.

The signals are our own, so they show that encoder and decoder agree; the expected counts of the damaged streams were
worked out by hand from the rule of one-way error correction (Japan, MPT Notice 568 of 1990, appended table 3, the
national rendering of Rec. ITU-R M.476/M.625).
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
import pytest

from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.compositions.f1b import fading, impulses, keyed_bits
from sdrcheck.compositions.text import PHASING_PAIRS, TextMessage, bits_on_air, slots_on_air
from sdrcheck.decoders.decoder import Decode
from sdrcheck.decoders.navtex import Reader, decode
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.decoders.navtex.receiver import ConformingReceiver
from sdrcheck.decoders.navtex.symbols import ALPHA, RQ
from sdrcheck.filters.iq import Complex
from tests.decoders.f1b_signals import excerpt_of, noise, noise_density, on_air

RATE = 2_000.0
TEXT = (
    "101200 UTC MAR\nGERMAN BIGHT. BUOY UNLIT\n54-10.5N 008-05.2E\nKEEP 2 MILES OFF (SEE 50/3).\nWIND SW 6 = 'FRESH'?"
)
FIRST = TextMessage("E", "A", "01", TEXT)
SECOND = TextMessage("E", "E", "17", "NO GALES. VISIBILITY 5 NM.")
THIRD = TextMessage("E", "D", "00", "INVENTED DRILL: 3/4 + 1")
SHORTEST = TextMessage("E", "A", "01", "TEST")


def sent(messages: Sequence[TextMessage], ebn0_db: float = 25.0, seed: int = 1, **faults: float) -> Complex:
    bits = bits_on_air(slots_on_air([message.characters() for message in messages]))
    return on_air(bits, np.random.default_rng(seed), one_is="B", ebn0_db=ebn0_db, **{"tail_s": 2.0, **faults})[0]


def read(iq: Complex, sample_rate_hz: float = RATE) -> Decode:
    return decode(excerpt_of(iq, sample_rate_hz))


def identity(message: Message) -> str:
    return f"{message.station}{message.subject}{message.number}"


def damaged(changes: Sequence[tuple[int, str, str]]) -> list[int]:
    """The shortest message with words replaced, each by its pair behind the phasing and its slot."""
    bits = bits_on_air(slots_on_air([SHORTEST.characters(redundant_shifts=False)]))
    for pair, slot, word in changes:
        at = (PHASING_PAIRS + pair) * 14 + (7 if slot == "RX" else 0)
        bits[at : at + 7] = [int(bit) for bit in word]
    return bits


def read_bits(bits: Sequence[int], **faults: bool) -> Decode:
    iq, _ = on_air(bits, np.random.default_rng(2), one_is="B", ebn0_db=30.0, tail_s=2.0, **faults)
    return read(iq)


def test_several_messages_come_out_exactly() -> None:
    found = read(sent([FIRST, SECOND, THIRD]))
    assert [(identity(m), m.body, m.complete) for m in found.messages] == [
        ("EA01", FIRST.text, True),
        ("EE17", SECOND.text, True),
        ("ED00", THIRD.text, True),
    ]
    assert all(m.character_errors == m.character_errors_repaired == 0 for m in found.messages)
    assert found.messages[0].phasing_s == pytest.approx(10.08, abs=0.15)
    assert found.messages[1].phasing_s == pytest.approx(5.04, abs=0.15)
    assert found.messages[0].start_s == pytest.approx(11.08, abs=0.02)
    assert found.stray_text == ""
    assert [m.ordinary_receiver.alarm for m in found.messages] == [False, False, True]
    track = found.text_track
    assert track is not None
    assert track.rate_bd == pytest.approx(100, rel=20e-6)


def test_what_an_ordinary_receiver_counts_in_the_worked_damaged_stream() -> None:
    """Of 26 characters one came from DX only, one from RX only, one was lost and one in conflict: 7.7 %, not stored."""
    bits = damaged(
        [
            (13, "DX", "1010111"),
            (16, "RX", "0111101"),
            (15, "DX", "1111001"),
            (17, "RX", "1101011"),
            (16, "DX", "0100111"),
        ]
    )
    assert format(zlib.crc32("".join(map(str, bits)).encode()), "08X") == "C418FA15"
    (message,) = read_bits(bits).messages
    assert (message.characters, message.character_errors) == (26, 2)
    assert message.character_error_ratio == pytest.approx(0.077, abs=0.0005)
    assert (message.first_copy_errors, message.second_copy_errors) == (
        2,
        2,
    )  # which copy of the conflict is bad is open
    assert message.body == "TES*"  # both copies of S add up to S; two clear words that contradict each other do not
    receiver = message.ordinary_receiver
    assert (receiver.printed, receiver.stored) == (True, False)
    assert "7.7 %" in receiver.reason


def test_a_damaged_header_is_heard_but_neither_printed_nor_stored() -> None:
    bits = damaged([(5, "DX", "0110100"), (7, "RX", "1110101")])
    assert format(zlib.crc32("".join(map(str, bits)).encode()), "08X") == "DAE10F06"
    (message,) = read_bits(bits).messages
    assert message.body == "TEST"
    receiver = message.ordinary_receiver
    assert (receiver.printed, receiver.stored) == (False, False)
    assert "B1 to B4" in receiver.reason


def test_reversed_keying_is_read_and_named() -> None:
    found = read_bits(bits_on_air(slots_on_air([SHORTEST.characters()])), inverted=True)
    assert [message.body for message in found.messages] == ["TEST"]
    assert any("inverted" in remark for remark in found.remarks)
    assert found.text_track is not None
    assert found.text_track.inverted
    assert "".join(map(str, found.text_track.bits)).count("01100111111000") > 30


def test_a_late_start_gives_the_rest_as_stray_text_and_the_next_message_whole() -> None:
    found = read(sent([FIRST, SECOND])[round(18 * RATE) :])
    assert [identity(message) for message in found.messages] == ["EE17"]
    assert found.messages[0].body == SECOND.text
    assert found.stray_text.endswith("KEEP 2 MILES OFF (SEE 50/3).\nWIND SW 6 = 'FRESH'?\nNNNN")
    assert any("beginning was not" in remark for remark in found.remarks)


def test_a_message_cut_at_its_end_is_given_as_far_as_it_came() -> None:
    (message,) = read(sent([FIRST])[: round(20 * RATE)]).messages
    assert not message.complete
    assert identity(message) == "EA01"
    assert len(message.body) > 40
    assert FIRST.text.startswith(message.body)
    assert not message.ordinary_receiver.stored


def test_what_comes_out_does_not_depend_on_how_the_samples_are_cut() -> None:
    iq = sent([SHORTEST], ebn0_db=7.0)
    results = []
    for length in (iq.size, 3_331, 500):
        reader = Reader(RATE)
        news = [reader.feed(iq[first : first + length]) for first in range(0, iq.size, length)] + [reader.finish()]
        text = "".join(one.text for one in news)
        (message,) = (m for one in news for m in one.messages)
        results.append(
            (text, message.body, message.character_errors, message.first_copy_errors, round(message.start_s, 6))
        )
    assert results[0] == results[1] == results[2]
    assert "ZCZC EA01\nTEST\nNNNN" in results[0][0]


def test_characters_arrive_within_seconds() -> None:
    iq = sent([FIRST])
    reader = Reader(RATE)
    before = round((1 + 10.08 + 20 * 0.14 + 3.5) * RATE)  # twenty characters, and the block they came in
    text = "".join(reader.feed(iq[first : first + 400]).text for first in range(0, before, 400))
    assert "ZCZC EA01\n101" in text


@pytest.mark.parametrize(
    ("rate", "faults"),
    [
        (1_000.0, {"offset_hz": 60.0, "rate_ppm": 200.0}),
        (1_024.0, {"offset_hz": -60.0, "rate_ppm": -200.0}),
        (2_000.0, {"offset_hz": -20.0, "drift_hz_per_s": 1.0}),
        (4_000.0, {"offset_hz": 5.0, "shift_hz": 180.0}),
    ],
)
def test_offset_drift_and_rate_errors_do_no_harm(rate: float, faults: dict[str, float]) -> None:
    found = read(sent([FIRST], ebn0_db=9.0, sample_rate_hz=rate, **faults), rate)
    assert [message.body for message in found.messages] == [FIRST.text]


def test_a_weaker_station_in_the_same_slot_corrupts_nothing() -> None:
    other = TextMessage("K", "B", "44", TEXT.replace("GERMAN", "FORTIES"))
    mine = sent([FIRST, SECOND], ebn0_db=20.0)
    theirs = 0.4 * sent([other], ebn0_db=60.0, seed=3, offset_hz=4.0, lead_s=14.3, tail_s=30.0)[: mine.size]
    found = read(mine + np.pad(theirs, (0, mine.size - theirs.size)))
    assert [(identity(m), m.body) for m in found.messages] == [("EA01", FIRST.text), ("EE17", SECOND.text)]


def test_when_a_sender_vanishes_the_other_ones_text_does_not_continue_its_message() -> None:
    other = TextMessage("K", "B", "44", TEXT.replace("GERMAN", "FORTIES"))
    mine = sent([FIRST], ebn0_db=20.0)
    mine[round(19 * RATE) :] = 0
    theirs = 0.4 * sent([other], ebn0_db=60.0, seed=3, offset_hz=4.0, lead_s=11.3)
    air = np.pad(mine, (0, max(0, theirs.size - mine.size)))[: theirs.size] + theirs
    air = air + noise(air.size, noise_density(20.0), RATE, np.random.default_rng(4)).astype(np.complex64)
    found = read(air.astype(np.complex64))
    by_identity = {identity(message): message for message in found.messages}
    assert FIRST.text.startswith(by_identity["EA01"].body.rstrip("*"))
    assert not by_identity["EA01"].complete
    assert by_identity["KB44"].body == other.text


def test_fading_and_impulses() -> None:
    random = np.random.default_rng(5)
    bits = bits_on_air(slots_on_air([FIRST.characters()]))
    keyed = keyed_bits(bits, RATE, one_is="B")
    faded = keyed * fading(keyed.size, RATE, 10.0, random)
    noisy = (
        faded + noise(keyed.size, noise_density(11.0), RATE, random) + impulses(keyed.size, RATE, 20.0, 30.0, random)
    )
    (message,) = read(noisy.astype(np.complex64)).messages
    assert message.body == FIRST.text


def test_a_gap_is_stars_and_ends_reception_in_an_ordinary_receiver() -> None:
    iq = sent([FIRST], ebn0_db=20.0)
    random = np.random.default_rng(6)
    iq[round(15 * RATE) : round(22 * RATE)] = noise(round(7 * RATE), noise_density(20.0), RATE, random)
    (message,) = read(iq).messages
    assert message.complete
    assert message.body.startswith("101200 UTC MAR")
    assert message.body.endswith("WIND SW 6 = 'FRESH'?")
    assert 20 < message.body.count("*") < 50
    assert "33 %" in message.ordinary_receiver.reason
    assert not message.ordinary_receiver.stored


@pytest.mark.parametrize("what", ["noise", "carrier", "dots", "random keying", "silence", "short"])
def test_nothing_is_invented(what: str) -> None:
    random = np.random.default_rng(7)
    count = 120_000
    iq = {
        "noise": np.zeros(count),
        "carrier": np.exp(2j * np.pi * 0.085 * np.arange(count)),
        "dots": keyed_bits([0, 1] * 3_000, 1_000.0, one_is="B"),
        "random keying": keyed_bits(random.integers(0, 2, 6_000).tolist(), 1_000.0, one_is="B"),
        "silence": np.zeros(count),
        "short": np.zeros(11),
    }[what]
    if what != "silence":
        iq = iq + noise(iq.size, noise_density(15.0), 1_000.0, random)
    assert read(iq.astype(np.complex64), 1_000.0) == Decode()


@pytest.mark.parametrize("dial_hz", [0.0, 1_000.0])
def test_receiver_sound_is_searched_for_its_centre(dial_hz: float) -> None:
    """A passband at 8 kS/s, the two lines somewhere in it, a steady tone beside them."""
    random = np.random.default_rng(8)
    keyed = keyed_bits(bits_on_air(slots_on_air([SHORTEST.characters()])), 8_000.0, one_is="B")
    times = np.arange(keyed.size) / 8_000.0
    sound = keyed * np.exp(2j * np.pi * (1_700.0 - dial_hz) * times) + 0.3 * np.exp(2j * np.pi * 400.0 * times)
    sound = sound + noise(sound.size, noise_density(15.0), 8_000.0, random)
    found = read(sound.astype(np.complex64), 8_000.0)
    assert [message.body for message in found.messages] == ["TEST"]
    assert found.text_track is not None
    assert found.text_track.offset_hz == pytest.approx(1_700.0 - dial_hz, abs=2)


def test_times_are_the_recordings() -> None:
    reader = Reader(RATE, start_s=3_600.0, receiver=ConformingReceiver())
    messages = reader.feed(sent([SHORTEST])).messages + reader.finish().messages
    assert messages[0].start_s == pytest.approx(3_611.08, abs=0.02)


def test_a_repeat_is_suppressed_only_when_the_first_was_good() -> None:
    receiver = ConformingReceiver()
    reader = Reader(RATE, receiver=receiver)
    iq = sent([SHORTEST, SHORTEST])
    first, again = reader.feed(iq).messages + reader.finish().messages
    assert first.ordinary_receiver.stored
    assert not again.ordinary_receiver.printed
    assert "already stored" in again.ordinary_receiver.reason


def test_channel_of_the_table_is_a_text_channel() -> None:
    channel = Channel("518", 518_000, 500, Emission.F1B, "international", "RR App. 15", text=True)
    assert decode(excerpt_of(sent([SHORTEST]), centre_hz=518_000.0, channel=channel)).messages[0].body == "TEST"


@pytest.mark.parametrize("beside_hz", [500.0, -700.0])
def test_a_strong_carrier_beside_the_channel_does_no_harm(beside_hz: float) -> None:
    """A receiver stands 20 dB more at 500 Hz and 40 dB more at 1 kHz off (Japan, Radio Equipment Reg. 40-10)."""
    iq = sent([SHORTEST], ebn0_db=12.0)
    iq = iq + 10 * np.exp(2j * np.pi * beside_hz / RATE * np.arange(iq.size))
    assert [message.body for message in read(iq.astype(np.complex64)).messages] == ["TEST"]


@pytest.mark.parametrize("seed", range(6))
def test_phasing_within_the_text_is_swallowed_and_idling_leaves_no_text(seed: int) -> None:
    """Four pairs or more once in 100 characters (Japan, MPT Notice 568 of 1990); idling reads alike at 7 alignments."""
    characters = FIRST.characters()
    dx = [RQ] * PHASING_PAIRS + characters[:60] + [RQ] * 4 + characters[60:] + [ALPHA] * (15 + seed)
    rx = [ALPHA, ALPHA] + [ALPHA if place == RQ else place for place in dx[:-2]]
    bits = bits_on_air([place for pair in zip(dx, rx, strict=True) for place in pair])
    found = read(on_air(bits, np.random.default_rng(seed), one_is="B", ebn0_db=25.0)[0])
    assert [(message.body, message.character_errors) for message in found.messages] == [(FIRST.text, 0)]
    assert found.stray_text == ""
