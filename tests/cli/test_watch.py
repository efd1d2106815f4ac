"""`sdrcheck watch` as people meet it: lines, cautions, the folder it leaves, refusals, exit status."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import msgspec
import pytest

from sdrcheck.cli.main import main
from sdrcheck.cli.watch import _stop_on_signals as stop_on_signals
from sdrcheck.findings.inspection import Inspection
from sdrcheck.recordings.recording import open_recording
from sdrcheck.watching import journal
from tests.conftest import REPOSITORY

ANSWERED = REPOSITORY / "captures" / "test-call-answered-CLOSED-CABLE-ONLY.sigmf-meta"
TWO = REPOSITORY / "captures" / "two-channels.sigmf-meta"
SHIP = "211999990"  # invented
HANGUP = [signal.SIGHUP] if hasattr(signal, "SIGHUP") else []
BOOTSTRAP = "import sys; from sdrcheck.cli.main import main; main()"


@pytest.fixture(autouse=True)
def signals_as_before() -> Iterator[None]:
    before = {kind: signal.getsignal(kind) for kind in (signal.SIGINT, signal.SIGTERM, *HANGUP)}
    yield
    for kind, handler in before.items():
        signal.signal(kind, handler)


def watch(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Run one command line: exit status, standard output, standard error."""
    with pytest.raises(SystemExit) as ended:
        main(["watch", *map(str, words)])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def events(output: str) -> list[str]:
    return [line.split()[1] for line in output.splitlines()]


