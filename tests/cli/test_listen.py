"""`sdrcheck listen`: what it refuses. That it is heard is proven over a sound server, see tests/watching."""

from __future__ import annotations

from pathlib import Path

import pytest

from sdrcheck.cli.main import main
from tests.conftest import REPOSITORY

VOICE = REPOSITORY / "captures" / "voice-72.sigmf-meta"


def listen(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["listen", *map(str, words)])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (("--from", VOICE), 2, "Missing option '--channel'"),
        (("--from", VOICE, "--channel", "999"), 2, "the plan knows no channel '999'; see `sdrcheck channels`"),
        (("--from", VOICE, "--channel", "72", "--speed", "0"), 2, "sound plays at the speed of the air or slower"),
        (("--from", VOICE, "--channel", "72", "--level", "2"), 2, "--level"),
        (("--from", "absent", "--channel", "72"), 1, "there is no recording absent"),
        (("--from", VOICE, "--channel", "16"), 1, "channel 16 (156.800 MHz) is not within what"),
    ],
)
def test_refusals_are_one_plain_line(capsys, words, status, sentence):
    found, out, err = listen(capsys, *words)
    assert (found, out) == (status, "")
    assert sentence in err.splitlines()[-1]


def test_without_a_sound_device_it_says_what_to_do(capsys, monkeypatch):
    """As on a computer without a sound card."""
    from sdrcheck.errors import SourceError

    def none() -> None:
        raise SourceError("there is no sound on this computer (no PortAudio); install PortAudio: …")

    monkeypatch.setattr("sdrcheck.watching.loudspeaker.sound_library", none)
    status, _, err = listen(capsys, "--from", VOICE, "--channel", "72")
    assert status == 1
    assert err.splitlines()[-1] == "sdrcheck: there is no sound on this computer (no PortAudio); install PortAudio: …"
    assert len(err.splitlines()) == 1  # the caution comes when something is about to be heard


def test_help(capsys):
    status, out, _ = listen(capsys, "--help")
    assert status == 0
    assert "Other people's traffic is secret" in out
