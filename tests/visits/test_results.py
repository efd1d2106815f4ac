"""The ledger loses nothing: not by a crash in the middle, not by two writers at once, not by a later word."""

import datetime as dt
import math
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from sdrcheck.errors import VisitError
from sdrcheck.visits import results
from tests.visits import made


def outcome(word: str = "satisfactory", reason: str = "", check: str = "vhf-1/ch16-high") -> results.Outcome:
    return results.Outcome(utc=made.NOW, check=check, outcome=word, reason=reason, who="N. N.")  # type: ignore[arg-type]


def test_every_kind_of_entry_comes_back_as_it_was(tmp_path: Path) -> None:
    entries: list[results.Entry] = [
        made.file_try(
            tmp_path, "vhf-1/ch16-high", made.inspection(made.carrier("16", 156.8e6)), remarks=('"q" \\ \n',)
        ),
        results.MeterReading(utc=made.NOW, check="vhf-1/ch16-high", quantity="forward power", value=21.5, unit="W"),
        results.Seen(utc=made.NOW, check="vhf-1/antenna", as_it_should=False, note="= rust ⚓"),
        outcome("deficient", "off frequency"),
        results.GateStep(
            utc=made.NOW, set="vhf-1", step="silence", passed=True, detail="quiet", frequency_hz=156.525e6
        ),
    ]
    for entry in entries[1:]:
        results.add(tmp_path, entry)
    ledger = results.read(tmp_path)
    assert [filed.entry for filed in ledger.filed] == entries
    assert [filed.number for filed in ledger.filed] == [1, 2, 3, 4, 5]
    assert ledger.unreadable == ()


def test_all_tries_and_words_are_kept_and_the_last_word_counts(tmp_path: Path) -> None:
    for offset in (900.0, 120.0):
        made.file_try(tmp_path, "vhf-1/ch16-high", made.inspection(made.carrier("16", 156.8e6, offset_hz=offset)))
    results.add(tmp_path, outcome("deficient", "first impression"))
    results.add(tmp_path, outcome("satisfactory"))
    state = results.read(tmp_path).of_check("vhf-1/ch16-high")
    assert len(state.tries) == 2
    assert [word.outcome for word in state.outcomes] == ["deficient", "satisfactory"]
    assert state.outcome is not None
    assert state.outcome.outcome == "satisfactory"


@pytest.mark.parametrize("word", ["deficient", "not applicable", "not done"])
def test_an_outcome_that_skips_or_blames_needs_a_reason(tmp_path: Path, word: str) -> None:
    with pytest.raises(VisitError, match="needs a reason"):
        results.add(tmp_path, outcome(word, "  "))
    assert results.read(tmp_path).filed == ()


def test_writers_at_the_same_time_do_not_take_each_others_number(tmp_path: Path) -> None:
    def write(name: str) -> None:
        for place in range(20):
            results.add(tmp_path, outcome(check=f"{name}/{place}"))

    writers = [threading.Thread(target=write, args=(f"set-{n}",)) for n in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    ledger = results.read(tmp_path)
    assert len(ledger.filed) == 80
    assert len({filed.number for filed in ledger.filed}) == 80
    assert ledger.unreadable == ()


def test_killed_in_the_middle_of_writing_leaves_whole_entries_only(tmp_path: Path) -> None:
    """A process files entries as fast as it can and is killed without warning, again and again."""
    script = (
        "import sys, datetime as dt; from pathlib import Path; from sdrcheck.visits import results\n"
        "print('ready', flush=True)\n"
        "while True:\n"
        " results.add(Path(sys.argv[1]), results.Outcome(utc=dt.datetime.now(dt.UTC), check='a/b',"
        " outcome='satisfactory'))\n"
    )
    for _ in range(3):
        process = subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.15)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        process.stdout.close()
        before = results.read(tmp_path)
        assert before.unreadable == ()
        assert before.filed
        assert results.add(tmp_path, outcome()).number > before.filed[-1].number


def test_a_damaged_entry_is_named_and_hides_no_other(tmp_path: Path) -> None:
    results.add(tmp_path, outcome())
    second = tmp_path / "results" / "0002.toml"
    second.write_text("entry = ", encoding="utf-8")
    results.add(tmp_path, outcome())
    ledger = results.read(tmp_path)
    assert len(ledger.filed) == 2
    assert len(ledger.unreadable) == 1
    assert "0002.toml" in ledger.unreadable[0]
    assert second.read_text(encoding="utf-8") == "entry = "


def test_an_inspection_that_was_changed_after_filing_is_refused(tmp_path: Path) -> None:
    entry = made.file_try(tmp_path, "vhf-1/ch16-high", made.inspection(made.carrier("16", 156.8e6)))
    ledger = results.read(tmp_path)
    assert ledger.transmissions(entry)[0].channel == "16"
    path = tmp_path / entry.inspection
    path.write_bytes(path.read_bytes().replace(b"120.0", b"20.0"))
    with pytest.raises(VisitError, match="was changed since it was filed"):
        ledger.transmissions(entry)


@pytest.mark.parametrize("name", ["../outside.json", "/etc/passwd", "a/../../b"])
def test_an_entry_cannot_lead_out_of_the_folder(tmp_path: Path, name: str) -> None:
    with pytest.raises(VisitError, match="leads out"):
        results.inside(tmp_path, name)


def test_a_time_without_a_zone_is_refused(tmp_path: Path) -> None:
    results.add(tmp_path, outcome())
    path = next((tmp_path / "results").glob("*.toml"))
    path.write_text(path.read_text().replace("2026-03-02T09:30:00Z", "2026-03-02T09:30:00"), encoding="utf-8")
    assert "utc" in results.read(tmp_path).unreadable[0]
    assert made.NOW.tzinfo is dt.UTC


@pytest.mark.parametrize(("value", "unit"), [(math.nan, "W"), (math.inf, "W"), (-5.0, "W")])
def test_what_no_meter_shows_is_not_filed(value: float, unit: str, tmp_path: Path) -> None:
    entry = results.MeterReading(
        utc=made.NOW, check="a/b", quantity="forward power", value=value, unit=unit, who="N. N."
    )
    with pytest.raises(VisitError, match="give what the meter showed"):
        results.add(tmp_path, entry)
    assert not results.read(tmp_path).filed


def test_a_reading_that_is_no_number_is_named_and_left_out(tmp_path: Path) -> None:
    good = results.MeterReading(utc=made.NOW, check="a/b", quantity="forward power", value=22.5, unit="W", who="N. N.")
    results.add(tmp_path, good)
    (path,) = (tmp_path / results.FOLDER).glob("*.toml")
    text = path.read_text()
    path.with_name("0002.toml").write_text(text.replace("22.5", "nan"))
    ledger = results.read(tmp_path)
    assert [filed.number for filed in ledger.filed] == [1]
    assert "0002.toml holds no number a meter can show" in ledger.unreadable[0]
