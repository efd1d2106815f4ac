"""Where a dongle is tuned when a person names only a channel, shown with the stand-in driver."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sdrcheck.cli.main import main
from sdrcheck.receiver.cautions import BEFORE_KEYING, SECRECY
from sdrcheck.recordings.recording import open_recording
from tests.sources import conftest as receivers

ramp, stand_in, stand_in_library = receivers.ramp, receivers.stand_in, receivers.stand_in_library
"""Fixtures; pytest finds them by these names."""


@pytest.fixture(autouse=True)
def signals_as_before() -> Iterator[None]:
    before = {kind: signal.getsignal(kind) for kind in (signal.SIGINT, signal.SIGTERM)}
    yield
    for kind, handler in before.items():
        signal.signal(kind, handler)


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, list[str]]:
    """Run one command line: exit status, lines of standard error."""
    with pytest.raises(SystemExit) as ended:
        main([*map(str, words)])
    return int(ended.value.code or 0), capsys.readouterr().err.splitlines()


@pytest.mark.parametrize(
    ("words", "rate", "centre"),
    [  # 50 kHz beside one channel; between two; above their middle, 50 kHz off each, for several
        (("--channel", "16"), 1_024_000, 156_850_000),
        (("--channel", "16", "--rate", "240k"), 240_000, 156_850_000),
        (("--channel", "01"), 1_024_000, 156_100_000),  # the leg that ships send on
        (("--channel", "2187.5"), 1_024_000, 2_237_500),
        (("--channel", "16", "--centre", "156.7M"), 1_024_000, 156_700_000),
        (("--channel", "06", "--channel", "28"), 2_400_000, 156_850_000),  # 156.3 and 157.4 MHz
        (("--all",), 2_400_000, 156_737_500),
    ],
)
def test_a_watch_tunes_itself(
    capsys, tmp_path: Path, stand_in: Callable[..., Path], words: tuple[str, ...], rate: int, centre: int
) -> None:
    log = stand_in()
    into = ("--into", tmp_path / "watch", "--for", "0.1s", "--memory", "5")
    status, said = run(capsys, "watch", "--from", "dongle", *words, *into)
    assert status == 0, said
    calls = log.read_text().splitlines()
    assert f"rate {rate}" in calls
    (*_, tuned) = (int(call.split()[1]) for call in calls if call.startswith("centre"))
    assert tuned == pytest.approx(centre, abs=6250)


def test_the_cautions_come_once_and_after_the_dongle_answers(capsys, tmp_path: Path, stand_in) -> None:
    stand_in()
    words = ("--from", "dongle", "--channel", "72", "--into", tmp_path / "watch", "--for", "0.1s", "--memory", "5")
    _, said = run(capsys, "watch", *words)
    assert [line for line in said if line.startswith("caution")] == [f"caution: {one}" for one in BEFORE_KEYING]
    stand_in(open=-3)
    status, said = run(capsys, "watch", *words)
    assert status == 1
    assert len(said) == 1
    assert "may not be opened by this user" in said[0]


def test_what_the_dongle_does_otherwise_is_said(capsys, tmp_path: Path, stand_in: Callable[..., Path]) -> None:
    stand_in()
    words = ("--from", "dongle", "--channel", "70", "--gain", "99", "--into", tmp_path / "watch", "--for", "0.1s")
    _, said = run(capsys, "watch", *words, "--memory", "5")
    assert "A gain of 99 dB was asked for; this tuner's nearest step is 49.6 dB." in said


def test_a_capture_beside_a_channel(capsys, tmp_path: Path, stand_in: Callable[..., Path]) -> None:
    stand_in()
    status, _ = run(
        capsys, "capture", "--from", "dongle", "--channel", "70", "--seconds", "0.1", "--out", tmp_path / "x"
    )
    assert status == 0
    assert open_recording(tmp_path / "x").centre_hz == 156_575_000


def test_listening_to_a_channel(capsys, stand_in: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """With a loudspeaker that is not there after the first sound."""
    from sdrcheck.errors import SourceLost

    class Silent:
        speed, underflows = 1.0, 0

        def __init__(self, *_: object) -> None: ...

        def play(self, sound: object) -> None:
            raise SourceLost("the sound device takes no more sound; plug it in anew, then start again")

        def close(self) -> None: ...

    monkeypatch.setattr("sdrcheck.watching.loudspeaker.Loudspeaker", Silent)
    log = stand_in()
    status, said = run(capsys, "listen", "--from", "dongle", "--channel", "6")
    assert status == 1
    assert said == [
        f"caution: {SECRECY}",
        "listening on channel 06; stop with Ctrl-C",
        "sdrcheck: the sound device takes no more sound; plug it in anew, then start again",
    ]
    assert "centre 156350000" in log.read_text()
