"""NRX sentences: the example of IEC 61162-1 as reproduced in public documentation of sentence parsers."""

import pytest

from sdrcheck.stations import nrx

PUBLISHED = r"""
$CRNRX,007,001,00,IE69,1,135600,27,06,2001,241,3,A,==========================*09
$CRNRX,007,002,00,,,,,,,,,,========^0D^0AISSUED ON SATURDAY 06 JANUARY 2001.*29
$CRNRX,007,003,00,,,,,,,,,,^0D^0AINSHORE WATERS FORECAST TO 12 MILES^0D^0AOFF*0D
$CRNRX,007,004,00,,,,,,,,,,SHORE FROM 1700 UT^2A TO 0500 UTC.^0D^0A^0D^0ANORT*70
$CRNRX,007,005,00,,,,,,,,,,H FORELAND TO SE^2A^2AEY BILL.^0D^0A12 HOURS FOREC*16
$CRNRX,007,006,00,,,,,,,,,,AST:^0D^0A^0ASHOWERY WINDS^2C STRONGEST IN NORTH. *1C
$CRNRX,007,007,00,,,,,,,,,,^0D^0A^0D^0A*79
"""


def test_the_published_example_reads_to_its_own_counts() -> None:
    read = nrx.read(PUBLISHED)
    (series,) = read.series
    assert read.problems == ()
    assert series.identity == "IE69"
    assert series.frequency_khz == 490.0
    assert len(series.body) == series.characters == 241
    assert series.body.count("*") == series.bad_characters == 3
    assert series.received is not None
    assert series.received.isoformat() == "2001-06-27T13:56:00+00:00"


@pytest.mark.parametrize("line", PUBLISHED.strip().splitlines())
def test_every_published_checksum_fits(line: str) -> None:
    inside, _, printed = line[1:].rpartition("*")
    assert f"{nrx.checksum(inside):02X}" == printed


def test_a_bad_checksum_costs_that_sentence_only_and_is_said() -> None:
    read = nrx.read(PUBLISHED.replace("NORT*70", "NORT*71"))
    assert any("checksum" in problem for problem in read.problems)
    assert any("sentence 4 of 7 is missing" in problem for problem in read.problems)
    (series,) = read.series
    assert "OFF*H FORELAND" in series.body


def test_settings_of_the_receiver_are_read_and_commands_are_not() -> None:
    """Masks made by hand from the field list: A to E and J to M; A, B, F."""
    report, command = "CRNRM,1,2,00001E1F,00000023,R", "CRNRM,2,2,03FFFFFF,03FFFFFF,C"
    text = "\n".join(f"${inside}*{nrx.checksum(inside):02X}" for inside in (report, command))
    assert "*3F" in text
    assert "*2F" in text  # both as the fact was worked out independently
    (mask,) = nrx.read(text).masks
    assert mask.stations == frozenset("ABCDEJKLM")
    assert mask.subjects == frozenset("ABF")


@pytest.mark.parametrize("junk", ["$CRNRX", "$CRNRX,1,2,3*00", "$CRNRX,,,,,,,,,,,,,*5E", "$CRNRX,001,001,00,EA01"])
def test_junk_gives_sentences_and_no_message(junk: str) -> None:
    read = nrx.read(junk)
    assert read.series == ()
