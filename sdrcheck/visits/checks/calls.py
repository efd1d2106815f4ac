"""The selective calls that checks ask for, in the words a decoded call is told in."""

from __future__ import annotations

from sdrcheck.decoders.dsc.fields import CATEGORIES, FIRST_TELECOMMANDS, FORMATS, CallType
from sdrcheck.decoders.dsc.symbols import Category, Format
from sdrcheck.visits.checks.check import CallWanted

_TEST = 118

TEST_CALL = CallWanted(
    CallType.TEST_CALL.value,
    format=FORMATS[Format.INDIVIDUAL].words,
    category=CATEGORIES[Category.SAFETY].words,
    telecommand_1=FIRST_TELECOMMANDS[_TEST].words,
)
ROUTINE_CALL = CallWanted(
    CallType.INDIVIDUAL_ROUTINE.value,
    format=FORMATS[Format.INDIVIDUAL].words,
    category=CATEGORIES[Category.ROUTINE].words,
)
DISTRESS_ATTEMPT = CallWanted(CallType.DISTRESS_ALERT.value, format=FORMATS[Format.DISTRESS].words, attempts=5)
