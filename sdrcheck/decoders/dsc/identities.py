"""Maritime mobile service identities: their forms (Rec. ITU-R M.585) and the maritime identification digits."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from functools import cache

from sdrcheck.channels.channel import Mark


class Holder(enum.StrEnum):
    """Who an identity belongs to, by its form."""

    SHIP = "ship station"
    GROUP = "group of ships"
    COAST = "coast station"
    SAR_AIRCRAFT = "search and rescue aircraft"
    HAND_HELD = "hand-held VHF"
    CRAFT = "craft of a parent ship"
    AID_TO_NAVIGATION = "aid to navigation"
    SART = "AIS search and rescue transmitter"
    MAN_OVERBOARD = "man-overboard device"
    EPIRB = "EPIRB-AIS"
    AUTONOMOUS = "autonomous maritime radio device"
    INVALID = "no valid form"


@dataclass(frozen=True, slots=True)
class IdentityForm:
    """A leading pattern of the nine digits; `mid_at` is where the country's three digits stand, None for none."""

    prefix: str
    holder: Holder
    mid_at: int | None
    mark: Mark


FORMS = (
    IdentityForm("00", Holder.COAST, 2, Mark.SEEN),
    IdentityForm("0", Holder.GROUP, 1, Mark.SEEN),
    IdentityForm("111", Holder.SAR_AIRCRAFT, 3, Mark.SEEN),
    IdentityForm("8", Holder.HAND_HELD, 1, Mark.SEEN),
    IdentityForm("98", Holder.CRAFT, 2, Mark.SEEN),
    IdentityForm("99", Holder.AID_TO_NAVIGATION, 2, Mark.SEEN),
    IdentityForm("970", Holder.SART, None, Mark.SEEN),
    IdentityForm("972", Holder.MAN_OVERBOARD, None, Mark.SEEN),
    IdentityForm("974", Holder.EPIRB, None, Mark.SEEN),
    IdentityForm("979", Holder.AUTONOMOUS, None, Mark.DOUBTFUL),
    *(IdentityForm(str(region), Holder.SHIP, 0, Mark.SEEN) for region in range(2, 8)),
)
"""In the order in which they are tried."""

LOWEST_MID, HIGHEST_MID = 201, 775
"""As the United States Coast Guard's navigation pages give the span."""

