"""A selective call told to people: as sentences, and as the grid of its symbols.

The terminal, the window and the report all show these.
"""

from __future__ import annotations

from dataclasses import dataclass

from sdrcheck.decoders.dsc.call import Area, Call
from sdrcheck.findings.wording import format_position

ERROR_CHECKS = {
    "ok": "the error check (ECC) fits",
    "failed": "the error check (ECC) does not fit",
    "not received": "the error check (ECC) was not received",
    "inferred": "one symbol is inferred from the error check (ECC), which can then vouch for nothing",
}


def sentences(call: Call) -> tuple[str, ...]:
    """What the call said, one fact a sentence, and how far it can be believed. Remarks are not among them."""
    said = [_first(call)]
    if call.distress_id is not None:
        said.append(f"Ship in distress: {call.distress_id}.")
    if call.nature_of_distress is not None:
        said.append(f"Nature of distress: {call.nature_of_distress}.")
    if call.position is not None:
        at = f" at {call.utc} UTC" if call.utc else ""
        said.append(f"Position: {format_position(call.position)}{at}.")
    elif call.utc is not None:
        said.append(f"Time: {call.utc} UTC.")
    commands = [command for command in (call.telecommand_1, call.telecommand_2) if command is not None]
    if commands:
        said.append(f"Telecommands: {'; '.join(commands)}.")
    if call.called_station_receives or call.called_station_transmits:
        both = [
            f"{word} {place}"
            for word, place in (
                ("receive on", call.called_station_receives),
                ("transmit on", call.called_station_transmits),
            )
            if place
        ]
        said.append(f"The called station is to {' and '.join(both)}.")
    if call.telephone_number:
        said.append(f"Telephone number: {call.telephone_number}.")
    if call.subsequent_communication is not None:
        said.append(f"To follow by: {call.subsequent_communication}.")
    said.extend(f"Expansion {part.specifier}, {part.meaning}: {part.value}." for part in call.expansion)
    if call.end_of_sequence is not None:
        said.append(f"End of sequence: {call.end_of_sequence}.")
    said.append(f"Symbols: {ERROR_CHECKS[call.error_check]}{_combined(call)}.")
    verb = "would have accepted it" if call.ordinary_receiver.accepted else "would have refused it"
    said.append(f"An ordinary receiver {verb}: {call.ordinary_receiver.reason.rstrip('.')}.")
    return tuple(said)


def _first(call: Call) -> str:
    opening = call.type[:1].upper() + call.type[1:]
    sender = f" from {call.self_id}" if call.self_id else " from an identity that could not be read"
    if isinstance(call.address, Area):
        receiver = f" to {area_text(call.address)}"
    else:
        receiver = f" to {call.address}" if call.address else ""
    category = f", category {call.category}" if call.category else ""
    return f"{opening}{sender}{receiver}{category}."


def _combined(call: Call) -> str:
    if not call.combined:
        return ""
    symbols = "symbol was" if len(call.combined) == 1 else "symbols were"
    return f"; {len(call.combined)} {symbols} recovered only from both copies together"


def area_text(area: Area) -> str:
    """A geographic area in words."""
    north = f"{abs(area.north_west_latitude):.0f}°{'N' if area.north_west_latitude >= 0 else 'S'}"
    east = f"{abs(area.north_west_longitude):03.0f}°{'E' if area.north_west_longitude >= 0 else 'W'}"
    return (
        f"the area from {north} {east} (its north-west corner) {area.south_extent_degrees:.0f}° to the south "
        f"and {area.east_extent_degrees:.0f}° to the east"
    )


@dataclass(frozen=True, slots=True)
class GridCell:
    """One information symbol: what each copy said, and what was accepted. None where a copy's own check failed."""

    first: int | None
    second: int | None
    accepted: int | None
    combined: bool

    @property
    def sound(self) -> bool:
        """Both copies were good and agree with what was accepted."""
        return self.first is not None and self.first == self.second == self.accepted


def grid(call: Call) -> tuple[GridCell, ...]:
    """The symbols in order, format specifier to ECC, both copies beside what was accepted."""
    length = max(len(call.symbols), len(call.first_copy), len(call.second_copy))

    def at(values: tuple[int | None, ...] | tuple[int, ...], place: int) -> int | None:
        return values[place] if place < len(values) else None

    return tuple(
        GridCell(
            at(call.first_copy, place), at(call.second_copy, place), at(call.symbols, place), place in call.combined
        )
        for place in range(length)
    )
