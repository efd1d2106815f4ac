"""Field encodings of Rec. ITU-R M.493 §§5 and 8: the fact sheet's examples with their marks, and there and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sdrcheck.decoders.dsc import fields
from sdrcheck.decoders.dsc.call import Area, Position


@pytest.mark.parametrize(
    ("identity", "symbols"),
    [
        ("219012345", (21, 90, 12, 34, 50)),  # M.493 §5.2, digits in pairs with a trailing 0 [S]
        ("002191234", (0, 21, 91, 23, 40)),
        ("021912345", (2, 19, 12, 34, 50)),
    ],
)
def test_identities_are_packed_in_pairs(identity: str, symbols: tuple[int, ...]) -> None:
    assert fields.pack_identity(identity) == symbols
    assert fields.digits(symbols) == identity + "0"


def test_position_example() -> None:
    """M.493 §8.1.2 [S]: 55°12'N 012°34'E is 0 5512 01234."""
    assert fields.pack_position(55 + 12 / 60, 12 + 34 / 60) == (5, 51, 20, 12, 34)


def test_area_example() -> None:
    """M.493 §5.3, digit layout [M]: corner 56°N 004°E, 3° south, 12° east."""
    area = Area(north_west_latitude=56.0, north_west_longitude=4.0, south_extent_degrees=3.0, east_extent_degrees=12.0)
    assert fields.pack_area(area) == (5, 60, 4, 3, 12)
    assert fields.read_area("0560040312") == area


@pytest.mark.parametrize(
    ("frequency_hz", "symbols", "text"),
    [
        (2_182_000, (2, 18, 20), "2182.0 kHz"),
        (4_125_000, (4, 12, 50), "4125.0 kHz"),
        (8_414_500, (8, 41, 45), "8414.5 kHz"),
        (12_577_000, (12, 57, 70), "12577.0 kHz"),
        (16_420_000, (16, 42, 0), "16420.0 kHz"),
    ],
)
def test_frequencies_in_100_hz(frequency_hz: float, symbols: tuple[int, ...], text: str) -> None:
    """M.493 §8.3.2, Table 5 [M]."""
    assert fields.pack_frequency(frequency_hz) == symbols
    assert fields.read_element(symbols) == text
    assert fields.element_length(symbols[0]) == 3


@pytest.mark.parametrize(
    ("frequency_hz", "symbols", "text"),
    [
        (2_182_000, (40, 21, 82, 0), "2182.00 kHz"),
        (8_414_500, (40, 84, 14, 50), "8414.50 kHz"),
        (12_577_250, (41, 25, 77, 25), "12577.25 kHz"),
    ],
)
def test_frequencies_in_10_hz(frequency_hz: float, symbols: tuple[int, ...], text: str) -> None:
    """The 4… form of revision -14; its digit layout is doubtful [M?]."""
    assert fields.pack_frequency(frequency_hz, fine=True) == symbols
    assert fields.read_element(symbols) == text
    assert fields.element_length(symbols[0]) == 4


@pytest.mark.parametrize(
    ("name", "symbols", "text"),
    [
        ("16", (90, 0, 16), "16"),
        ("6", (90, 0, 6), "06"),
        ("72", (90, 0, 72), "72"),
        ("1078", (90, 10, 78), "1078"),
        ("2078", (90, 20, 78), "2078"),
    ],
)
def test_vhf_channels(name: str, symbols: tuple[int, ...], text: str) -> None:
    """M.493 Table 5 [M]; 10nn and 20nn are RR Appendix 18's single-frequency halves."""
    assert fields.pack_channel(name) == symbols
    assert fields.read_element(symbols) == text


@pytest.mark.parametrize(("number", "symbols"), [(401, (30, 4, 1)), (1221, (30, 12, 21))])
def test_mf_hf_channels(number: int, symbols: tuple[int, ...]) -> None:
    """M.493 Table 5 [M]."""
    assert fields.pack_itu_channel(number) == symbols
    assert fields.read_element(symbols) == f"ITU channel {number}"


