"""Data flows one way: a folder may import from folders above it in this list, never from below.

The list is also the map of the house, samples at the top and people at the bottom.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import sdrcheck

HOUSE = Path(sdrcheck.__file__).parent

FLOW = [
    "errors",
    "quantities",
    "channels",
    "recordings",
    "sources",
    "capture",
    "receiver",
    "filters",
    "measurements",
    "decoders",
    "compositions",
    "limits",
    "verdicts",
    "findings",
    "stations",
    "visits",
    "evidence",
    "bench",
    "watching",
    "cli",
]


def folders_imported_by(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path} uses a relative import"
            names = [node.module] + [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "sdrcheck" and len(parts) > 1:
                yield parts[1]
            if parts[0] == "sdrcheck_gui":
                yield "sdrcheck_gui"


def test_data_flows_one_way() -> None:
    for path in HOUSE.rglob("*.py"):
        here = path.relative_to(HOUSE).parts[0].removesuffix(".py")
        for there in folders_imported_by(path):
            if there == "sdrcheck_gui":
                assert path == HOUSE / "cli" / "window.py", f"{path} reaches into the window"
            elif here in FLOW and there in FLOW:
                assert FLOW.index(there) <= FLOW.index(here), f"{path} reaches downstream into {there}"


def test_every_folder_has_its_place() -> None:
    found = {path.name for path in HOUSE.iterdir() if path.is_dir() and (path / "__init__.py").exists()}
    assert found <= set(FLOW), f"not on the map: {sorted(found - set(FLOW))}"
