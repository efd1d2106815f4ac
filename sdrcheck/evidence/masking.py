"""Other stations' traffic is confidential: their identities and positions are masked in reports unless asked for.

The ship's own identities and those of coast stations, which are public services, stay.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import msgspec

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.dsc.identities import Holder, identify
from sdrcheck.findings.inspection import Relation, Transmission

HIDDEN = "[another station]"
_NINE_DIGITS = re.compile(r"(?<!\d)\d{9}(?!\d)")
_ADDRESS_SYMBOLS = range(1, 6)
"""Places of the address in a call to one station: behind the format specifier, five symbols."""


@dataclass(frozen=True, slots=True)
class Mask:
    """What may be shown; `off` shows everything."""

    own: frozenset[str]
    off: bool = False

    def foreign(self, identity: str | None) -> bool:
        """It belongs to somebody who is not a party to this visit."""
        if self.off or identity is None or identity in self.own:
            return False
        return identify(identity).holder is not Holder.COAST

    def text(self, text: str) -> str:
        """The same sentence without foreign identities."""
        return _NINE_DIGITS.sub(lambda found: HIDDEN if self.foreign(found[0]) else found[0], text)

    def call(self, call: Call) -> Call:
        """The same call without what belongs to somebody else. What a set of this ship sent stays, but for the address.

        A call that names nobody of this ship as its sender is somebody else's, wrong identities in the own set
        included: those are shown by the check that found them.
        """
        if self.off:
            return call
        remarks = tuple(self.text(remark) for remark in call.remarks)
        hidden_address = isinstance(call.address, str) and self.foreign(call.address)
        if self.foreign(call.self_id):
            return msgspec.structs.replace(
                call,
                self_id=HIDDEN,
                address=HIDDEN if hidden_address else call.address,
                distress_id=HIDDEN if call.distress_id else None,
                position=None,
                telephone_number=None,
                symbols=(),
                first_copy=(),
                second_copy=(),
                combined=(),
                expansion=(),
                remarks=(*remarks, "Another station's call: identity, position and symbols are masked."),
            )
        if not hidden_address:
            return msgspec.structs.replace(call, remarks=remarks)
        symbols = tuple(-1 if place in _ADDRESS_SYMBOLS else symbol for place, symbol in enumerate(call.symbols))
        return msgspec.structs.replace(
            call,
            address=HIDDEN,
            symbols=symbols,
            first_copy=_without_address(call.first_copy),
            second_copy=_without_address(call.second_copy),
            remarks=remarks,
        )

    def transmission(self, transmission: Transmission) -> Transmission:
        """The same transmission with its calls and remarks masked."""
        if self.off:
            return transmission
        return msgspec.structs.replace(
            transmission,
            calls=tuple(self.call(call) for call in transmission.calls),
            remarks=tuple(self.text(remark) for remark in transmission.remarks),
        )

    def relation(self, relation: Relation) -> Relation:
        return msgspec.structs.replace(relation, remark=self.text(relation.remark))


def _without_address(symbols: tuple[int | None, ...]) -> tuple[int | None, ...]:
    return tuple(-1 if place in _ADDRESS_SYMBOLS else symbol for place, symbol in enumerate(symbols))
