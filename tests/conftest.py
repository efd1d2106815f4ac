"""What every test shares: no screen, no user settings, no hardware unless asked for."""

from __future__ import annotations

import gc
import os
from pathlib import Path

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # threads that wait for each other cost more than they bring here

REPOSITORY = Path(__file__).parent.parent
REAL_RECORDINGS = REPOSITORY.parent / "shared" / "recordings"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--dongle", action="store_true", help="run the tests that need a receiver on USB")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("--dongle"):
        for item in items:
            if item.get_closest_marker("dongle"):
                item.add_marker(pytest.mark.skip(reason="needs a receiver on USB: give --dongle"))


def pytest_collection_finish() -> None:
    gc.freeze()  # thousands of collected tests need not be looked through at each collection of garbage


@pytest.fixture(autouse=True)
def own_settings_folder(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep every test away from the user's own settings."""
    home = tmp_path_factory.mktemp("home")
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(home / name.lower()))