def test_a_line_an_event_and_a_summary(capsys, tmp_path):
    words = ("--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path)
    status, out, err = watch(capsys, *words)
    assert status == 0
    assert events(out) == ["started", "kept", "kept", "ended"]
    first, second = out.splitlines()[1:3]
    assert f"test call from {SHIP} to 002xxxxxx" in first
    assert f"test acknowledgement from 002xxxxxx to {SHIP}" in second
    assert "carrier offset" in first
    assert err.splitlines()[-1].endswith("2 DSC call; 2 kept.")
    assert "caution" not in err  # a recording keys nothing


def test_without_an_own_identity_no_call_is_kept_and_it_says_so(capsys, tmp_path):
    words = ("--from", ANSWERED, "--speed", "0", "--channel", "70", "--into", tmp_path)
    status, out, err = watch(capsys, *words)
    assert (status, events(out)) == (0, ["started", "heard", "heard", "ended"])
    assert "no --own identity: calls are told of, masked, but none is kept" in err.splitlines()
    assert err.startswith("CAUTION: a receiver takes this signal for a real one.")  # what the recording says of itself
    assert SHIP not in out + err + (tmp_path / journal.JOURNAL).read_text()
    assert journal.kept_names(tmp_path) == []


def test_all_and_only(capsys, tmp_path):
    words = ("--from", TWO, "--speed", "0", "--all", "--into", tmp_path, "--own", SHIP)
    status, out, _ = watch(capsys, *words, "--only", "voice")
    assert (status, sorted(events(out))) == (0, ["ended", "heard", "kept", "started"])
    (name,) = journal.kept_names(tmp_path)
    assert name.endswith("-72-voice")
    assert sorted(events(watch(capsys, *words)[1])) == ["ended", "kept", "kept", "started"]


def test_it_stops_when_its_time_is_over(capsys, tmp_path):
    words = ("--from", ANSWERED, "--channel", "70", "--own", SHIP, "--into", tmp_path, "--for", "0.6s")
    status, out, _ = watch(capsys, *words)
    assert status == 0
    assert out.splitlines()[-1].endswith("The time is over.")
    assert 0.5 < open_recording(tmp_path / journal.kept_names(tmp_path)[0]).sample_count / 120_000 < 2.0


@pytest.mark.skipif(not HANGUP, reason="only POSIX tells that a terminal went away")
def test_a_terminal_that_goes_away_ends_the_watch_as_ctrl_c_does(monkeypatch):
    """The shell may tell it a second time, which is no impatience; `nohup` has it told to nobody."""
    stops = []
    watching = SimpleNamespace(stop=lambda: stops.append("stop"))
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    stop_on_signals(watching)
    signal.raise_signal(signal.SIGHUP)
    signal.raise_signal(signal.SIGHUP)
    assert stops == ["stop", "stop"]
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    stop_on_signals(watching)
    assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is always full")
@pytest.mark.parametrize("nobody_reads", ["output", "both"])
@pytest.mark.parametrize("where", ["a full disk", "a closed pipe"])
def test_lines_that_nobody_takes_do_not_end_the_watch(tmp_path, where, nobody_reads):
    words = ("watch", "--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path)
    if where == "a full disk":
        sink = os.open("/dev/full", os.O_WRONLY)
    else:
        reading, sink = os.pipe()
        os.close(reading)
    errors = subprocess.PIPE if nobody_reads == "output" else sink
    ended = subprocess.run([sys.executable, "-c", BOOTSTRAP, *words], stdout=sink, stderr=errors, check=False)
    os.close(sink)
    assert ended.returncode == 0
    assert [line.event for line in journal.lines(tmp_path)] == ["started", "kept", "kept", "ended"]
    assert len(list(tmp_path.glob("*" + journal.INSPECTION))) == 2
    if nobody_reads == "output":
        told = ended.stderr.decode().splitlines()
        assert (
            sum(f"no more lines are printed; they are all in {tmp_path / journal.JOURNAL}" in one for one in told) == 1
        )


def test_full_detail_as_it_comes(capsys, tmp_path):
    words = ("--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path, "--full")
    out = watch(capsys, *words)[1]
    assert "modulation index, B" in out
    assert "002119990" in out  # a coast station is a public service


def test_power_settings_and_reference_reach_the_readings(capsys, tmp_path):
    words = ("--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path)
    watch(capsys, *words, "--reference", "+0.4±0.3", "--limits", "japan")
    (name, _) = journal.kept_names(tmp_path)
    kept = Inspection.from_json((tmp_path / (name + journal.INSPECTION)).read_bytes())
    assert (kept.reference.correction_ppm, kept.limit_set) == (0.4, "japan")
    facts = open_recording(tmp_path / name).facts
    assert (facts.reference_ppm, facts.reference_uncertainty_ppm) == (0.4, 0.3)


# -- what was kept ----------------------------------------------------------------------------------------------------


@pytest.fixture
def kept(capsys, tmp_path) -> Path:
    """A folder with two calls of the ship's, the second one a coast station's answer."""
    watch(capsys, "--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path)
    return tmp_path


def test_listing_marking_showing(capsys, kept):
    first, second = journal.kept_names(kept)
    assert watch(capsys, "--into", kept, "--mark", "last")[1] == f"{second} is marked: it stays\n"
    status, out, _ = watch(capsys, "--into", kept, "--list")
    assert (status, out.splitlines()[:2]) == (0, [f"       {first}", f"marked {second}"])
    assert out.splitlines()[2].endswith("2 DSC call; 2 kept.")
    assert list(journal.make_room(kept, 1)) == [first]
    assert watch(capsys, "--into", kept, "--unmark", second[-20:])[1] == f"{second} is no longer marked\n"
    status, out, _ = watch(capsys, "--into", kept, "--show", "last", "--own", SHIP)
    assert status == 0
    assert f"{SHIP}" in out
    assert "modulation index, B" in out


def test_others_are_masked_in_what_is_shown(capsys, kept):
    """Without --own the ship is a stranger, too; the coast station is a public service."""
    out = watch(capsys, "--into", kept, "--show", journal.kept_names(kept)[0])[1]
    assert SHIP not in out
    assert "another station" in out
    assert SHIP in watch(capsys, "--into", kept, "--show", journal.kept_names(kept)[0], "--others")[1]


def test_what_others_sent_is_masked_in_an_exported_inspection(capsys, tmp_path):
    """What a watch kept with --others, seen through the mask that every export uses."""
    from sdrcheck.evidence.masking import Mask

    watch(capsys, "--from", ANSWERED, "--speed", "0", "--channel", "70", "--others", "--into", tmp_path)
    first = journal.kept_names(tmp_path)[0]
    inspection = Inspection.from_json((tmp_path / (first + journal.INSPECTION)).read_bytes())
    masked = [Mask(frozenset()).transmission(one) for one in inspection.transmissions]
    assert SHIP not in msgspec.json.encode(masked).decode()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--show", "nothing"), "keeps nothing named 'nothing'; give the whole name"),
        (("--mark", "20"), "keeps 2 events named '20'"),
    ],
)
def test_names_that_fit_nothing_or_too_much(capsys, kept, words, sentence):
    status, out, err = watch(capsys, "--into", kept, *words)
    assert (status, out) == (1, "")
    assert sentence in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("spoilt", [None, b"", b'{"schema":"\xff"}'])
def test_an_event_without_its_inspection(capsys, kept, spoilt):
    name = journal.kept_names(kept)[0]
    (kept / (name + journal.INSPECTION)).unlink()
    if spoilt is not None:
        (kept / (name + journal.INSPECTION)).write_bytes(spoilt)
    status, _, err = watch(capsys, "--into", kept, "--show", name)
    assert status == 1
    assert f"make it anew: sdrcheck inspect {kept / name}" in err


def test_a_folder_that_is_no_watchs(capsys, tmp_path):
    assert watch(capsys, "--into", tmp_path, "--list")[0] == 1
    status, _, err = watch(capsys, "--into", tmp_path, "--show", "last")
    assert (status, "is that a watch's folder?" in err) == (1, True)


# -- refusals ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (("--channel", "70"), 2, "name what to watch with --from SOURCE"),
        (("--from", ANSWERED, "--list"), 2, "look after a folder; leave out --from"),
        (("--from", ANSWERED), 2, "name what to watch with --channel, or take everything in the span with --all"),
        (("--from", ANSWERED, "--all", "--channel", "70"), 2, "name what to watch with --channel"),
        (("--from", ANSWERED, "--channel", "999"), 2, "the plan knows no channel '999'; see `sdrcheck channels`"),
        (("--from", ANSWERED, "--channel", "70", "--for", "soon"), 2, "'soon' is no length of time"),
        (("--from", ANSWERED, "--channel", "70", "--power", "25W"), 2, "so name the chain before the dongle"),
        (("--from", ANSWERED, "--channel", "70", "--chain", "40"), 2, "a pad is given by its loss"),
        (("--from", ANSWERED, "--channel", "70", "--limits", "mine"), 2, "there is no limit set 'mine'; there are"),
        (
            ("--from", ANSWERED, "--channel", "70", "--sound-level", "94", "--tone-source", "electrical"),
            2,
            "a tone that is fed in electrically has no sound level",
        ),
        (("--from", "absent", "--channel", "70"), 1, "there is no recording absent"),
        (
            ("--from", ANSWERED, "--channel", "70", "--power", "25W", "--chain", "20dB/1W"),
            1,
            "the chain is not safe for that transmitter; see sdrcheck attenuation",
        ),
        (("--from", ANSWERED, "--channel", "70", "--record", ANSWERED), 1, "exists already; choose another name"),
    ],
)
def test_refusals_are_one_plain_line(capsys, tmp_path, words, status, sentence):
    found, out, err = watch(capsys, *words, "--into", tmp_path / "watch")
    assert (found, out) == (status, "")
    assert sentence in err.splitlines()[-1]
    assert not (tmp_path / "watch").exists()


def test_a_folder_that_cannot_be_written(capsys, tmp_path):
    (tmp_path / "file").write_text("")
    status, _, err = watch(
        capsys, "--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path / "file" / "in"
    )
    assert status == 1
    assert "cannot be written" in err


def test_a_named_transmitter_has_its_chain_checked_first(capsys, tmp_path):
    words = ("--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path)
    status, _, err = watch(capsys, *words, "--power", "25W", "--chain", "40dB/100W,30dB/2W")
    assert status == 0
    assert "chain: safe. Every element bears it" in err
    assert "levels stay relative: " in err


def test_on_a_terminal_a_line_is_wrapped_between_words(capsys, tmp_path, monkeypatch):
    words = ("--from", ANSWERED, "--speed", "0", "--channel", "70", "--own", SHIP, "--into", tmp_path)
    whole = watch(capsys, *words)[1].splitlines()
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    wrapped = watch(capsys, *words)[1].splitlines()
    assert len(wrapped) > len(whole)
    assert all(len(line) <= 80 for line in wrapped)
    assert sum(line.startswith(" " * 18) for line in wrapped) == len(wrapped) - len(whole)


def test_help(capsys):
    status, out, _ = watch(capsys, "--help")
    assert status == 0
    assert "Nothing is transmitted" in out