_COUNTRIES: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("Albania", (201,)),
    ("Andorra", (202,)),
    ("Austria", (203,)),
    ("Azores (Portugal)", (204,)),
    ("Belgium", (205,)),
    ("Belarus", (206,)),
    ("Bulgaria", (207,)),
    ("Vatican City", (208,)),
    ("Cyprus", (209, 210, 212)),
    ("Germany", (211, 218)),
    ("Georgia", (213,)),
    ("Moldova", (214,)),
    ("Malta", (215, 229, 248, 249, 256)),
    ("Armenia", (216,)),
    ("Denmark", (219, 220)),
    ("Spain", (224, 225)),
    ("France", (226, 227, 228)),
    ("Finland", (230,)),
    ("Faroe Islands", (231,)),
    ("United Kingdom", (232, 233, 234, 235)),
    ("Gibraltar", (236,)),
    ("Greece", (237, 239, 240, 241)),
    ("Croatia", (238,)),
    ("Morocco", (242,)),
    ("Hungary", (243,)),
    ("Netherlands", (244, 245, 246)),
    ("Italy", (247,)),
    ("Ireland", (250,)),
    ("Iceland", (251,)),
    ("Liechtenstein", (252,)),
    ("Luxembourg", (253,)),
    ("Monaco", (254,)),
    ("Madeira (Portugal)", (255,)),
    ("Norway", (257, 258, 259)),
    ("Poland", (261,)),
    ("Montenegro", (262,)),
    ("Portugal", (263,)),
    ("Romania", (264,)),
    ("Sweden", (265, 266)),
    ("Slovakia", (267,)),
    ("San Marino", (268,)),
    ("Switzerland", (269,)),
    ("Czech Republic", (270,)),
    ("Türkiye", (271,)),
    ("Ukraine", (272,)),
    ("Russian Federation", (273,)),
    ("North Macedonia", (274,)),
    ("Latvia", (275,)),
    ("Estonia", (276,)),
    ("Lithuania", (277,)),
    ("Slovenia", (278,)),
    ("Serbia", (279,)),
    ("Anguilla", (301,)),
    ("Alaska (USA)", (303,)),
    ("Antigua and Barbuda", (304, 305)),
    ("Curaçao, Sint Maarten, Bonaire/Sint Eustatius/Saba", (306,)),
    ("Aruba", (307,)),
    ("Bahamas", (308, 309, 311)),
    ("Bermuda", (310,)),
    ("Belize", (312,)),
    ("Barbados", (314,)),
    ("Canada", (316,)),
    ("Cayman Islands", (319,)),
    ("Costa Rica", (321,)),
    ("Cuba", (323,)),
    ("Dominica", (325,)),
    ("Dominican Republic", (327,)),
    ("Guadeloupe", (329,)),
    ("Grenada", (330,)),
    ("Greenland", (331,)),
    ("Guatemala", (332,)),
    ("Honduras", (334,)),
    ("Haiti", (336,)),
    ("United States", (338, 366, 367, 368, 369)),
    ("Jamaica", (339,)),
    ("Saint Kitts and Nevis", (341,)),
    ("Saint Lucia", (343,)),
    ("Mexico", (345,)),
    ("Martinique", (347,)),
    ("Montserrat", (348,)),
    ("Nicaragua", (350,)),
    ("Panama", (351, 352, 353, 354, 355, 356, 357, 370, 371, 372, 373, 374)),
    ("Puerto Rico", (358,)),
    ("El Salvador", (359,)),
    ("Saint Pierre and Miquelon", (361,)),
    ("Trinidad and Tobago", (362,)),
    ("Turks and Caicos", (364,)),
    ("Saint Vincent and the Grenadines", (375, 376, 377)),
    ("British Virgin Islands", (378,)),
    ("US Virgin Islands", (379,)),
    ("Afghanistan", (401,)),
    ("Saudi Arabia", (403,)),
    ("Bangladesh", (405,)),
    ("Bahrain", (408,)),
    ("Bhutan", (410,)),
    ("China", (412, 413, 414)),
    ("Taiwan (Province of China)", (416,)),
    ("Sri Lanka", (417,)),
    ("India", (419,)),
    ("Iran", (422,)),
    ("Azerbaijan", (423,)),
    ("Iraq", (425,)),
    ("Israel", (428,)),
    ("Japan", (431, 432)),
    ("Turkmenistan", (434,)),
    ("Kazakhstan", (436,)),
    ("Uzbekistan", (437,)),
    ("Jordan", (438,)),
    ("Korea (Rep. of)", (440, 441)),
    ("Palestine", (443,)),
    ("Korea (DPR)", (445,)),
    ("Kuwait", (447,)),
    ("Lebanon", (450,)),
    ("Kyrgyzstan", (451,)),
    ("Macao (China)", (453,)),
    ("Maldives", (455,)),
    ("Mongolia", (457,)),
    ("Nepal", (459,)),
    ("Oman", (461,)),
    ("Pakistan", (463,)),
    ("Qatar", (466,)),
    ("Syria", (468,)),
    ("United Arab Emirates", (470, 471)),
    ("Tajikistan", (472,)),
    ("Yemen", (473, 475)),
    ("Hong Kong (China)", (477,)),
    ("Bosnia and Herzegovina", (478,)),
    ("Adélie Land", (501,)),
    ("Australia", (503,)),
    ("Myanmar", (506,)),
    ("Brunei", (508,)),
    ("Micronesia", (510,)),
    ("Palau", (511,)),
    ("New Zealand", (512,)),
    ("Cambodia", (514, 515)),
    ("Christmas Island", (516,)),
    ("Cook Islands", (518,)),
    ("Fiji", (520,)),
    ("Cocos (Keeling)", (523,)),
    ("Indonesia", (525,)),
    ("Kiribati", (529,)),
    ("Laos", (531,)),
    ("Malaysia", (533,)),
    ("Northern Marianas", (536,)),
    ("Marshall Islands", (538,)),
    ("New Caledonia", (540,)),
    ("Niue", (542,)),
    ("Nauru", (544,)),
    ("French Polynesia", (546,)),
    ("Philippines", (548,)),
    ("Timor-Leste", (550,)),
    ("Papua New Guinea", (553,)),
    ("Pitcairn", (555,)),
    ("Solomon Islands", (557,)),
    ("American Samoa", (559,)),
    ("Samoa", (561,)),
    ("Singapore", (563, 564, 565, 566)),
    ("Thailand", (567,)),
    ("Tonga", (570,)),
    ("Tuvalu", (572,)),
    ("Viet Nam", (574,)),
    ("Vanuatu", (576, 577)),
    ("Wallis and Futuna", (578,)),
    ("South Africa", (601,)),
    ("Angola", (603,)),
    ("Algeria", (605,)),
    ("Saint Paul and Amsterdam Islands", (607,)),
    ("Ascension", (608,)),
    ("Burundi", (609,)),
    ("Benin", (610,)),
    ("Botswana", (611,)),
    ("Central African Republic", (612,)),
    ("Cameroon", (613,)),
    ("Congo", (615,)),
    ("Comoros", (616, 620)),
    ("Cabo Verde", (617,)),
    ("Crozet", (618,)),
    ("Côte d'Ivoire", (619,)),
    ("Djibouti", (621,)),
    ("Egypt", (622,)),
    ("Ethiopia", (624,)),
    ("Eritrea", (625,)),
    ("Gabon", (626,)),
    ("Ghana", (627,)),
    ("Gambia", (629,)),
    ("Guinea-Bissau", (630,)),
    ("Equatorial Guinea", (631,)),
    ("Guinea", (632,)),
    ("Burkina Faso", (633,)),
    ("Kenya", (634,)),
    ("Kerguelen", (635,)),
    ("Liberia", (636, 637)),
    ("South Sudan", (638,)),
    ("Libya", (642,)),
    ("Lesotho", (644,)),
    ("Mauritius", (645,)),
    ("Madagascar", (647,)),
    ("Mali", (649,)),
    ("Mozambique", (650,)),
    ("Mauritania", (654,)),
    ("Malawi", (655,)),
    ("Niger", (656,)),
    ("Nigeria", (657,)),
    ("Namibia", (659,)),
    ("Réunion", (660,)),
    ("Rwanda", (661,)),
    ("Sudan", (662,)),
    ("Senegal", (663,)),
    ("Seychelles", (664,)),
    ("Saint Helena", (665,)),
    ("Somalia", (666,)),
    ("Sierra Leone", (667,)),
    ("São Tomé and Príncipe", (668,)),
    ("Eswatini", (669,)),
    ("Chad", (670,)),
    ("Togo", (671,)),
    ("Tunisia", (672,)),
    ("Tanzania", (674, 677)),
    ("Uganda", (675,)),
    ("DR Congo", (676,)),
    ("Zambia", (678,)),
    ("Zimbabwe", (679,)),
    ("Argentina", (701,)),
    ("Brazil", (710,)),
    ("Bolivia", (720,)),
    ("Chile", (725,)),
    ("Colombia", (730,)),
    ("Ecuador", (735,)),
    ("Falkland Islands", (740,)),
    ("French Guiana", (745,)),
    ("Guyana", (750,)),
    ("Paraguay", (755,)),
    ("Peru", (760,)),
    ("Suriname", (765,)),
    ("Uruguay", (770,)),
    ("Venezuela", (775,)),
)
"""ITU table of maritime identification digits, copied by hand; the table changes, so an unknown one is no error."""

