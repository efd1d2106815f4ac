"""The report, from the invented visit in captures/: what stands on its first page, and that nothing can change it."""

import datetime as dt
import io
import re
import shutil
import subprocess
import time
from pathlib import Path

import msgspec
import pytest
from pypdf import PdfReader
from rich.console import Console

from sdrcheck.channels.channel import Mark
from sdrcheck.errors import VisitError
from sdrcheck.evidence import case, export, report
from sdrcheck.evidence.blocks import Paragraph, Report, Section
from sdrcheck.evidence.case import Case
from sdrcheck.evidence.printable import has_glyph, printable, printable_tree
from sdrcheck.evidence.renderers import typst
from sdrcheck.evidence.sections.method import ILAC_WORDS
from sdrcheck.findings.report_text import render
from sdrcheck.findings.wording import format_reading
from sdrcheck.limits.limit import Limit, Standing
from sdrcheck.quantities import Measured, Term
from sdrcheck.verdicts.judge import judge
from sdrcheck.visits import document, results
from tests.conftest import REPOSITORY
from tests.visits import made

VISIT = REPOSITORY / "captures" / "visit"


@pytest.fixture(scope="module")
def gathered() -> Case:
    return case.gather(VISIT, now=made.NOW)


@pytest.fixture(scope="module")
def pdf(gathered: Case) -> bytes:
    return typst.pdf(report.of_visit(gathered))


def text_of(pdf: bytes) -> str:
    """The PDF's text by poppler's pdftotext, else by pypdf; blanks and line ends made one."""
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    else:
        text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    return " ".join(text.split())


def first_page(pdf: bytes) -> str:
    return " ".join(PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())


def test_the_first_page_can_be_acted_on(pdf: bytes) -> None:
    page = first_page(pdf)
    assert "INVENTED EXAMPLE, nothing in it is real" in page
    assert "carrier 2.1 kHz high on every channel" in page.replace("Carrier", "carrier")
    assert "vhf-1 is off by the same +13.6 ppm" in page
    assert "vhf-2 calls itself 211999909; by the papers it is 211999990" in page
    assert "It certifies nothing" in page
    assert "page 1 of" in page


def test_only_survey_items_and_regulations_head_the_report(gathered: Case, pdf: bytes) -> None:
    """The over-deviation advice and all type-test figures stand further back, never on the first page."""
    page = first_page(pdf)
    assert Standing.SURVEY_ITEM.value in page
    assert Standing.TYPE_TEST.value not in page
    assert Standing.SERVICE_ADVICE.value not in page
    assert Standing.TYPE_TEST.value in text_of(pdf)


def test_every_reading_stands_in_the_pdf_as_the_terminal_prints_it(gathered: Case, pdf: bytes) -> None:
    text = text_of(pdf)
    out = io.StringIO()
    for one in gathered.checks:
        for tried in one.tries:
            assert tried.inspection is not None
            render(tried.inspection, Console(file=out, width=120, highlight=False))
    terminal = " ".join(out.getvalue().split())
    shown = [format_reading(row.reading) for row in export.rows(gathered)]
    assert len(shown) > 100
    assert [one for one in shown if one not in text] == []
    assert [one for one in shown if one not in terminal] == []


def test_pdf_json_csv_and_terminal_show_the_same_objects(gathered: Case) -> None:
    """A reading is made once, by the engine; everything downstream holds that very object."""
    own = {id(r) for one in gathered.checks for tried in one.tries for t in tried.transmissions for r in t.readings}
    assert {id(row.reading) for row in export.rows(gathered)} == own


def test_a4_and_letter_with_fonts_embedded_and_nothing_active(gathered: Case, pdf: bytes) -> None:
    """A4 is 595 × 842 points, Letter 612 × 792."""
    letter = typst.pdf(report.of_finding(gathered, "vhf-2/ch70-call"), "us-letter")
    for data, size in ((pdf, (595, 842)), (letter, (612, 792))):
        reader = PdfReader(io.BytesIO(data))
        assert {(round(page.mediabox.width), round(page.mediabox.height)) for page in reader.pages} == {size}
        for page in reader.pages:
            for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
                descriptor = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
                assert {"/FontFile2", "/FontFile3"} & set(descriptor)
        for active in (b"/JavaScript", b"/JS", b"/Launch", b"/URI", b"/EmbeddedFile", b"/AA"):
            assert active not in data


def test_it_is_black_on_white(pdf: bytes) -> None:
    """No colour operator anywhere: only grey levels are set, so nothing is lost on a black-and-white printer."""
    for page in PdfReader(io.BytesIO(pdf)).pages:
        content = page.get_contents()
        assert content is not None
        operators = re.findall(rb"(?m)(?:^|\s)(rg|RG|k|K)(?=\s|$)", content.get_data())
        assert operators == []


