"""Under which condition a transmission was measured; it decides which quantities mean anything."""

from __future__ import annotations

import enum


class Condition(enum.StrEnum):
    """What modulated the transmission."""

    UNMODULATED = "unmodulated"
    ONE_TONE = "one tone"
    TWO_TONES = "two tones"
    SPEECH = "speech"
    CALL = "call"
    MESSAGE = "message"
    UNKNOWN = "unknown"
