"""The pictures of the window: there, small, and each told in words where the README shows it."""

from __future__ import annotations

import re

from tests.conftest import REPOSITORY
from tests.gui.pictures import FOLDER, LARGEST_BYTES, scenes


def test_readme_shows_two_pictures_that_are_there_and_tells_them_in_words() -> None:
    shown = re.findall(r"^!\[(.*)\]\((.*)\)$", (REPOSITORY / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(shown) == 2
    for words, path in shown:
        assert len(words) > 30
        assert (REPOSITORY / path).is_file(), path


def test_every_scene_has_its_small_picture_and_every_picture_its_scene() -> None:
    assert {path.name for path in FOLDER.iterdir()} == set(scenes())
    assert all(path.stat().st_size < LARGEST_BYTES for path in FOLDER.iterdir())
