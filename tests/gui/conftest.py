"""The window under test: offscreen, its own settings, no sound, and whole sentences where Qt is missing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("PySide6.QtWidgets", reason="the window needs PySide6-Essentials and Qt's system libraries")
pytest.importorskip("pyqtgraph", reason="the window needs pyqtgraph")

from sdrcheck.cli.ready import Finding
from sdrcheck_gui.application import application
from sdrcheck_gui.window import Window


class SilentLoudspeaker:
    """Takes the sound as the real one does, and remembers it."""

    def __init__(self, device: str | None = None, level: float = 0.5) -> None:
        self.device, self.level, self.closed = device, level, False
        self.parts: list[np.ndarray] = []

    speed = 1.0

    def play(self, sound: np.ndarray) -> None:
        self.parts.append(sound)

    @property
    def sound(self) -> np.ndarray:
        return np.concatenate(self.parts) if self.parts else np.zeros(0, np.float32)

    def close(self) -> None:
        self.closed = True


@pytest.fixture(scope="session")
def qapp() -> object:
    return application()


@pytest.fixture
def plainly_ready(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let `ready` answer at once: it is tested where it lives."""
    found = [Finding("dongle", "missing", "none answers on USB", "plug one in"), Finding("decoders", "ok", "read")]
    monkeypatch.setattr("sdrcheck_gui.window.findings", lambda *_: iter(found))
    monkeypatch.setattr("sdrcheck_gui.window.output_names", lambda: ["cabin loudspeaker"])


@pytest.fixture
def window(qtbot: object, tmp_path: Path, plainly_ready: None) -> Iterator[Window]:
    made = Window(tmp_path / "kept", opener=SilentLoudspeaker)  # type: ignore[arg-type]
    qtbot.addWidget(made)  # type: ignore[attr-defined]
    made.show()
    yield made
    made.close()
    made.wait()
