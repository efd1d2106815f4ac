"""The VHF maritime mobile band: RR Appendix 18, and the single-frequency numbers that some nations use.

A mark of SEEN is for the frequency (printed in 47 CFR 80.371(c), 80.373(f), 80.393 or the RR Appendix 15 list); what a
channel is used for is as remembered, and national plans decide. MEMORY rows are the numbering rule and memory: the ship
leg is 156.050 MHz + 50 kHz·(n − 1) for 01 to 28, 156.025 MHz + 50 kHz·(n − 60) for 60 to 88, the coast leg 4.6 MHz
higher. The numbers 10nn and 20nn (Rec. ITU-R M.1084 annex 4) are the lower and the upper leg of nn used on one
frequency; the letters A and B behind a number are the North American way of saying the same.
"""

from __future__ import annotations

from sdrcheck.channels.channel import Channel, Emission, Leg, Mark

SPACING_HZ = 25_000
DUPLEX_DISTANCE_HZ = 4_600_000

_SOURCE = {
    Mark.SEEN: "RR Appendix 18; frequency printed in 47 CFR 80.371(c), 80.373(f), 80.393 or 80.1077",
    Mark.MEMORY: "RR Appendix 18, by its numbering rule and from memory",
}
_NATIONAL_SOURCE = "national use, numbered after Rec. ITU-R M.1084 annex 4; no row of RR Appendix 18"

_PORT = "port operations and ship movement"
_PUBLIC = f"{_PORT}; public correspondence"
_LOWER = "lower leg on a single frequency: port operations"
_UPPER = "upper leg on a single frequency: port operations; ships send here only where allowed"
_VDE = f"{_PUBLIC}; also for the VHF data exchange system"
_VDE_LOWER = "lower leg; VHF data exchange from ship to shore or satellite where in use"
_VDE_UPPER = "upper leg; VHF data exchange from shore and between ships where in use"
_SATELLITE = f"{_PUBLIC}; satellite part of the VHF data exchange system"
_SATELLITE_LOWER = "lower leg; VHF data exchange up to satellites where in use"
_SATELLITE_UPPER = "upper leg; VHF data exchange down from satellites where in use"
_OLD_PAIR = f"{_PORT}; the older two-frequency row, see the national plan"
_ONE_WATT = "where the set keeps to 1 W"

_S, _M = Mark.SEEN, Mark.MEMORY

# number, ship leg in kHz (the coast leg lies 4.6 MHz higher), use, mark
_TWO_FREQUENCIES: tuple[tuple[str, int, str, Mark], ...] = (
    ("60", 156_025, _PUBLIC, _M),
    ("01", 156_050, _PUBLIC, _S),
    ("61", 156_075, _PUBLIC, _M),
    ("02", 156_100, _PUBLIC, _S),
    ("62", 156_125, _PUBLIC, _M),
    ("03", 156_150, _PUBLIC, _S),
    ("63", 156_175, _PUBLIC, _M),
    ("04", 156_200, _PUBLIC, _S),
    ("64", 156_225, _PUBLIC, _M),
    ("05", 156_250, _PUBLIC, _S),
    ("65", 156_275, _PUBLIC, _M),
    ("66", 156_325, _PUBLIC, _M),
    ("07", 156_350, _PUBLIC, _S),
    ("18", 156_900, _PUBLIC, _M),
    ("78", 156_925, _PUBLIC, _M),
    ("19", 156_950, _PUBLIC, _M),
    ("79", 156_975, _PUBLIC, _M),
    ("20", 157_000, _PUBLIC, _S),
    ("80", 157_025, _PUBLIC, _M),
    ("21", 157_050, _PUBLIC, _M),
    ("81", 157_075, _PUBLIC, _M),
    ("22", 157_100, _PUBLIC, _M),
    ("82", 157_125, _PUBLIC, _M),
    ("23", 157_150, _PUBLIC, _M),
    ("83", 157_175, _PUBLIC, _M),
    ("24", 157_200, _VDE, _S),
    ("84", 157_225, _VDE, _S),
    ("25", 157_250, _VDE, _S),
    ("85", 157_275, _VDE, _S),
    ("26", 157_300, _SATELLITE, _S),
    ("86", 157_325, _SATELLITE, _S),
    ("27", 157_350, _OLD_PAIR, _S),
    ("28", 157_400, _OLD_PAIR, _S),
)

