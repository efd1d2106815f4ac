"""Reading calls from bits: worked calls, fault vectors V1 to V9 of the same sheet, and what is no call.

The worked calls are ours, derived from Rec. ITU-R M.493 as transposed in national texts (see the table's head); the
structure rules tested here are its §§3, 4, 9 and 10, most of them from memory [M].
"""

from __future__ import annotations

from functools import reduce
from operator import xor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sdrcheck.compositions.call import bits_on_air, call_bits, error_check_of, symbols_on_air
from sdrcheck.decoders.dsc.frame import PHASING, phasing_margin, read_frame
from sdrcheck.decoders.dsc.symbols import EndOfSequence
from tests.decoders.dsc.worked import CALLS, Bits, Worked, bits_from, flipped, read_plain

E1 = CALLS["E1"]
DX, RX = 0, 1
BAD_PHASING = bits_from([0])  # a valid word that is no phasing symbol


def e1_with(**changes: object) -> Bits:
    """E1 composed anew with a fault; the composer is checked against the worked calls in tests/compositions."""
    return bits_from(symbols_on_air(E1.information, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_worked_call_is_read_bit_by_bit(call: Worked) -> None:
    frame = read_plain(call.bits)
    assert frame.symbols == call.symbols
    assert frame.error_check == "ok"
    assert frame.first_copy == frame.second_copy == call.symbols
    assert frame.phasing == tuple(symbol for _, symbol in PHASING)
    assert frame.end_copies == (call.information[-1],) * 4
    assert frame.bits_used == call.bits.size
    assert not frame.cut
    assert frame.combined == frame.disputed == ()
    assert frame.ordinary_receiver.accepted


@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_worked_sequence_on_air(call: Worked) -> None:
    """The symbols on the air spell the bits, and their exclusive-or over the information is nought."""
    assert np.array_equal(bits_from(call.on_air), call.bits)
    assert reduce(xor, call.symbols) == 0


def test_v1_one_bad_copy_is_repaired_by_the_other() -> None:
    frame = read_plain(flipped(E1.bits, (11, DX, 3)))
    assert frame.symbols == E1.symbols
    assert (frame.first_copy[4], frame.second_copy[4]) == (None, 34)
    assert frame.error_check == "ok"
    assert frame.combined == ()
    assert frame.ordinary_receiver.accepted


@pytest.mark.parametrize("bit", range(10))
def test_v2_same_bit_bad_in_both_copies_is_inferred(bit: int) -> None:
    frame = read_plain(flipped(E1.bits, (11, DX, bit), (13, RX, bit)))
    assert frame.symbols == E1.symbols
    assert frame.error_check == "inferred"
    assert frame.inferred == 4
    assert frame.combined == ()
    assert not frame.ordinary_receiver.accepted
    assert "character 5 is lost" in frame.ordinary_receiver.reason


def test_v2_other_bits_bad_are_combined() -> None:
    """Different bits: no other word fits both copies, so they give the character together and the ECC still vouches."""
    frame = read_plain(flipped(E1.bits, (11, DX, 3), (13, RX, 6)))
    assert frame.symbols == E1.symbols
    assert frame.combined == (4,)
    assert frame.error_check == "ok"
    assert not frame.ordinary_receiver.accepted


def test_v3_copies_that_disagree_are_settled_by_the_ecc() -> None:
    frame = read_plain(flipped(E1.bits, (11, DX, 0), (11, DX, 1)))
    assert (frame.first_copy[4], frame.second_copy[4]) == (33, 34)
    assert frame.disputed == (4,)
    assert frame.symbols == E1.symbols
    assert frame.error_check == "ok"
    assert frame.ordinary_receiver.reason == "character 5 is lost: its two copies disagree"


def test_v4_wrong_ecc() -> None:
    frame = read_plain(e1_with(ecc=121))
    assert frame.symbols == (*E1.information, 121)
    assert frame.error_check == "failed"
    assert frame.ordinary_receiver.reason == "the ECC does not fit the characters"


def test_v5_distress_format_found_once_only() -> None:
    frame = read_plain(e1_with(second_format=100))
    assert frame.format_copies == (112, 100, 112, 100)
    assert frame.symbols == E1.symbols
    assert not frame.ordinary_receiver.accepted
    assert "one of its two characters only" in frame.ordinary_receiver.reason


def test_one_format_is_enough_for_an_individual_call() -> None:
    frame = read_plain(bits_from(symbols_on_air(CALLS["E6"].information, second_format=100)))
    assert frame.symbols == CALLS["E6"].symbols
    assert frame.ordinary_receiver.accepted


def phasing_kept(dx: set[int], rx: set[int]) -> Bits:
    symbols = list(E1.on_air)
    for place, _ in PHASING:
        if place // 2 not in (rx if place % 2 else dx):
            symbols[place] = 0
    return bits_from(symbols)


@pytest.mark.parametrize(
    ("dx", "rx", "accepted"),
    [
        ({0, 1}, set(), False),  # V6
        ({4}, {1, 6}, True),  # V7
        ({0, 5}, {7}, True),
        (set(), {0, 3, 6}, True),
        ({0, 1, 2, 3, 4, 5}, set(), False),
        ({2}, {2}, False),
    ],
)
def test_v6_v7_phasing_acceptance(dx: set[int], rx: set[int], accepted: bool) -> None:
    """Two DX and one RX, one DX and two RX, or three RX (M.493 §3.3 [M])."""
    frame = read_plain(phasing_kept(dx, rx))
    assert len(frame.phasing_received) == len(dx) + len(rx)
    assert frame.phasing_accepted is accepted
    assert frame.ordinary_receiver.accepted is accepted
    assert frame.symbols == E1.symbols


def test_v9_unusual_end_is_still_an_end() -> None:
    frame = read_plain(bits_from(symbols_on_air([*E1.information[:-1], EndOfSequence.ACKNOWLEDGE_RQ])))
    assert frame.symbols[frame.body] == 117
    assert frame.error_check == "ok"


def test_v13_next_call_behind_does_no_harm() -> None:
    """A distress attempt: the next dot pattern follows without a gap, and `bits_used` says where."""
    whole = np.concatenate([E1.bits, np.array(call_bits(E1.information), np.uint8)])
    frame = read_plain(whole)
    assert frame.symbols == E1.symbols
    assert frame.bits_used == E1.bits.size
    assert frame.expansion is None


def test_other_symbols_at_the_end_are_no_end_for_an_ordinary_receiver() -> None:
    frame = read_plain(bits_from(symbols_on_air([*E1.information[:-1], 100])))
    assert frame.symbols[-2:] == (100, error_check_of([*E1.information[:-1], 100]))
    assert frame.ordinary_receiver.reason == "no end of sequence was found"


def test_end_sent_once_only_is_found_by_its_ecc() -> None:
    symbols = list(E1.on_air)
    symbols[2 * 24] = symbols[2 * 25] = 3
    frame = read_plain(bits_from(symbols))
    assert frame.symbols == E1.symbols
    assert frame.end_copies == (127, 127, 3, 3)


@pytest.mark.parametrize("left_out", [3, 6])
def test_end_is_found_by_its_symbol_not_by_counting(left_out: int) -> None:
    """Some older sets leave out frequency elements [C]."""
    information = [*CALLS["E4"].information[: -1 - left_out], 117]
    frame = read_plain(bits_from(symbols_on_air(information)))
    assert frame.symbols == (*information, error_check_of(information))


@pytest.mark.parametrize("second", [117, 122])
def test_old_telecommands_are_not_taken_for_an_end(second: int) -> None:
    """117 and 122 were second telecommands of data modems once (Japanese notice 567)."""
    information = [*CALLS["E4"].information[:12], 106, second, *CALLS["E4"].information[14:]]
    frame = read_plain(bits_from(symbols_on_air(information)))
    assert frame.symbols[:-1] == tuple(information)


@pytest.mark.parametrize("call", [CALLS["E1"], CALLS["E6"], CALLS["E12"]], ids=lambda call: call.name)
def test_cut_call_gives_what_was_received(call: Worked) -> None:
    """Cut anywhere, the characters read are the first ones sent, and nothing is read into what is missing."""
    for count in range(0, call.bits.size, 7):
        frame = read_plain(call.bits[:count])
        assert frame.symbols == call.symbols[: len(frame.symbols)], count
        assert frame.cut
        assert frame.error_check == ("ok" if len(frame.symbols) == len(call.symbols) else "not received")
        received = max(0, count // 10 - 12 + 1) // 2  # whole DX copies; the second format specifier is one of them
        assert len(frame.symbols) >= min(received - 1, len(call.symbols) - 2), count


def test_shapes_must_agree() -> None:
    with pytest.raises(ValueError, match="one soft value for each hard bit"):
        read_frame(np.zeros(20), np.zeros(10, np.uint8))


def noisy(bits: Bits, amplitude: float, seed: int) -> tuple[np.ndarray, Bits]:
    random = np.random.default_rng(seed)
    received = (bits * 2.0 - 1.0) * amplitude + random.standard_normal(bits.size)
    return 2 * amplitude * received, (received > 0).astype(np.uint8)


def test_soft_values_read_what_hard_ones_lose() -> None:
    """At an amplitude of 1.6 sigma a bit in eighteen is wrong: no ordinary receiver reads that call, both copies do."""
    accepted = exact = 0
    for seed in range(40):
        frame = read_frame(*noisy(CALLS["E6"].bits, 1.6, seed))
        accepted += frame.ordinary_receiver.accepted
        exact += frame.symbols == CALLS["E6"].symbols
    assert exact >= 38
    assert accepted <= 4


def test_noise_is_never_vouched_for() -> None:
    """Random bits always give words; an ECC by chance must stay rare (1 in 128), and the margins must give it away."""
    random = np.random.default_rng(8)
    vouched = 0
    for _ in range(300):
        llr = random.normal(size=900) * 3
        frame = read_frame(llr, (llr > 0).astype(np.uint8))
        assert not frame.ordinary_receiver.accepted
        assert abs(frame.phasing_margin) < 1.0
        vouched += frame.error_check == "ok"
    assert vouched <= 6


def test_margins_tell_plain_from_doubtful() -> None:
    plain = read_plain(E1.bits, strength=5.0)
    assert plain.phasing_margin == pytest.approx(5.0)
    assert min(plain.margins) >= 20.0  # two bits in two copies at least separate words
    spoilt = read_plain(flipped(E1.bits, (11, DX, 3), (13, RX, 3)), strength=5.0)
    assert spoilt.margins[4] == pytest.approx(0.0)


def test_phasing_margin_of_inverted_keying_is_negative() -> None:
    assert phasing_margin((E1.bits * 2.0 - 1.0) * -3.0) == pytest.approx(-3.0)


EXPANSION = [100, 56, 78, 12, 34, 102, 1, 5]


def test_expansion_is_read_behind_the_call() -> None:
    """Rec. ITU-R M.821 [M?]: in the same rhythm, with an EOS and an ECC of its own."""
    frame = read_plain(e1_with(expansion=EXPANSION))
    assert frame.symbols == E1.symbols
    assert frame.error_check == "ok"
    assert frame.ordinary_receiver.accepted
    assert frame.expansion is not None
    assert list(frame.expansion.symbols[: frame.expansion.body]) == EXPANSION
    assert frame.expansion.error_check == "ok"
    assert frame.expansion.after_extra_ends
    assert frame.bits_used == bits_from(symbols_on_air(E1.information, expansion=EXPANSION)).size


def test_expansion_without_the_extra_ends_is_read_too() -> None:
    sequence = [E1.information[0], *E1.symbols]
    tail = [*EXPANSION, 127]
    sequence += [*tail, error_check_of(tail), 127, 127]
    dx, rx = [125] * 6 + sequence, [111, 110, 109, 108, 107, 106, 105, 104, *sequence[:-2]]
    frame = read_plain(bits_from([symbol for pair in zip(dx, rx, strict=True) for symbol in pair]))
    assert frame.symbols == E1.symbols
    assert frame.expansion is not None
    assert frame.expansion.symbols[: frame.expansion.body] == tuple(EXPANSION)
    assert not frame.expansion.after_extra_ends


def test_odd_expansion_does_not_spoil_the_call() -> None:
    symbols = symbols_on_air(E1.information, expansion=EXPANSION)
    random = np.random.default_rng(3)
    spoilt = symbols[: len(E1.on_air)] + [int(s) for s in random.integers(0, 128, len(symbols) - len(E1.on_air))]
    frame = read_plain(bits_from(spoilt))
    assert frame.symbols == E1.symbols
    assert frame.error_check == "ok"


@settings(max_examples=60, deadline=None)
@given(
    body=st.lists(st.integers(0, 99), min_size=14, max_size=30),
    end=st.sampled_from([117, 122, 127]),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_body_comes_back(body: list[int], end: int, seed: int) -> None:
    """Our own encoder and decoder agree, whatever the digits, with noise behind the call. Proves no more than that."""
    information = [120, *body, end]
    random = np.random.default_rng(seed)
    bits = np.array(bits_on_air(symbols_on_air(information), dots=0), np.uint8)
    llr = np.concatenate([(bits * 2.0 - 1.0) * 10.0, random.normal(size=300)])
    frame = read_frame(llr, (llr > 0).astype(np.uint8))
    assert frame.symbols == (*information, error_check_of(information))
    assert frame.error_check == "ok"
