"""The ship's side against the dongle's: invented messages, each with one thing that must be seen."""

import pytest

from sdrcheck.decoders.navtex.message import Message, ShipReceiver
from sdrcheck.decoders.navtex.receiver import Settings
from sdrcheck.errors import RecordingError
from sdrcheck.stations import nrx
from sdrcheck.stations.printout import Verdict, compare, decoded_text, ship_side

TEXT = "GALE WARNING\nALL VESSELS INVENTED BANK\nSOUTHWEST 8 EXPECTED SOON\nBUOY 7 UNLIT 54-10.5N 012-05.2E"


def heard(identity: str = "LB21", body: str = TEXT, ratio: float = 0.0, printed: bool = True) -> Message:
    return Message(
        station=identity[0],
        subject=identity[1],
        number=identity[2:],
        body=body,
        complete=True,
        characters=len(body),
        character_errors=round(ratio * len(body)),
        character_errors_repaired=0,
        first_copy_errors=0,
        second_copy_errors=0,
        character_error_ratio=ratio,
        start_s=0.0,
        end_s=20.0,
        start_utc=None,
        phasing_s=10.0,
        ordinary_receiver=ShipReceiver(printed=printed, stored=True, alarm=False, reason="as it should"),
    )


def printed(identity: str = "LB21", body: str = TEXT) -> str:
    return f"ZCZC {identity}\n{body}\nNNNN\n"


def test_the_same_text_passes() -> None:
    (pair,) = compare([heard()], ship_side(printed())).pairs
    assert (pair.found, pair.verdict, pair.ship_errors) == ("both", Verdict.PASS, 0)


@pytest.mark.parametrize(("lost", "verdict"), [(3, Verdict.PASS), (4, Verdict.WEAK)])
def test_the_rule_of_four_per_cent_cuts_where_it_says(lost: int, verdict: Verdict) -> None:
    """MSC.148(77) §6.2.3: satisfactorily received below 4 %."""
    body = "A" * 100
    (pair,) = compare([heard(body=body)], ship_side(printed(body="*" * lost + "A" * (100 - lost)))).pairs
    assert pair.ship_errors == lost
    assert pair.verdict is verdict


def test_differing_places_stand_side_by_side() -> None:
    (pair,) = compare([heard()], ship_side(printed(body=TEXT.replace("8 EXPECTED", "* EXP**TED")))).pairs
    assert [(one.dongle, one.ship, one.line) for one in pair.differences] == [("8", "*", 3), ("EC", "**", 3)]
    assert pair.differences[0].before.endswith("SOUTHWEST ")
    assert pair.ship_errors == 3


def test_a_place_lost_by_the_dongle_is_not_the_ships_fault() -> None:
    (pair,) = compare([heard(body=TEXT.replace("UNLIT", "UN*IT"))], ship_side(printed())).pairs
    assert (pair.ship_errors, pair.dongle_errors) == (0, 1)


def test_a_new_message_that_the_ship_lacks_is_missed() -> None:
    comparison = compare([heard(), heard("LA05", "WRECK IN 54-11N")], ship_side(printed()), Settings(frozenset("L")))
    assert [pair.verdict for pair in comparison.pairs] == [Verdict.PASS, Verdict.MISSED]
    assert "LA05" in comparison.conclusion


@pytest.mark.parametrize(
    ("identity", "settings", "stored", "verdict", "said"),
    [
        ("LE30", Settings(rejected=frozenset("E")), (), Verdict.EXPLAINED, "Subject E is rejected"),
        ("LA05", Settings(rejected=frozenset("A")), (), Verdict.MISSED, "cannot be rejected"),
        ("QA05", Settings(frozenset("L")), (), Verdict.EXPLAINED, "Station Q is not selected"),
        ("LE30", Settings(), ("LE30",), Verdict.EXPLAINED, "stored already"),
        ("QD00", Settings(frozenset("L")), ("QD00",), Verdict.MISSED, "number is 00"),
    ],
)
def test_why_a_message_was_not_shown(
    identity: str, settings: Settings, stored: tuple[str, ...], verdict: Verdict, said: str
) -> None:
    """NAVTEX Manual §§5.3 and 5.4: A, B, D, L and 00 cannot be suppressed; a stored identity is."""
    (pair, _) = compare([heard(identity)], ship_side(printed("LB99", "OTHER TEXT ALTOGETHER")), settings, stored).pairs
    assert pair.verdict is verdict
    assert any(said in reason for reason in pair.reasons)


def test_weak_reception_by_the_dongle_proves_nothing() -> None:
    (pair, _) = compare([heard(ratio=0.08)], ship_side(printed("LB99", "OTHER TEXT ALTOGETHER"))).pairs
    assert pair.verdict is Verdict.DONGLE_WEAK


def test_a_print_out_without_headers_is_matched_by_its_text() -> None:
    (pair,) = compare([heard()], ship_side(TEXT.replace("BUOY", "BUO*"))).pairs
    assert (pair.found, pair.identity, pair.ship_errors) == ("both", "LB21", 1)


def test_sentences_and_their_mask_are_the_ships_side_too() -> None:
    pieces = [f"CRNRX,001,001,01,LB21,2,121503,10,03,2026,{len(TEXT)},0,A,{TEXT}".replace("\n", "^0D^0A")]
    pieces.append("CRNRM,1,2,00000800,00000023,R")  # station L; subjects A, B, F
    text = "\n".join(f"${inside}*{nrx.checksum(inside):02X}" for inside in pieces)
    comparison = compare([heard(), heard("LE30", "FORECAST"), heard("QA01", "WRECK")], ship_side(text))
    assert [pair.verdict for pair in comparison.pairs] == [Verdict.PASS, Verdict.EXPLAINED, Verdict.EXPLAINED]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_other_encodings_are_read(encoding: str) -> None:
    text, _ = decoded_text(printed(body=TEXT + "\nTEMPERATURE 5°").encode(encoding))
    assert "TEMPERATURE 5°" in text


def test_line_noise_is_left_out_and_said() -> None:
    text, problems = decoded_text(b"ZCZC LB21\nGALE\x00\x07 WARNING\nNNNN\n")
    assert "GALE WARNING" in text
    assert problems == ("2 characters are line noise and were left out.",)


def test_nothing_to_read_is_refused_in_words() -> None:
    with pytest.raises(RecordingError, match="holds no text"):
        ship_side("  \n\n")


def test_nothing_heard_and_nothing_printed_proves_nothing() -> None:
    (pair,) = compare([], ship_side(printed())).pairs
    assert pair.verdict is Verdict.ONLY_SHIP