# number, frequency in kHz, use, mark, further names
_ONE_FREQUENCY: tuple[tuple[str, int, str, Mark, tuple[str, ...]], ...] = (
    ("06", 156_300, "ships among themselves: safety; ships and aircraft searching on scene", _S, ()),
    ("2006", 160_900, "kept for experiments with future systems", _S, ()),
    ("67", 156_375, "between ships; port operations; in places search and rescue, or bridge to bridge", _S, ()),
    ("08", 156_400, "between ships", _S, ()),
    ("68", 156_425, _PORT, _S, ()),
    ("09", 156_450, "between ships; port operations and ship movement", _S, ()),
    ("69", 156_475, "between ships; port operations and ship movement", _S, ()),
    ("10", 156_500, "between ships; port operations; in places search and rescue, pollution control", _S, ()),
    ("70", 156_525, "digital selective calling only: distress, safety and calling; no voice, no test tones", _S, ()),
    ("11", 156_550, _PORT, _S, ()),
    ("71", 156_575, _PORT, _S, ()),
    ("12", 156_600, _PORT, _S, ()),
    ("72", 156_625, "between ships", _S, ()),
    ("13", 156_650, "between ships: safety of navigation (bridge to bridge); port operations where allowed", _S, ()),
    ("73", 156_675, "between ships; port operations; in places search and rescue, pollution control", _S, ()),
    ("14", 156_700, _PORT, _S, ()),
    ("74", 156_725, _PORT, _S, ()),
    ("15", 156_750, f"port operations; between ships; on board {_ONE_WATT}", _S, ()),
    ("75", 156_775, f"beside 16: navigation-related port operations {_ONE_WATT}; distant AIS", _S, ("AIS 3",)),
    ("16", 156_800, "distress, safety and calling by voice; keep tests off it", _S, ()),
    ("76", 156_825, f"beside 16: navigation-related port operations {_ONE_WATT}; distant AIS", _S, ("AIS 4",)),
    ("17", 156_850, f"port operations; between ships; on board {_ONE_WATT}", _S, ()),
    ("77", 156_875, "between ships", _S, ()),
    ("1078", 156_925, _LOWER, _S, ("78A",)),
    ("2078", 161_525, _UPPER, _M, ("78B",)),
    ("1019", 156_950, _LOWER, _S, ("19A",)),
    ("2019", 161_550, _UPPER, _M, ("19B",)),
    ("1079", 156_975, _LOWER, _S, ("79A",)),
    ("2079", 161_575, _UPPER, _M, ("79B",)),
    ("1020", 157_000, _LOWER, _S, ("20A",)),
    ("2020", 161_600, _UPPER, _S, ("20B",)),
    ("1024", 157_200, _VDE_LOWER, _S, ("24A",)),
    ("2024", 161_800, _VDE_UPPER, _S, ("24B",)),
    ("1084", 157_225, _VDE_LOWER, _S, ("84A",)),
    ("2084", 161_825, _VDE_UPPER, _S, ("84B",)),
    ("1025", 157_250, _VDE_LOWER, _S, ("25A",)),
    ("2025", 161_850, _VDE_UPPER, _S, ("25B",)),
    ("1085", 157_275, _VDE_LOWER, _S, ("85A",)),
    ("2085", 161_875, _VDE_UPPER, _S, ("85B",)),
    ("1026", 157_300, _SATELLITE_LOWER, _S, ("26A",)),
    ("2026", 161_900, _SATELLITE_UPPER, _S, ("26B",)),
    ("1086", 157_325, _SATELLITE_LOWER, _S, ("86A",)),
    ("2086", 161_925, _SATELLITE_UPPER, _S, ("86B",)),
    ("1027", 157_350, _PORT, _S, ("27A",)),
    ("2027", 161_950, "application specific messages of the VHF data exchange system; no voice", _S, ("ASM 1", "27B")),
    ("87", 157_375, f"{_PORT}, on a single frequency", _S, ("1087", "87A")),
    ("1028", 157_400, _PORT, _S, ("28A",)),
    ("2028", 162_000, "application specific messages of the VHF data exchange system; no voice", _S, ("ASM 2", "28B")),
    ("88", 157_425, f"{_PORT}, on a single frequency", _S, ("1088", "88A")),
    ("AIS 1", 161_975, "automatic identification of ships; its locating beacons", _S, ("2087", "87B")),
    ("AIS 2", 162_025, "automatic identification of ships; its locating beacons", _S, ("2088", "88B")),
)

# number and mark of the ship legs that some nations work on a single frequency
_NATIONAL: tuple[tuple[str, Mark], ...] = (
    ("1001", _S),
    ("1005", _S),
    ("1007", _S),
    ("1018", _S),
    ("1021", _M),
    ("1022", _S),
    ("1023", _M),
    ("1063", _S),
    ("1065", _S),
    ("1066", _S),
    ("1080", _S),
    ("1081", _M),
    ("1082", _M),
    ("1083", _M),
)

_DATA_ONLY = ("AIS 1", "AIS 2", "2027", "2028", "2006")


def _emission(name: str) -> Emission:
    if name == "70":
        return Emission.G2B
    return Emission.UNKNOWN if name in _DATA_ONLY else Emission.G3E


def _pairs() -> tuple[Channel, ...]:
    return tuple(
        Channel(name, khz * 1000 + leg_hz, SPACING_HZ, Emission.G3E, use, _SOURCE[mark], mark, leg)
        for name, khz, use, mark in _TWO_FREQUENCIES
        for leg, leg_hz in ((Leg.SHIP, 0), (Leg.COAST, DUPLEX_DISTANCE_HZ))
    )


def _singles() -> tuple[Channel, ...]:
    return tuple(
        Channel(
            name, khz * 1000, SPACING_HZ, _emission(name), use, _SOURCE[mark], mark, calling=name == "70", aliases=names
        )
        for name, khz, use, mark, names in _ONE_FREQUENCY
    )


def _nationals() -> tuple[Channel, ...]:
    ship_khz = {name: khz for name, khz, _, _ in _TWO_FREQUENCIES}
    return tuple(
        Channel(
            name,
            ship_khz[name[2:]] * 1000,
            SPACING_HZ,
            Emission.G3E,
            f"ship leg of {name[2:]} on a single frequency, where national rules say so",
            _NATIONAL_SOURCE,
            mark,
            aliases=(f"{name[2:]}A",),
        )
        for name, mark in _NATIONAL
    )


TWO_FREQUENCY = _pairs()
"""Each leg of each two-frequency channel, one row a leg."""
SINGLE_FREQUENCY = _singles()
"""The single-frequency channels of Appendix 18."""
NATIONAL = _nationals()
"""Ship legs used on a single frequency, which Appendix 18 itself has no row for."""