def test_a_visit_with_more_than_20_checks_is_fast_and_small() -> None:
    began = time.process_time()
    gathered = case.gather(VISIT, now=made.NOW)
    data = typst.pdf(report.of_visit(gathered))
    assert sum(one.state.answered for one in gathered.checks) > 20
    assert len(data) < 5_000_000
    assert time.process_time() - began < 20


def test_the_fault_report_convinces_a_workshop(gathered: Case) -> None:
    text = text_of(typst.pdf(report.of_finding(gathered, "vhf-1/ch06-high")))
    for wanted in ("Symptom", "Likely causes", "common practice, not proof", "How it was connected", "Next step"):
        assert wanted in text
    assert "the two agree within their uncertainties (E_n = " in text
    assert "Conditional Fail" in text
    with pytest.raises(VisitError, match="nothing was done"):
        report.of_finding(gathered, "vhf-2/ch16-low")


def test_the_annex_has_the_rule_in_its_own_words_and_all_sources(gathered: Case, pdf: bytes) -> None:
    """ILAC-G8:09/2019, clause 4.2.3, names Pass, Conditional Pass, Conditional Fail and Fail."""
    text = text_of(pdf)
    for wanted in ("ILAC-G8:09/2019, clause 4.2.3", "Conditional Pass", "Conditional Fail", "JCGM 100"):
        assert wanted in text
    used = {row.reading.limit.source for row in export.rows(gathered) if row.reading.limit}
    assert [source for source in used if source not in text] == []
    for one in gathered.checks:
        for tried in one.tries:
            digest = tried.entry.recording_sha512
            assert digest is not None
            assert digest[:64] in text
            assert digest[64:] in text


@pytest.mark.parametrize(
    ("value", "own_words"),
    [
        (1300.0, "Pass"),
        (1400.0, "Pass"),
        (1450.0, "Conditional Pass"),
        (1500.0, "Conditional Pass"),
        (1550.0, "Conditional Fail"),
        (1650.0, "Fail"),
    ],
)
def test_our_words_mean_what_the_annex_says(value: float, own_words: str) -> None:
    """ILAC-G8:09/2019, 4.2.3, w = U: pass to TL − w, conditional pass to TL, conditional fail to TL + w, fail beyond.

    Here TL = ±1500 Hz and U = 100 Hz; the zones follow from the clause, the numbers are ours.
    """
    limit = Limit("x", "carrier offset", "Hz", "y", Standing.REGULATION, Mark.SEEN, -1500.0, 1500.0)
    found = judge(Measured(value, "Hz", (Term.normal("u", 50.0),)), limit)
    assert {ours: theirs for ours, theirs, _ in ILAC_WORDS}[found] == own_words


# -- what somebody else wrote stays data -------------------------------------------------------------------------------

NASTY = (
    '#pagebreak() #image("/etc/passwd") $ x^2 $ *bold* _it_ `raw` <label> @ref \\ ] #panic("stop") // gone /* gone */',
    "<script>alert(1)</script> {{7*7}} %n%s ${jndi:x}",
    "\u202eevil\u202c \u2066x\u2069 \u200b\ufeff\x1b[2J\x07\x00 \u0627\u0644 \u4e2d \U0001f6a2 e\u0301 a\u0300\u0301",
    '=cmd|" /C calc"!A0',
    "../../../etc/passwd",
)


