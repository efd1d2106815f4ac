"""What people type by mistake: one plain sentence, the promised exit status, and nothing filed or written."""

import io
from pathlib import Path

import pytest

from sdrcheck.cli.main import main

CAPTURES = Path(__file__).parents[2] / "captures"
CALL = ("compose", "call", "test-call", "--self-id", "211999990", "--to", "002119990")
MESSAGE = ("compose", "message", "--station", "L", "--subject", "A", "--number", "01", "-o", "x")
VOICE = str(CAPTURES / "voice-72.sigmf-meta")
COUNTER = ("reference", "counter", "--indicated", "156.52507M", "--counter", "156.525M")


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    """Run one line; its exit status and the one line it wrote to standard error."""
    with pytest.raises(SystemExit) as stopped:
        main([str(one) for one in arguments])
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1, lines
    assert "internal error" not in lines[0]
    return int(stopped.value.code or 0), lines[0]


@pytest.fixture(autouse=True)
def _own_folders(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("XDG_DATA_HOME", "XDG_STATE_HOME", "HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    ("arguments", "status", "sentence"),
    [
        (("inspect", ""), 1, "is a folder, not a recording"),
        ((*CALL, "-o", ""), 2, "name the file"),
        ((*CALL, "-o", "x", "--snr", "nan"), 2, "'nan' is no number to reckon with"),
        ((*CALL, "-o", "x", "--level", "loud"), 2, "'loud' is not a number; write it like 12 or 0.5"),
        ((*CALL, "-o", "x", "--snr", "0,5"), 2, "with a point"),
        ((*CALL, "-o", "x", "--at", "-5"), 2, "-5 is too low; it must be 0 or more"),
        ((*CALL, "-o", "x", "--duration", "0"), 2, "0 is too low; it must be above 0"),
        ((*CALL, "-o", "x", "--duration", "1e9"), 2, "more than is made at once"),
        ((*CALL, "-o", "x", "--rate", "10"), 2, "lies outside the span"),
        ((*CALL, "-o", "x", "--start-utc", "noon"), 2, "write --start-utc like 2026-05-12T08:00:00Z"),
        ((*CALL, "-o", "x", "--offset", "1e9"), 2, "it must be 50000 or less"),
        ((*CALL, "-o", "x", "--position", "55.2,12.5"), 2, "test call: it carries no position"),
        ((*CALL, "-o", "x", "--utc", "12:00"), 2, "test call: it carries no time"),
        ((*CALL, "-o", "x", "--position", "55°75'N 012°34'E"), 2, "minutes go from 0 to less than 60"),
        (("stations", "--table", "."), 2, "is a directory"),
        ((*MESSAGE, "@."), 1, "cannot be read (Is a directory); give plain text"),
        (("stations", "--near", "54 60N 012 05E"), 2, "minutes go from 0 to less than 60"),
        ((*CALL, "-o", "x", "--shift", "180"), 2, "shift is no fault of a call on --band vhf"),
        ((*CALL, "-o", "x", "--band", "mf", "--index-b", "1.8"), 2, "index b is no fault of a call on --band mf"),
        (("evidence", "key", ""), 1, "a key needs a file"),
        (("compose", "tone", "--channel", "72", "--deviation", "300k", "-o", "x"), 2, "up to 12 kHz"),
        ((*COUNTER, "--accuracy", "-1", "--serial", "a"), 2, "too low"),
        ((*COUNTER, "--accuracy", "1e-7", "--serial", ""), 2, "a serial cannot be empty"),
        ((*COUNTER[:-1], "156.525M±1.2.3", "--serial", "a"), 2, "'1.2.3' is not a number"),
        ((*COUNTER[:-1], "156.525M±1e999", "--serial", "a"), 2, "is no number to reckon with"),
        (("attenuation", "--power", "25W", "--chain", "40dB/100W", "--gain", "nan"), 2, "no number to reckon with"),
        (("watch", "--from", VOICE, "--all", "--speed", "-1"), 2, "-1 is too low; it must be 0 or more"),
        (
            ("watch", "--from", VOICE, "--all", "--speed", "0.0000000001"),
            2,
            "it must be 0.01 or more, or 0 for at once",
        ),
        (("serve", VOICE, "--speed", "0.001"), 2, "0.001 is too low; it must be 0.01 or more"),
        (("inspect", VOICE, "--reference", "2±0"), 2, "nothing is known without uncertainty"),
        (("inspect", VOICE, "--reference", "2,5±0,3"), 2, "write it like +2.7±0.3, with points"),
        ((*COUNTER[:-1], "156799,9873 kHz", "--serial", "a"), 2, "2187.5 kHz, with a point"),
        (("watch", "--from", VOICE, "--all", "--own", "abc"), 2, "'abc' is no identity; an MMSI has nine digits"),
        (("watch", "--from", VOICE, "--all", "--device", "7"), 2, "give a channel with --listen"),
        (("watch", "--from", VOICE, "--all", "--gain", "7"), 2, "--gain is for a dongle"),
        (("watch", "--from", VOICE, "--all", "--reference", "2000±1"), 2, "lies within ±1000 ppm"),
        (("watch", "--from", VOICE, "--all", "--record", "absent/x"), 1, "there is no folder absent to record into"),
        (("watch", "--from", VOICE, "--channel", "16"), 1, "channel 16 (156.800 MHz) is not within what"),
        (("watch", "--from", VOICE, "--channel", "72", "--channel", "16"), 1, "channel 16 (156.800 MHz) is not within"),
        (("watch", "--from", VOICE, "--all", "--listen", "16"), 1, "(156.457 MHz to 156.697 MHz); choose a channel"),
        (("watch", "--from", "dongle", "--all", "--centre", "1e400"), 2, "is no frequency to reckon with"),
        (("watch", "--from", "dongle", "--all", "--speed", "2"), 2, "the air goes at its own pace"),
        (("watch", "--from", "dongle", "--channel", "06", "--channel", "2182"), 2, "name fewer channels (see"),
        (
            ("watch", "--from", "dongle", "--channel", "06", "--channel", "16", "--rate", "240k"),
            2,
            "156.3 to 156.8 MHz do not fit into one span; name fewer channels, or a higher --rate",
        ),
        (("listen", "--from", VOICE, "--channel", "6"), 1, "channel 06 (156.300 MHz) is not within what"),
        (("capture", "--from", VOICE, "--channel", "16"), 1, "channel 16 (156.800 MHz) is not within what"),
        (("attenuation", "leak", "--from", VOICE, "--channel", "16"), 1, "channel 16 (156.800 MHz) is not within what"),
        (("attenuation", "--power", "25W", "--chain", "40dB/100W", "--frequency", "0"), 1, "nothing is keyed on 0 Hz"),
        (("watch", "--from", VOICE, "--all", "--record", ""), 2, "the recording of everything needs a name"),
        (("capture", "--from", VOICE, "--out", ""), 1, "a recording needs a name"),
        (("capture", "--from", VOICE, "--out", "a" * 300), 1, "is too long for a name"),
        (("ready", "--into", "a" * 300), 1, "is too long for a name"),
        (("listen", "--from", VOICE, "--channel", "72", "--device", "9" * 30), 1, ""),
        ((*COUNTER, "--accuracy", "1e-7", "--serial", "a", "--indicated", "1M"), 1, "which is no dongle's error"),
        (("attenuation", "--power", "25W", "--chain", "0.0000000000000001dB/50W"), 2, "between 0.01 and 120 dB"),
        (("attenuation", "--power", "25W", "--chain", "120dB/50W,120dB,120dB"), 2, "360 dB is more than any chain has"),
        (("attenuation", "--power", "25W", "--chain", f"tap:{'9' * 400}k/2W"), 2, "between 1 Ω and 10 MΩ"),
        (("attenuation", "--power", f"0.{'0' * 320}1W", "--chain", "40dB/1W"), 2, "is no power; write it like 25W"),
        (("attenuation", "--power", f"{'9' * 400}W", "--chain", "40dB/1W"), 2, "is no power; write it like 25W"),
        (("attenuation", "linearity", VOICE, VOICE, "--known", "1e300"), 2, "it must be 1e+12 or less"),
        (("capture", "--from", VOICE, "--seconds", "1e305"), 2, "1e305 is too high; it must be 1e+12 or less"),
        (("capture", "--from", VOICE, "--ship-utc", "14:05:30+02:00"), 2, "is not a time of day in UTC"),
        (
            ("capture", "--from", VOICE, "--note", "caf\udce9"),
            2,
            "'caf\ufffd' is not UTF-8 text; write it anew, or rename",
        ),
        (("capture", "--from", "bad\udcff.sigmf-meta"), 2, "is not UTF-8 text"),
        (("capture", "--from", "net:a..b:1234", "--centre", "156.8M"), 1, "net:a..b:1234 names no server"),
        (("watch", "--from", VOICE, "--all", "--into", "bad\udcff"), 2, "is not UTF-8 text"),
        (("watch", "--from", VOICE, "--all", "--speed", "1e305"), 2, "it must be 1e+12 or less"),
        (("watch", "--from", VOICE, "--all", "--disk", "1e300"), 2, "it must be 1e+12 or less"),
        (("watch", "--from", VOICE, "--all", "--for", f"{'9' * 400}h"), 2, "is no length of time; write it like 12h"),
        (("printout", "a", "b", "--stations", "12"), 2, "are not letters A to Z"),
        (("printout", "a", "b", "--stored", "L20"), 2, "no identity B1 to B4"),
    ],
)
def test_one_plain_line(
    arguments: tuple[str, ...], status: int, sentence: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, line = said(capsys, *arguments)
    assert (code, sentence in line) == (status, True), line
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


@pytest.mark.parametrize("command", [("watch", "--all"), ("capture",), ("listen", "--channel", "72")])
@pytest.mark.parametrize("source", ["net:127.0.0.1:1", "net:", "dongle:absent"])
def test_nobody_is_warned_of_keying_before_a_source_that_does_not_open(
    command: tuple[str, ...], source: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, line = said(capsys, *command, "--from", source)
    assert code == 1
    assert not line.startswith("caution")


def test_a_level_above_full_scale_ties_nothing_down(capsys: pytest.CaptureFixture[str]) -> None:
    level = ("reference", "level", "--serial", "a", "--meter", "22W", "--accuracy", "5", "--gain", "0")
    code, line = said(capsys, *level, "--indicated", "15", "--frequency", "156M", "--chain", "40dB/100W")
    assert code == 2
    assert "15 is too high; it must be 0 or less" in line


def test_nobody_waits_for_a_carrier_that_a_short_recording_cannot_show(capsys: pytest.CaptureFixture[str]) -> None:
    source = str(CAPTURES / "two-channels.sigmf-meta")  # 0.95 s; one reading takes 1 s
    code, line = said(capsys, "reference", "warm-up", "--from", source, "--carrier", "156.625M", "--speed", "0")
    assert code == 1
    assert "ended before one reading" in line


@pytest.mark.parametrize("group", [(), ("visit",), ("compose",)])
def test_no_command_shows_the_help_as_it_is_meant_to_be_read(
    group: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(list(group))
    shown = capsys.readouterr()
    assert stopped.value.code == 2
    assert shown.out.startswith(f"Usage: {' '.join(('sdrcheck', *group))} ")
    assert not shown.err


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_terminal_without_the_sign_shows_a_question_mark(encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = io.BytesIO()
    monkeypatch.setattr("sys.stdout", io.TextIOWrapper(shown, encoding))
    with pytest.raises(SystemExit) as stopped:
        main(["attenuation", "--power", "1500W", "--chain", "tap:4.7k/2W", "--frequency", "2182k"])
    assert stopped.value.code == 0
    assert b"tap 4700 ?" in shown.getvalue()  # Ω stands in neither of the two


def test_a_picture_is_no_printout_and_accuses_no_receiver(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "print.png"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8)
    code, line = said(capsys, "printout", str(CAPTURES / "text-slot.sigmf-meta"), str(picture))
    assert code == 1
    assert "the print-out is no text" in line
