"""One excerpt becomes one transmission of the result: decoded, measured, corrected, judged, remarked upon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from sdrcheck.receiver.reference import FrequencyReference

ToneSource = Literal["acoustic", "electrical"]


@dataclass(frozen=True, slots=True)
class Judging:
    """What findings are corrected with and held against."""

    reference: FrequencyReference | None = None
    """None: an uncorrected dongle."""
    limit_set: str = "marine"
    tone_source: ToneSource | None = None
    """How test tones got into the set; where it is not declared, nothing that depends on it is judged."""