@pytest.fixture(scope="module")
def nasty(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """The same visit, every field that somebody else fills in turned hostile."""
    folder = tmp_path_factory.mktemp("nasty") / "visit"
    shutil.copytree(VISIT, folder, ignore=shutil.ignore_patterns("*.sigmf-data"))
    everything = " ".join(NASTY).replace("\x00", "").replace("\x1b", "").replace("\x07", "")
    for field in ("job.who", "job.where", "ship.name", "ship.flag", "sets.vhf-1.maker", "job.notes"):
        document.change(folder, field, everything)
    for path in (folder / "inspections").glob("*.json"):
        text = path.read_text(encoding="utf-8")
        path.write_text(
            text.replace("THIS TEXT IS INVENTED", everything.replace("\\", "\\\\").replace('"', '\\"')),
            encoding="utf-8",
        )
    for path in (folder / "results").glob("*.toml"):
        text = path.read_text(encoding="utf-8")
        inspection = re.search(r'^inspection = "(.*)"$', text, re.MULTILINE)
        if inspection:
            digest = results.sha512_of((folder / inspection[1]).read_bytes())
            text = re.sub(r'(inspection_sha512 = )".*"', rf'\1"{digest}"', text)
            path.write_text(text, encoding="utf-8")
    results.add(
        folder,
        results.Outcome(utc=made.NOW, check="vhf-1/ch70-call", outcome="deficient", reason=" ".join(NASTY), who="x"),
    )
    return case.gather(folder, now=made.NOW)


def test_markup_script_and_controls_are_shown_and_change_nothing(nasty: Case) -> None:
    data = typst.pdf(report.of_visit(nasty))
    text = text_of(data)
    for shown in ('#pagebreak() #image("/etc/passwd")', "$ x^2 $", "*bold*", '#panic("stop") // gone /* gone */',
                  "<script>alert(1)</script>", "../../../etc/passwd"):  # fmt: skip
        assert shown in text
    for code in ("U+202E", "U+202C", "U+200B", "U+FEFF", "U+001B", "U+0007", "U+0000", "U+0627", "U+4E2D", "U+1F6A2"):
        assert code in text
    assert not any(letter in text for letter in "\u202e\u2066\u200b\ufeff\x1b\x07")
    assert "root:" not in text  # the file that the markup asked for was not read
    assert b"/JS" not in data
    harmless = len(PdfReader(io.BytesIO(typst.pdf(report.of_visit(nasty), "a4"))).pages)
    assert harmless == len(PdfReader(io.BytesIO(data)).pages)


def test_no_page_was_broken_by_a_word(nasty: Case, gathered: Case) -> None:
    """`#pagebreak()` in 40 fields would add 40 pages; the text itself needs a few more lines."""
    pages = len(PdfReader(io.BytesIO(typst.pdf(report.of_visit(nasty)))).pages)
    plain = len(PdfReader(io.BytesIO(typst.pdf(report.of_visit(gathered)))).pages)
    assert plain <= pages <= plain + 3


def test_a_picture_that_is_no_picture_is_left_out(gathered: Case) -> None:
    one = gathered.check("vhf-1/ch06-high")
    assert one.last is not None
    picture = msgspec.structs.replace(one.last.pictures[0][0], image_png="bm90IGEgcG5n", title='#panic("x")')
    (drawn,) = typst.svg((picture,))
    assert drawn.startswith(b"<svg")


def test_every_character_that_counts_as_printable_has_a_glyph() -> None:
    """Set all of them in the report's fonts and look which glyphs the PDF maps back to characters."""
    wanted = [chr(code) for code in range(0x21, 0x2600) if has_glyph(chr(code)) and chr(code).strip()]
    pages = Report(
        title="t", subject="", running="", foot="", author="", date="", invented=False,
        sections=(Section("s", (Paragraph(" ".join(wanted)),)),),
    )  # fmt: skip
    mapped: set[str] = set()
    for page in PdfReader(io.BytesIO(typst.pdf(pages))).pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
            cmap = font.get_object()["/ToUnicode"].get_object().get_data().decode("latin-1")
            for glyph, codes in re.findall(r"<([0-9a-fA-F]{4})>\s*<([0-9a-fA-F]+)>", cmap):
                if int(glyph, 16):
                    mapped |= set(bytes.fromhex(codes).decode("utf-16-be"))
    assert [letter for letter in wanted if printable(letter) not in mapped] == []


def test_printable_keeps_what_it_can_and_names_the_rest() -> None:
    assert printable("Größe ± 5 µW, ≤ 2 Ω “x”") == "Größe ± 5 µW, ≤ 2 Ω “x”"
    assert printable("e\u0301") == "é"
    assert printable("a\u202eb\u0627") == "aU+202EbU+0627"
    assert printable("one\ntwo\tthree") == "one two three"
    assert printable("one\ntwo", lines=True) == "one\ntwo"
    assert printable_tree({"lines": "a\nb", "x": ["c\nd", 1, None]}, lines_in=frozenset({"lines"})) == {
        "lines": "a\nb",
        "x": ["c d", 1, None],
    }


def test_calibration_is_held_against_the_day_of_the_readings(tmp_path: Path) -> None:
    """A report printed years after the job does not call readings uncalibrated that were calibrated then."""
    folder = made.folder_with_visit(tmp_path / "visit")
    reading = results.MeterReading(
        utc=made.NOW, check="vhf-1/ch16-high", quantity="forward power", value=22.5, unit="W", instrument="wattmeter"
    )
    results.add(folder, reading)
    late = case.gather(folder, now=made.NOW + dt.timedelta(days=3650))
    assert not [doubt for doubt in late.doubts if "calibrat" in doubt.sentence]
    entry = msgspec.structs.replace(reading, utc=made.NOW + dt.timedelta(days=3650))
    results.add(folder, entry)
    used_late = case.gather(folder, now=made.NOW + dt.timedelta(days=3650))
    assert [doubt for doubt in used_late.doubts if "its readings are not calibrated" in doubt.sentence]
