"""Exports: tables that no spreadsheet runs, sentences with published checksums, recordings others can open."""

import csv
import io
import json
import shutil
from pathlib import Path

import msgspec
import numpy as np
import pytest
import sigmf

from sdrcheck.decoders.dsc.call import Position
from sdrcheck.evidence import case, export
from sdrcheck.evidence.case import Case
from sdrcheck.evidence.masking import HIDDEN, Mask
from sdrcheck.findings.inspection import Reading
from sdrcheck.findings.wording import format_reading
from sdrcheck.recordings import sigmf as own_sigmf
from sdrcheck.visits import results
from tests.conftest import REPOSITORY
from tests.visits import made

VISIT = REPOSITORY / "captures" / "visit"


@pytest.fixture(scope="module")
def gathered() -> Case:
    return case.gather(VISIT, now=made.NOW)


def test_csv_and_json_hold_the_same_readings_as_the_report(gathered: Case) -> None:
    rows = list(export.rows(gathered))
    table = list(csv.DictReader(io.StringIO(export.to_csv(gathered))))
    assert len(table) == len(rows) > 100
    for row, line in zip(rows, table, strict=True):
        assert float(line["value"]) == row.reading.value
        assert float(line["uncertainty"]) == row.reading.uncertainty
        assert line["verdict"] == (row.reading.verdict or "")
        assert line["shown"].lstrip("'") == format_reading(row.reading)
    document = json.loads(export.to_json(gathered))
    found = [
        msgspec.convert(reading, Reading)
        for check in document["checks"]
        for tried in check["tries"]
        for transmission in tried["transmissions"]
        for reading in transmission["readings"]
    ]
    assert found == [row.reading for row in rows]


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1",
        "-1",
        "@SUM(A1)",
        "\t=1",
        "  =1",
        "\u00a0=1",
        "＝1",
        "|x",
        "%x",
        "\r\n=1",
        "\u202e=1",
        '=cmd|" /C calc"!A0',
    ],
)
def test_text_that_a_spreadsheet_could_run_is_disarmed(text: str) -> None:
    """What a spreadsheet takes for the start of a formula: = + - @, tab, line ends (common advice on CSV)."""
    shown = export.cell(text)
    assert shown[0] not in "=+-@\t\r\n|%＝"
    assert "\n" not in shown
    assert "\t" not in shown
    out = io.StringIO()
    csv.writer(out).writerow([shown])
    assert next(csv.reader(io.StringIO(out.getvalue()))) == [shown]


def test_numbers_stay_numbers() -> None:
    assert export.cell(-12.5) == "-12.5"
    assert export.cell(3) == "3"
    assert export.cell(None) == ""
    assert export.cell("channel 16") == "channel 16"


@pytest.mark.parametrize(
    ("parts", "published"),
    [
        ("12,3380400790,12,06,00,1423108312,2019,,,S,E", "$CDDSC,12,3380400790,12,06,00,1423108312,2019,,,S,E*6A"),
        ("20,3380400790,00,21,26,1423108312,2021,,,B,E", "$CDDSC,20,3380400790,00,21,26,1423108312,2021,,,B,E*73"),
    ],
)
def test_sentence_as_in_public_documentation(parts: str, published: str) -> None:
    """Examples in public documentation of sentence parsers, remembered; their checksums come out right."""
    assert export.sentence("CDDSC", parts.split(",")) == published
    expansion = export.sentence("CDDSE", ["1", "1", "A", "3380400790", "00", "45894494"])
    assert expansion == "$CDDSE,1,1,A,3380400790,00,45894494*1B"


def test_the_published_examples_come_out_of_calls() -> None:
    """The same two examples, from the calls they describe: 42°31.4589' N 083°12.4494' W at 20:19 and 20:21."""
    position = Position(latitude=42 + 31.4589 / 60, longitude=-(83 + 12.4494 / 60), resolution_minutes=0.0001)
    alert = made.distress_call(
        self_id="338040079",
        position=position,
        utc="20:19",
        nature_of_distress="disabled and adrift",
        subsequent_communication="F3E/G3E all modes telephony",
        end_of_sequence="end of sequence",
    )
    assert export.sentences(alert) == (
        "$CDDSC,12,3380400790,12,06,00,1423108312,2019,,,S,E*6A",
        "$CDDSE,1,1,A,3380400790,00,45894494*1B",
    )
    reply = made.call(
        type="position reply",
        self_id="338040079",
        category="routine",
        position=position,
        utc="20:21",
        telecommand_1="ship position or location registration updating",
        telecommand_2="no information",
        end_of_sequence="acknowledgement (BQ)",
    )
    assert export.sentences(reply)[0] == "$CDDSC,20,3380400790,00,21,26,1423108312,2021,,,B,E*73"


def test_what_does_not_fit_a_sentence_is_not_forced_into_one() -> None:
    assert export.sentences(made.call(error_check="failed")) == ()
    assert export.sentences(made.call(type="all-ships urgency call")) == ()
    assert export.sentences(made.call(self_id=HIDDEN)) == ()


