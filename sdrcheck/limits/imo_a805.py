"""IMO A.805(19): how a VHF selective call is modulated (for EPIRBs; national rules ask the same of ship sets)."""

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing

LIMITS = (
    *(
        Limit(
            id=f"D02, {name}",
            quantity=f"tone {name}",
            unit="Hz",
            low=nominal_hz - 10.0,
            high=nominal_hz + 10.0,
            source="IMO A.805(19) item 6.3; Japan Radio Equipment Regulations art. 40-5",
            standing=Standing.REGULATION,
            mark=Mark.SEEN,
            conditions=("call",),
            emissions=("G2B",),
            note="after demodulation",
        )
        for name, nominal_hz in (("B", 2100.0), ("Y", 1300.0))
    ),
    *(
        Limit(
            id=f"D04, {name}",
            quantity=f"modulation index, {name}",
            unit="rad",
            low=1.8,
            high=2.2,
            source="IMO A.805(19) item 6.5; Japan Radio Equipment Regulations art. 40-7(2) for ship sets",
            standing=Standing.REGULATION,
            mark=Mark.SEEN,
            conditions=("call",),
            emissions=("G2B",),
            note="type-tested on steady tones; from one short call it is an estimate",
        )
        for name in ("B", "Y")
    ),
)
