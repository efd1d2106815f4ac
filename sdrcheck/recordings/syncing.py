"""New names of files that are to survive a loss of power, too."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Have the names in a folder written to the disk, where the system can."""
    with contextlib.suppress(OSError):  # Windows cannot open a folder, and does not need it
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
