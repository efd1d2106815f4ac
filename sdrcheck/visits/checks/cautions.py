"""Cautions, said once and used wherever they apply. Local rules and licensed practice decide before any of them."""

LISTEN_FIRST = (
    "Listen first; keep the keying short, say call sign and “test” when you speak. Never test on a busy channel."
)
CLOSED_CABLE = (
    "Closed cable only: set into a dummy load or sampler rated for full power, antenna disconnected and tagged. "
    "Check the attenuation before the first keying: sdrcheck attenuation."
)
DISTRESS = (
    "A false distress alert is prohibited and starts a rescue. Only in a closed cable that passed the leak check, "
    "never on an antenna. If one goes out: stop the set at once, cancel by voice on the telephone channel tied to "
    "the frequency, tell the rescue coordination centre, log it."
)
RF_BURN = (
    "MF/HF wires, tuner terminals and metal near them carry hundreds of volts while keyed: nobody near them, nobody "
    "aloft, earth strap connected. In port transmitting may be forbidden, on tankers it is."
)
RF_EXPOSURE = "Keep people away from antennas while the set is keyed."
TUNER_ON_ANTENNA = (
    "This set works through its tuner into the antenna: it radiates. Port permission, test calls to a station that "
    "offers them, no distress format at all."
)
NORMAL_ANTENNA = (
    "Some administrations ask for the operating test on the normal antenna (Canada: Navigation Safety Regulations, "
    "2020, s. 237(3)); there the reading in a closed cable is an extra, and is written down as such."
)
BATTERY = "Batteries: no sparks, ventilate, insulated tools; lithium cells of life-saving appliances stay closed."
SELF_TEST_ONLY = "Self-test only, inside its rules and time; never trigger the appliance itself."
SECRECY = "Other ships' traffic is confidential: keep nothing of it, and name nobody from it in a report."
