"""The window on a real X server, worked by real mouse and key events as a person would."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import REPOSITORY
from tests.gui.real_screen import screen, shown
from tests.gui.test_window import TWO  # noqa: F401  (skips with the others where Qt is missing)


def test_a_person_works_through_it_with_mouse_and_keys(tmp_path: Path) -> None:
    from sdrcheck_gui.qt import QtGui

    capture = str(REPOSITORY / "captures" / "two-channels.sigmf-meta")
    with screen() as display, shown(display, tmp_path, "--from", capture, "--reference", "+0.4±0.3") as window:
        state = window.until(lambda now: len(now["blocks"]) == 2 and "ended" in now["status"])

        window.click(state["blocks"]["test call"])
        state = window.until(lambda now: now["chosen"] == "test call" and "Test call from" in now["words"])
        assert "channel 70" in state["heading"]
        window.key("Left")
        window.until(lambda now: now["chosen"] == "one tone")

        window.do("mousemove", *state["band"])
        state = window.until(lambda now: "dBFS" in now["hover"])
        assert "MHz" in state["hover"]
        window.do("click", 4)
        closer = window.until(lambda now: now["time"] != state["time"])
        assert closer["time"][1] - closer["time"][0] < state["time"][1] - state["time"][0]
        window.do("mousedown", 1, "mousemove_relative", "--sync", "--", -80, 0, "mouseup", 1)
        window.until(lambda now: not now["following"] and now["time"] != closer["time"])
        window.key("Home")
        window.until(lambda now: now["following"])

        window.key("m")
        window.until(lambda now: now["marked"] == ["one tone"] and "Marked and kept" in now["status"])
        window.key("F3")
        window.until(lambda now: "Kept the last" in now["status"])
        assert len(list((tmp_path / "kept").glob("*.sigmf-meta"))) == 2

        points = state["points"]
        window.key("ctrl+plus")
        window.until(lambda now: now["points"] > points)
        window.key("ctrl+0")
        window.until(lambda now: now["points"] == points)

        window.key("F1")
        window.until(lambda now: now["dialogs"] == ["Keys"])
        window.key("Escape")
        window.until(lambda now: now["dialogs"] == [])

        window.do("search", "--name", "^sdrcheck$", "windowfocus")
        window.key("F2")
        state = window.until(lambda now: now["sheet"] == "start")
        window.do("mousemove", *state["power_at"], "click", "--repeat", 3, 1)
        window.do("type", "400W m")
        window.until(lambda now: now["power"] == "400W m")
        window.key("F2")
        window.until(lambda now: now["sheet"] == "work")

        taken = QtGui.QImage(str(window.picture("screen.png")))
        assert (taken.width(), taken.height()) == (1366, 768)
        colours = {taken.pixelColor(x, y).rgb() for x in range(0, 1366, 31) for y in range(0, 768, 29)}
        assert len(colours) > 10

        window.key("ctrl+q")
        assert window.process.wait(20) == 0
    assert "Traceback" not in (tmp_path / "log").read_text()
