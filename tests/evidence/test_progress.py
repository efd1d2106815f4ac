"""What the window asks of evidence beside the command line: pages as pictures, progress, and stopping in the middle."""

from __future__ import annotations

from pathlib import Path

import pytest

from sdrcheck.evidence import bundle, case, report
from sdrcheck.evidence.renderers import typst
from tests.visits import made


class Enough(Exception):
    """What a person says who stops it."""


def test_pages_are_pictures_of_the_paper(tmp_path: Path) -> None:
    folder = made.folder_with_visit(tmp_path / "visit")
    pages = typst.pages(report.of_visit(case.gather(folder, now=made.NOW)), "a4", 72)
    assert len(pages) >= 2
    for page in pages:
        assert page.startswith(b"\x89PNG")
        width, height = int.from_bytes(page[16:20]), int.from_bytes(page[20:24])
        assert (width, height) == pytest.approx((595, 842), abs=1)  # ISO 216: 210 mm by 297 mm, at 72 dots an inch


def test_packing_tells_how_far_it_is_and_leaves_nothing_where_it_is_stopped(tmp_path: Path) -> None:
    folder = made.folder_with_visit(tmp_path / "visit")
    (folder / "recordings").mkdir()
    (folder / "recordings" / "x.sigmf-data").write_bytes(bytes(3 << 20))
    told: list[float] = []
    bundle.pack(folder, tmp_path / "whole", now=made.NOW, tell=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)

    for stop_after in (0.1, 0.5, 0.9):
        place = tmp_path / f"stopped-{stop_after}"

        def stop(part: float, after: float = stop_after) -> None:
            if part > after:
                raise Enough

        with pytest.raises(Enough):
            bundle.pack(folder, place, now=made.NOW, tell=stop)
        assert not place.exists() or list(place.iterdir()) == []
