"""Python's garbage collection, in the window's thread only: elsewhere it might delete what belongs to Qt.

With a window open, automatic collection is off, and the window's timer collects instead.
"""

from __future__ import annotations

import gc

_open = 0


def begin() -> None:
    """Turn automatic collection off, from the first window on."""
    global _open
    _open += 1
    gc.disable()
    gc.freeze()  # what was there before the window stays; looking through it again and again would cost frames


def end() -> None:
    """Turn it on again, with the last window."""
    global _open
    _open = max(_open - 1, 0)
    if not _open:
        gc.unfreeze()
        gc.enable()


def sweep(*, everything: bool = False) -> None:
    """Collect as much as is due by Python's own thresholds, or all there is. Called in the window's thread."""
    if everything:
        gc.collect()
        return
    due = [count > threshold > 0 for count, threshold in zip(gc.get_count(), gc.get_threshold(), strict=True)]
    if due[0]:
        gc.collect(2 if due[1] and due[2] else 1 if due[1] else 0)