def test_annotated_recordings_open_in_a_general_library(gathered: Case, tmp_path: Path) -> None:
    """sigmf-python validates and reads them; the samples and their seal are untouched."""
    one = gathered.check("vhf-1/ch70-call")
    assert one.last is not None
    assert one.last.inspection is not None
    recording = VISIT / one.last.entry.recording
    meta = export.annotate(recording, one.last.inspection, tmp_path)
    opened = sigmf.fromfile(str(meta))
    opened.validate()
    (note,) = opened.get_annotations()
    assert note["core:label"] == "70 DSC call"
    assert note["core:generator"].startswith("sdrcheck")
    assert "carrier offset +2129 ± 94 Hz" in note["core:comment"]
    start = one.transmissions[0].start_s * opened.get_global_field("core:sample_rate")
    assert abs(note["core:sample_start"] - start) <= 1
    assert note["core:freq_lower_edge"] < 156_525_000 < note["core:freq_upper_edge"]
    assert meta.with_suffix(".sigmf-data").read_bytes() == recording.with_suffix(".sigmf-data").read_bytes()


def test_annotations_lie_where_the_samples_lie_when_some_were_lost(tmp_path: Path) -> None:
    """48 000 samples at 48 kS/s, half a second lost in the middle: 1.2 s on the clock is sample 33 600 of the file."""
    with own_sigmf.Writer(tmp_path / "x", "cu8", 48_000.0, 156.8e6) as writer:
        writer.append(np.full(48_000, 127, np.uint8))
        writer.append(np.full(48_000, 127, np.uint8), lost_before=24_000)
    found = made.inspection(made.carrier("16", 156.8e6, start_s=1.2, duration_s=0.1))
    meta = export.annotate(tmp_path / "x.sigmf-meta", found, tmp_path / "out")
    (note,) = json.loads(meta.read_text())["annotations"]
    assert note["core:sample_start"] == 33_600
    assert note["core:sample_count"] == 4_800


# -- other stations are masked -----------------------------------------------------------------------------------------


def test_strangers_are_masked_and_the_ships_own_and_coast_stations_stay() -> None:
    mask = Mask(frozenset({"211999990"}))
    assert not mask.foreign("211999990")
    assert not mask.foreign("002119990")
    assert mask.foreign("244123456")
    assert not Mask(frozenset(), off=True).foreign("244123456")
    assert mask.text("call from 244123456 to 211999990, not 2441234567") == (
        f"call from {HIDDEN} to 211999990, not 2441234567"
    )


def test_a_strangers_call_keeps_no_digit_of_who_and_where() -> None:
    """The symbols carry the identity in pairs of digits, so they go with it."""
    stranger = made.distress_call(self_id="244123456", distress_id="244123456", remarks=("from 244123456",))
    shown = json.dumps(msgspec.to_builtins(Mask(frozenset({"211999990"})).call(stranger)))
    assert "244123456" not in shown
    assert "latitude" not in shown
    assert json.loads(shown)["symbols"] == []


def test_an_own_call_to_a_stranger_hides_only_the_address() -> None:
    own = made.call(address="244123456", symbols=(120, 24, 41, 23, 45, 60, 108, 21, 19, 99, 99, 0, 118))
    masked = Mask(frozenset({"211999990"})).call(own)
    assert masked.address == HIDDEN
    assert masked.self_id == "211999990"
    assert masked.symbols[1:6] == (-1,) * 5
    assert masked.symbols[6:] == own.symbols[6:]


def test_the_wrong_identity_of_an_own_set_is_shown_and_a_stranger_beside_it_is_not(tmp_path: Path) -> None:
    folder = made.folder_with_visit(tmp_path / "v")
    both = made.inspection(
        made.call_transmission(made.call(self_id="219123456")),
        made.call_transmission(made.call(self_id="244123456", type="position reply"), start_s=9.0),
    )
    made.file_try(folder, "vhf-1/ch70-call", both, (0, 1))
    gathered = case.gather(folder, now=made.NOW)
    said = export.to_json(gathered).decode() + export.to_csv(gathered) + export.to_sentences(gathered)
    assert "219123456" in said
    assert "244123456" not in said
    shown = export.to_json(case.gather(folder, now=made.NOW, masked=False)).decode()
    assert "244123456" in shown


# -- a damaged visit ---------------------------------------------------------------------------------------------------


def test_a_changed_inspection_is_told_in_its_place_and_stops_nothing(tmp_path: Path) -> None:
    from sdrcheck.evidence import report

    folder = tmp_path / "visit"
    shutil.copytree(VISIT, folder, ignore=shutil.ignore_patterns("*.sigmf-data", "*.pictures.json"))
    victim = folder / "inspections" / "vhf-2-ch06-high-1.json"
    victim.write_bytes(victim.read_bytes().replace(b"0.", b"1.", 1))
    (folder / "inspections" / "vhf-1-ch06-tone-1.json").unlink()
    gathered = case.gather(folder, now=made.NOW)
    assert "was changed since it was filed" in gathered.check("vhf-2/ch06-high").tries[0].trouble
    assert "cannot be read" in gathered.check("vhf-1/ch06-tone").tries[0].trouble
    made_report = msgspec.json.encode(report.of_visit(gathered)).decode()
    assert "was changed since it was filed" in made_report
    assert results.read(folder).unreadable == ()
