"""A report as PDF, through typst. The words go in as JSON data, never as markup, so nothing in them can change a page.

Only the fonts that come with typst are used, so a report looks the same on every computer; they are embedded.
"""

from __future__ import annotations

import base64
import binascii
import tempfile
from importlib import resources
from pathlib import Path
from typing import Any, Literal

import msgspec

from sdrcheck.errors import VisitError
from sdrcheck.evidence.blocks import Report
from sdrcheck.evidence.pictures import Picture
from sdrcheck.evidence.printable import printable_tree

Paper = Literal["a4", "us-letter"]
PAPERS: dict[str, Paper] = {"A4": "a4", "Letter": "us-letter"}

_VERBATIM = frozenset({"lines"})
_PNG = b"\x89PNG\r\n\x1a\n"


def pdf(report: Report, paper: Paper = "a4") -> bytes:
    """Render a report as PDF."""
    data = printable_tree(msgspec.to_builtins(report), lines_in=_VERBATIM)
    return _compiled(data | {"paper": paper}, "report.typ", "pdf")[0]


def pages(report: Report, paper: Paper = "a4", dots_per_inch: float = 96.0) -> list[bytes]:
    """Render each page of a report as PNG, to be looked at on a screen."""
    data = printable_tree(msgspec.to_builtins(report), lines_in=_VERBATIM)
    return _compiled(data | {"paper": paper}, "report.typ", "png", dots_per_inch)


def svg(pictures: tuple[Picture, ...]) -> list[bytes]:
    """Draw pictures for themselves, each as SVG."""
    data = {"pictures": printable_tree(msgspec.to_builtins(pictures))}
    return _compiled(data, "pictures.typ", "svg") if pictures else []


def _compiled(
    data: Any, template: str, form: Literal["pdf", "svg", "png"], dots_per_inch: float | None = None
) -> list[bytes]:
    import typst

    with tempfile.TemporaryDirectory(prefix="sdrcheck-report-") as folder:
        root = Path(folder)
        for name in ("blocks.typ", template):
            (root / name).write_bytes(resources.files(__package__).joinpath(name).read_bytes())
        _place_images(data, root)
        (root / "data.json").write_bytes(msgspec.json.encode(data))
        try:
            made = typst.compile(
                str(root / template),
                root=str(root),
                format=form,
                ppi=dots_per_inch,
                ignore_system_fonts=True,
                font_paths=[],
            )
        except (RuntimeError, typst.TypstError) as problem:
            raise VisitError(f"the report could not be typeset: {' '.join(str(problem).split())[:300]}") from None
    return [bytes(page) for page in made] if isinstance(made, list) else [bytes(made)]


def _place_images(value: Any, root: Path) -> None:
    """Put each image into a file of our own naming, and its name into the data."""
    if isinstance(value, dict):
        image = value.get("image_png")
        if image is not None:
            value["image_png"] = _image_file(image, root)
        for item in value.values():
            _place_images(item, root)
    elif isinstance(value, list):
        for item in value:
            _place_images(item, root)


def _image_file(image: str, root: Path) -> str | None:
    try:
        content = base64.b64decode(image, validate=True)
    except (binascii.Error, ValueError):
        return None
    if not content.startswith(_PNG):
        return None
    name = f"image-{len(list(root.glob('image-*.png')))}.png"
    (root / name).write_bytes(content)
    return name
