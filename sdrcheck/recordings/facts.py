"""What we write beside samples in our own SigMF namespace; described for others in `sdrcheck.sigmf-ext.md`."""

from __future__ import annotations

import msgspec

NAMESPACE = "sdrcheck"
NAMESPACE_VERSION = "1.0.0"


def _qualified(name: str) -> str:
    return f"{NAMESPACE}:{name}"


class ReceptionFacts(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, rename=_qualified):
    """How the samples came to be, as far as it is known. Everything is optional; None means not known."""

    gain_db: float | None = None
    attenuation_db: float | None = None
    """Between the transmitter and the receiver."""
    serial: str | None = None
    reference_ppm: float | None = None
    """δ = (indicated − true)/true of the receiver's frequency reference, as known when recording.

    Never applied to samples or frequencies; `core:datetime` of later stretches counts with it.
    """
    reference_uncertainty_ppm: float | None = None
    reference_source: str | None = None
    frequency_step_hz: float | None = None
    lost_samples: int | None = None
    host_utc_error_s: float | None = None
    """Largest error of the computer's clock, as its operating system estimates it."""
    ship_utc_shown: str | None = None
    """What the ship's UTC display showed, typed in."""
    host_minus_ship_s: float | None = None
    host_minus_ship_uncertainty_s: float | None = None
    clock_step_s: float | None = None
    """Sum of the jumps of the computer's clock while recording; times come from before the first of them."""
    receiver_sound: bool | None = None
    synthetic: bool | None = None
    """Made by computation, not received."""
    ended: str | None = None
    """How the recording ended, in words; a recording without it has no clean end."""
    remarks: tuple[str, ...] = ()

    def document(self) -> dict[str, object]:
        """The fields as they stand in a SigMF `global` object."""
        return msgspec.to_builtins(self)


FIELDS = tuple(field.encode_name for field in msgspec.structs.fields(ReceptionFacts))
