"""`sdrcheck window` where there is no screen, no Qt or nonsense on the command line: one plain sentence, no abort."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from sdrcheck.cli.main import main
from sdrcheck_gui.application import no_screen

SCREENS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")


def run(*arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if name not in SCREENS} | more
    command = [sys.executable, "-m", "sdrcheck", "window", *arguments]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.parametrize(
    ("screens", "named"),
    [
        ({}, "neither DISPLAY nor WAYLAND_DISPLAY"),
        ({"DISPLAY": ":4711"}, "':4711'"),
        ({"QT_QPA_PLATFORM": "nonesuch"}, "'nonesuch'"),
    ],
)
def test_without_a_screen_it_says_so_and_ends(screens: dict[str, str], named: str) -> None:
    ended = run(**screens)
    (sentence,) = ended.stderr.splitlines()
    assert ended.returncode == 1
    assert sentence.startswith("sdrcheck: ")
    assert named in sentence or "apt install" in sentence  # where a library is missing, that is told first


def test_a_missing_library_is_named_with_what_to_install() -> None:
    sentence = no_screen({"DISPLAY": ":0"}, "libxcb-cursor.so.0")
    assert "libxcb-cursor.so.0" in sentence
    assert "apt install libxcb-cursor0" in sentence


@pytest.mark.parametrize(
    ("error", "named"),
    [
        (ModuleNotFoundError("No module named 'PySide6'", name="PySide6"), "pip install 'sdrcheck[gui]'"),
        (ImportError("libEGL.so.1: cannot open shared object file"), "apt install libegl1"),
    ],
)
def test_what_is_not_installed_is_named(error: ImportError, named: str, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    class Refusing:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sdrcheck_gui.application":
                raise error

    for name in [name for name in sys.modules if name.startswith("sdrcheck_gui")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [Refusing(), *sys.meta_path])
    with pytest.raises(SystemExit) as ended:
        main(["window"])
    assert ended.value.code == 1
    assert named in capsys.readouterr().err


def test_ctrl_c_while_the_window_is_being_made_ends_it() -> None:
    """Qt swallows what is raised inside its own calls."""
    script = (
        "import os, signal\n"
        "from sdrcheck_gui.window import Window\n"
        "Window.showEvent = lambda *_: os.kill(os.getpid(), signal.SIGINT)\n"
        "from sdrcheck.cli.main import main\n"
        "main(['window'])\n"
    )
    environment = os.environ | {"QT_QPA_PLATFORM": "offscreen"}
    ended = subprocess.run(
        [sys.executable, "-c", script], env=environment, capture_output=True, timeout=60, check=False
    )
    assert ended.returncode == 0, ended.stderr.decode()
    assert b"Interrupt" not in ended.stderr


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["--limits", "lunar"], "lunar"),
        (["--from", "dongle", "--gain", "nan"], "nan"),
        (["--from", "captures/test-call.sigmf-meta", "--speed", "-1"], "-1"),
        (["--centre", "156.8M"], "--from"),
        (["--tone-source", "electrical", "--sound-level", "94"], "electrically"),
    ],
)
def test_nonsense_on_the_command_line_is_wrong_usage(arguments: list[str], named: str, capsys) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(SystemExit) as ended:
        main(["window", *arguments])
    assert ended.value.code == 2
    assert named in capsys.readouterr().err
