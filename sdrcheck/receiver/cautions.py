"""The usual cautions before a transmitter is keyed. Said once wherever that is about to happen."""

CLOSED_CABLE = (
    "A closed cable leaks: 25 W behind 80 dB of screening still rings a neighbour's alarm. Send a test call into the "
    "load first, with a second receiver listening; if it is heard there, stop."
)
NO_DISTRESS = (
    "Never send a distress alert on the air; use a test call. If one got out, reset the set and cancel by voice."
)
FIRST_ELEMENT = (
    "The first element of the chain takes nearly all the power; a load that comes unscrewed leaves the line open."
)
BURNS = "Antenna, tuner terminals and metal near them burn and shock; keep people away and never touch them."
SECRECY = "Other people's traffic is secret: keep only the own set's signals and calls to it."
LICENSED = (
    "Local rules, the port and licensed persons decide. The calibrated meters decide; this is a second witness only."
)

BEFORE_KEYING = (NO_DISTRESS, CLOSED_CABLE, FIRST_ELEMENT, BURNS, SECRECY, LICENSED)
"""All of them, in the order they are shown."""