@pytest.mark.parametrize("symbols", [(85, 1, 2), (126, 126, 126), (91, 0, 16), (70, 0, 0)])
def test_elements_without_a_known_form(symbols: tuple[int, ...]) -> None:
    assert fields.read_element(symbols) is None


def test_telephone_number_example() -> None:
    """M.493 §8.3.3 [M]: seven digits, 105 and a 0 in front [M?]; the pad is accepted at either end."""
    assert fields.pack_telephone("0123456") == (105, 0, 12, 34, 56)
    assert fields.read_telephone(105, (0, 12, 34, 56)) == ("0123456", "in front")
    assert fields.read_telephone(105, (12, 34, 56, 70)) == ("1234567", "behind")
    assert fields.read_telephone(105, (12, 34, 56, 78)) == ("12345678", "nowhere")
    assert fields.pack_telephone("12345678") == (106, 12, 34, 56, 78)
    assert fields.read_telephone(106, (12, 34, 56, 78)) == ("12345678", None)
    assert fields.read_telephone(106, (12, 112)) == (None, None)


def test_unknown_position_and_time_are_as_published() -> None:
    """Ten digits 9 and four digits 8 (M.541-8 Annex 1, 3.1.2 [S]; IMO performance standard for VHF EPIRBs [S])."""
    assert fields.POSITION_UNKNOWN == (99, 99, 99, 99, 99)
    assert fields.TIME_UNKNOWN == (88, 88)
    assert fields.read_time("8888") is None


@given(st.integers(-90 * 60, 90 * 60), st.integers(-180 * 60, 180 * 60))
def test_positions_there_and_back(north_minutes: int, east_minutes: int) -> None:
    text = fields.digits(fields.pack_position(north_minutes / 60, east_minutes / 60))
    assert text is not None
    found = fields.read_position(text)
    assert isinstance(found, Position)
    assert found.latitude == pytest.approx(north_minutes / 60)
    assert found.longitude == pytest.approx(east_minutes / 60)


@given(st.integers(-90 * 600_000, 90 * 600_000), st.integers(-180 * 600_000, 180 * 600_000))
def test_fine_positions_there_and_back(north: int, east: int) -> None:
    """The whole minutes and expansion 100 together hold a position to 0.0001 minute."""
    latitude, longitude = north / 600_000, east / 600_000
    text = fields.digits(fields.pack_position(latitude, longitude))
    fraction = fields.digits(fields.position_fraction(latitude, longitude))
    assert text is not None
    assert fraction is not None
    whole = fields.read_position(text)
    assert isinstance(whole, Position)
    found = fields.refined(whole, fraction)
    assert found.latitude == pytest.approx(latitude, abs=1e-9)
    assert found.longitude == pytest.approx(longitude, abs=1e-9)


def test_position_on_the_line_keeps_its_side() -> None:
    """0°30'S 000°15'W: the sign must survive degrees of nought."""
    text = fields.digits(fields.pack_position(-0.5, -0.25))
    assert text == "3003000015"
    found = fields.read_position(text)
    assert isinstance(found, Position)
    assert (found.latitude, found.longitude) == pytest.approx((-0.5, -0.25))


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: fields.pack_identity("21901234"),
        lambda: fields.pack_identity("21901234x"),
        lambda: fields.pack_position(91.0, 0.0),
        lambda: fields.pack_time("24:00"),
        lambda: fields.pack_time("1236"),
        lambda: fields.pack_channel("72A"),
        lambda: fields.pack_frequency(2_182_050),
        lambda: fields.pack_frequency(156.525e6),
        lambda: fields.pack_telephone("12345678901234567"),
        lambda: fields.pack_itu_channel(0),
        lambda: fields.pairs("123"),
    ],
)
def test_what_cannot_be_packed_says_so(wrong) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r"[a-z]{3}"):
        wrong()
