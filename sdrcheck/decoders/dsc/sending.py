"""How a call was sent, apart from what it says: dot pattern, phasing, copies, end of sequence, ECC, in words."""

from __future__ import annotations

from collections.abc import Sequence

from sdrcheck.decoders.dsc.fields import DISTRESS_TRAFFIC, CallType
from sdrcheck.decoders.dsc.frame import PHASING, Frame
from sdrcheck.decoders.dsc.symbols import PHASING_DX, EndOfSequence

BAND_NAMES = {"vhf": "VHF", "mf": "MF/HF"}

DOT_PATTERN_VHF = 20
DOT_PATTERNS_MF = (20, 200)
DOTS_EATEN, DOTS_MORE = 8, 4
"""How many dots may be missing (the carrier's rise eats the front) or too many, before it is worth a remark."""


def _names(indexes: Sequence[int]) -> str:
    """Characters by number as a technician counts them, the format specifier being 1; runs as 3–7."""
    runs: list[list[int]] = []
    for number in (index + 1 for index in indexes):
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    named = [str(run[0]) if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs]
    return ("character " if len(indexes) == 1 else "characters ") + ", ".join(named)


def dot_pattern_remarks(
    dots: int | None, band: str, call_type: CallType, end_symbol: int | None, called: str | None
) -> list[str]:
    """Say where the dot pattern is not as long as this call's should be; None is one that was cut off."""
    if dots is None:
        return []
    usual: tuple[int, ...]
    if band == "vhf":
        usual = (DOT_PATTERN_VHF,)
    elif call_type in DISTRESS_TRAFFIC and called is None:
        usual = (200,)
    elif end_symbol == EndOfSequence.ACKNOWLEDGE_BQ or (called or "").startswith("00"):
        usual = (20,) if call_type not in DISTRESS_TRAFFIC else DOT_PATTERNS_MF
    elif call_type is CallType.UNKNOWN:
        usual = DOT_PATTERNS_MF
    else:
        usual = (200,)
    if any(length - DOTS_EATEN <= dots <= length + DOTS_MORE for length in usual):
        return []
    meant = " or ".join(str(length) for length in usual)
    return [f"The dot pattern is {dots} bits long; {meant} are usual for this call on {BAND_NAMES[band]}."]


def remarks(frame: Frame, inverted: bool, band: str) -> list[str]:
    """What is to be said of the sending rather than of the content."""
    said: list[str] = []
    if inverted:
        cause = "" if band == "vhf" else ", as on the wrong sideband"
        said.append(
            f"The keying is inverted{cause}: B and Y are exchanged, every symbol s arrives as 127 − s, and no receiver "
            "takes the call."
        )
    received = frame.phasing_received
    if len(received) < len(PHASING):
        dx = sum(symbol == PHASING_DX for symbol in received)
        short = f"Phasing is not complete: {dx} of 6 DX and {len(received) - dx} of 8 RX symbols in their places"
        said.append(
            short + ("." if frame.phasing_accepted else "; an ordinary receiver needs three, one RX among them.")
        )
    first_dx, second_dx, first_rx, second_rx = frame.format_copies
    for copy, other in ((first_dx, first_rx), (second_dx, second_rx)):
        if frame.symbols and copy is not None and copy == other != frame.symbols[0]:
            said.append(f"The format specifier should stand twice, but reads {copy} beside {frame.symbols[0]}.")
    if frame.cut:
        said.append("The transmission, or its recording, ends before the call does.")
    elif frame.symbols and not frame.end_copies:
        said.append("No end of sequence was found; the characters are shown as far as they can be believed.")
    bad_first = sum(copy is None for copy in frame.first_copy)
    bad_second = sum(copy is None for copy in frame.second_copy)
    if (bad_first or bad_second) and not frame.cut:
        said.append(
            f"Characters that failed their own check: {bad_first} of {len(frame.symbols)} in the first copy, "
            f"{bad_second} in the second."
        )
    ends = [copy for copy in frame.end_copies if copy == frame.symbols[frame.body]]
    if frame.end_copies and len(ends) < len(frame.end_copies) and not frame.cut:
        said.append(f"The end of sequence was good in {len(ends)} of its 4 places.")
    for index in frame.disputed:
        a, b, taken = frame.first_copy[index], frame.second_copy[index], frame.symbols[index]
        if taken in (a, b):
            settled = "the ECC fits" if frame.error_check == "ok" else "taken as"
            said.append(f"The two copies of {_names([index])} differ ({a:02d} and {b:02d}); {settled} {taken:02d}.")
    if frame.combined:
        said.append(f"No copy of {_names(frame.combined)} was good; both together gave what was sent.")
    if frame.inferred is not None:
        said.append(
            f"{_names([frame.inferred]).capitalize()} was lost and is inferred from the ECC, which then proves nothing."
        )
    if frame.error_check == "failed":
        said.append("The ECC is wrong: it does not fit the characters, so none of them is sure.")
    elif frame.error_check == "not received" and frame.symbols and frame.end_copies:
        said.append("The ECC was not received.")
    return said