_SEEN_MIDS = {*range(201, 246), 303, 338, 358, *range(366, 370), 379, 536, 559}
"""Read in a secondary copy of the ITU list (up to 245) or on the Coast Guard's pages; the others are from memory."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What nine digits say about their holder."""

    digits: str
    holder: Holder
    mid: int | None
    country: str | None
    mark: Mark | None


@cache
def countries() -> dict[int, str]:
    """The country of each maritime identification digits in our list."""
    return {mid: name for name, mids in _COUNTRIES for mid in mids}


def mid_mark(mid: int) -> Mark:
    """How sure we are of a row of the list."""
    return Mark.SEEN if mid in _SEEN_MIDS else Mark.MEMORY


def identify(digits: str) -> Identity:
    """Say whose identity nine digits are, by form and country; a wrong form is a holder of its own, never an error."""
    if len(digits) == 9 and digits.isdecimal():
        for form in FORMS:
            if not digits.startswith(form.prefix):
                continue
            if form.mid_at is None:
                return Identity(digits, form.holder, None, None, None)
            mid = int(digits[form.mid_at : form.mid_at + 3])
            if not LOWEST_MID <= mid <= HIGHEST_MID:
                break
            country = countries().get(mid)
            return Identity(digits, form.holder, mid, country, mid_mark(mid) if country else None)
    return Identity(digits, Holder.INVALID, None, None, None)
