"""A call told as sentences and as a grid says what it holds, and how far it can be believed."""

from sdrcheck.decoders.dsc.call import Area, Call, OrdinaryReceiver, Position
from sdrcheck.findings import call_words

BASE = Call(  # an invented call; the identity is invented
    start_s=1.0,
    end_s=1.45,
    type="distress alert",
    self_id="219012345",
    nature_of_distress="grounding",
    position=Position(latitude=55.2, longitude=12.0 + 34 / 60, resolution_minutes=1.0),
    utc="15:36",
    symbols=(112, 21),
    first_copy=(112, None),
    second_copy=(112, None),
    combined=(1,),
    error_check="ok",
    ordinary_receiver=OrdinaryReceiver(accepted=False, reason="a symbol was lost in both copies"),
)


def test_sentences_name_sender_position_and_belief() -> None:
    said = " ".join(call_words.sentences(BASE))
    assert "Distress alert from 219012345." in said
    assert "55°12' N 012°34' E at 15:36 UTC" in said
    assert "1 symbol was recovered only from both copies together" in said
    assert "would have refused it: a symbol was lost in both copies." in said


def test_grid_keeps_each_copy_and_what_was_accepted() -> None:
    first, second = call_words.grid(BASE)
    assert first.sound
    assert not second.sound
    assert second == call_words.GridCell(None, None, 21, True)


def test_area_address_in_words() -> None:
    area = Area(north_west_latitude=56.0, north_west_longitude=-4.0, south_extent_degrees=3.0, east_extent_degrees=12.0)
    assert call_words.area_text(area).startswith("the area from 56°N 004°W")
