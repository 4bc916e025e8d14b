"""Street addresses in one written form, so that two spellings of one address are equal and two addresses are not.

What is made alike: case, accents, blanks, full stops, the words for kinds of streets, directions and units, zeros
before the house number. What is left out: the state, where a city or a postcode is next to it. City and postcode are
kept apart, because one side often lacks them. No word of the street is left out, and nothing is guessed.

Two packages were measured beside this module on the same texts (computed; `layers/README.md` has the figures): 400
invented addresses in nine spellings each, and 40 pairs of different addresses that look alike. Both packages leave
words out: `104 Elm St (back)` becomes `104 Elm St`, and one lot would be taken for another.
"""

from __future__ import annotations

import re
import unicodedata
from typing import NamedTuple

# Words of streets in the written form of USPS Publication 28, appendix C, from memory; compared with the table of the
# package usaddress-scourgify 0.7.1 (MIT licence). Left of the colon what is written, right of it the other spellings.
_STREETS = """
ALY:ALLEY ALLEE ALLY; ANX:ANNEX ANEX; ARC:ARCADE; AVE:AVENUE AV AVEN AVENU AVN; BCH:BEACH; BG:BURG; BLF:BLUFF;
BLFS:BLUFFS; BLVD:BOULEVARD BOUL BOULV BVD; BND:BEND; BR:BRANCH; BRG:BRIDGE BRDGE; BRK:BROOK; BRKS:BROOKS;
BTM:BOTTOM; BYP:BYPASS; BYU:BAYOU; CIR:CIRCLE CIRC CIRCL CRCL; CIRS:CIRCLES; CLB:CLUB; CLF:CLIFF; CLFS:CLIFFS;
CMN:COMMON; CMNS:COMMONS; COR:CORNER; CORS:CORNERS; CP:CAMP; CPE:CAPE; CRES:CRESCENT; CRK:CREEK; CRSE:COURSE;
CRST:CREST; CSWY:CAUSEWAY; CT:COURT CRT; CTR:CENTER CENTRE CNTR; CTRS:CENTERS; CTS:COURTS; CURV:CURVE; CV:COVE;
CVS:COVES; CYN:CANYON; DL:DALE; DM:DAM; DR:DRIVE DRV DRIV; DRS:DRIVES; DV:DIVIDE; EST:ESTATE; ESTS:ESTATES;
EXPY:EXPRESSWAY; EXT:EXTENSION; EXTS:EXTENSIONS; FLD:FIELD; FLDS:FIELDS; FLS:FALLS; FLT:FLAT; FLTS:FLATS; FRD:FORD;
FRG:FORGE; FRK:FORK; FRKS:FORKS; FRST:FOREST; FRY:FERRY; FT:FORT; FWY:FREEWAY; GDN:GARDEN; GDNS:GARDENS; GLN:GLEN;
GLNS:GLENS; GRN:GREEN; GRNS:GREENS; GRV:GROVE; GRVS:GROVES; GTWY:GATEWAY; HBR:HARBOR; HL:HILL; HLS:HILLS;
HOLW:HOLLOW; HTS:HEIGHTS; HVN:HAVEN; HWY:HIGHWAY HIWAY HWAY; INLT:INLET; IS:ISLAND; ISS:ISLANDS; JCT:JUNCTION;
KNL:KNOLL; KNLS:KNOLLS; KY:KEY; LCK:LOCK; LDG:LODGE; LGT:LIGHT; LK:LAKE; LKS:LAKES; LN:LANE; LNDG:LANDING;
MDW:MEADOW; MDWS:MEADOWS; ML:MILL; MLS:MILLS; MNR:MANOR; MNRS:MANORS; MSN:MISSION; MT:MOUNT; MTN:MOUNTAIN;
MTNS:MOUNTAINS; MTWY:MOTORWAY; OPAS:OVERPASS; ORCH:ORCHARD; PKWY:PARKWAY PKY PKWAY; PL:PLACE; PLN:PLAIN;
PLNS:PLAINS; PLZ:PLAZA; PNE:PINE; PNES:PINES; PR:PRAIRIE; PRT:PORT; PSGE:PASSAGE; PT:POINT; PTS:POINTS; RADL:RADIAL;
RD:ROAD; RDG:RIDGE; RDGS:RIDGES; RDS:ROADS; RIV:RIVER; RNCH:RANCH; RPD:RAPID; RPDS:RAPIDS; RTE:ROUTE; SHL:SHOAL;
SHR:SHORE; SHRS:SHORES; SKWY:SKYWAY; SMT:SUMMIT; SPG:SPRING; SPGS:SPRINGS; SQ:SQUARE SQR; SQS:SQUARES; ST:STREET
STR; STA:STATION; STRM:STREAM; STS:STREETS; TER:TERRACE TERR; TPKE:TURNPIKE; TRAK:TRACK; TRCE:TRACE;
TRFY:TRAFFICWAY; TRL:TRAIL; TRLS:TRAILS; TUNL:TUNNEL; UN:UNION; UPAS:UNDERPASS; VIA:VIADUCT; VIS:VISTA; VL:VILLE;
VLG:VILLAGE; VLY:VALLEY; VLYS:VALLEYS; VW:VIEW; VWS:VIEWS; WL:WELL; WLS:WELLS; XING:CROSSING; XRD:CROSSROAD; ISLE;
LOOP; MALL; MEWS; OVAL; PARK; PASS; PATH; PIKE; RAMP; ROW; RUE; RUN; SPUR; WALK; WALL; WAY
"""
_DIRECTIONS = "N:NORTH; S:SOUTH; E:EAST; W:WEST; NE:NORTHEAST; NW:NORTHWEST; SE:SOUTHEAST; SW:SOUTHWEST"
_UNITS = """
APT:APARTMENT; BLDG:BUILDING; BSMT:BASEMENT; DEPT:DEPARTMENT; FL:FLOOR; FRNT:FRONT; HNGR:HANGAR; LBBY:LOBBY; LOT;
LOWR:LOWER; OFC:OFFICE; PH:PENTHOUSE; REAR; RM:ROOM; SPC:SPACE; STE:SUITE; TRLR:TRAILER; UNIT; UPPR:UPPER
"""
_ORDINALS = """
1ST:FIRST; 2ND:SECOND; 3RD:THIRD; 4TH:FOURTH; 5TH:FIFTH; 6TH:SIXTH; 7TH:SEVENTH; 8TH:EIGHTH; 9TH:NINTH; 10TH:TENTH
"""
_STATES = frozenset(re.findall("[A-Z]+", """
AL AK AZ AR CA CO CT DE FL GA HI ID IL IN IA KS KY LA ME MD MA MI MN MS MO MT NE NV NH NJ NM NY NC ND OH OK OR
PA RI SC SD TN TX UT VT VA WA WV WI WY DC PR"""))


def _spellings(*lists: str) -> dict[str, str]:
    """Return spelling -> written form of lists such as `ST:STREET STR; RD:ROAD`."""
    out: dict[str, str] = {}
    for entry in "; ".join(lists).split(";"):
        written, _, others = (part.strip() for part in entry.partition(":"))
        out |= dict.fromkeys([written, *others.split()], written)
    return out


_WORDS = _spellings(_STREETS, _DIRECTIONS, _UNITS, _ORDINALS)
KINDS = frozenset(_spellings(_STREETS).values())
WAYS = frozenset(_spellings(_DIRECTIONS).values())
_UNIT = frozenset(_spellings(_UNITS).values())
_BEFORE_A_NUMBER = _UNIT | {"RD", "HWY", "RTE", "FM", "CR", "SH", "US", "IH", "BOX", "LOOP", "SPUR", "NO"}
_ZIP = re.compile(r"([0-9]{5})(?:-[0-9]{4})?")
_MOST = 200  # characters of an address in its written form (judgement: twice a long one); more is not an address
_MOST_READ = 10_000  # characters of a text that are looked at
_ROUNDS = 6


class Address(NamedTuple):
    """An address in its written form; parts that it does not have are empty.

    Attributes
    ----------
    street : str
        House number, street and unit: `104 N ELM ST APT 2`.
    city, postcode : str
    """

    street: str
    city: str = ""
    postcode: str = ""

    def __str__(self) -> str:
        """Return the parts with commas between them."""
        return ", ".join(part for part in self if part)

    @property
    def number(self) -> str:
        """Return the house number; empty where there is none, or where it is 0, which means none."""
        first, _, more = self.street.partition(" ")
        return first if more and re.search(r"[1-9]", first) else ""

    def agrees(self, other: Address) -> bool:
        """Return whether both can be the same address: equal streets, and no other city or postcode."""
        return self.street == other.street and all(
            mine == theirs or not mine or not theirs for mine, theirs in zip(self[1:], other[1:], strict=True))


def normal(text: str) -> Address:
    """Return an address in its written form; the same again for `str` of what it returns.

    Parameters
    ----------
    text : str
        One line. Parts after the first comma are a unit, a city, a state or a postcode. A line without commas ends in
        a city where a state or a postcode follows it and no word of a street does.
    """
    address = _parts_of(text[:_MOST_READ])
    for _ in range(_ROUNDS):
        before, address = address, _parts_of(str(address))
        if address == before:
            return address if len(str(address)) <= _MOST else Address("")
    return Address("")  # a heap of states, postcodes and units, of which each pass takes some off


def _parts_of(text: str) -> Address:
    parts = [words for part in _plain(text).split(",") if (words := _words(part))]
    street, rest = (parts[0], parts[1:]) if parts else ([], [])
    units, rest = [part for part in rest if _is_unit(part)], [part for part in rest if not _is_unit(part)]
    postcode = _end_taken_off(rest)
    if street and not rest and not postcode:
        street, more, postcode = _without_commas([*street, *(word for part in units for word in part)])
        units, rest = [], [more] if more else []
    city = [word for part in rest for word in part]
    street = _once([word for part in (street, *units) for word in part])
    if street and street[0].isdigit():
        street[0] = street[0].lstrip("0") or "0"
    return Address(" ".join(street), " ".join(city), postcode) if street else Address("")


def _plain(text: str) -> str:
    """Return a text in capitals, without accents and signs that do not show; other signs but commas are blanks."""
    capitals = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).upper())
    letters = "".join(" " if sign.isspace() else sign for sign in capitals
                      if sign.isspace() or unicodedata.category(sign)[0] not in "MC")
    letters = re.sub(r"[.'’`]", "", letters).replace("#", " UNIT ").replace("&", " AND ")
    letters = re.sub(r"[^A-Z0-9\w,/\-]|_", " ", letters)
    return re.sub(r"(?<![A-Z0-9])[-/]+|[-/]+(?![A-Z0-9])", " ", letters)


def _words(part: str) -> list[str]:
    return _once([_WORDS.get(word, word) for word in part.split()])


def _once(words: list[str]) -> list[str]:
    """Return words without a `UNIT` behind another word of a unit: `APT # 2` is `APT 2`."""
    out: list[str] = []
    for word in words:
        if word != "UNIT" or not out or out[-1] not in _UNIT:
            out.append(word)
    return out


def _end_taken_off(rest: list[list[str]]) -> str:
    """Take states and postcodes off the end of what follows the first comma; return the last postcode."""
    postcode = ""
    while rest:
        last = rest[-1]
        found = _ZIP.fullmatch(last[-1])
        numbered = len(last) > 1 and last[-2] in _BEFORE_A_NUMBER and last[-2] not in _STATES
        if found and not numbered:
            postcode = postcode or found[1]
        elif last[-1] not in _STATES:
            break
        last.pop()
        if not last:
            rest.pop()
    return postcode


def _without_commas(street: list[str]) -> tuple[list[str], list[str], str]:
    """Return street, city and postcode of a line without commas."""
    end, postcode = len(street), ""
    found = _ZIP.fullmatch(street[-1])
    if found and end > 2 and street[-2] not in _BEFORE_A_NUMBER:
        end, postcode = end - 1, found[1]
    state = end > 2 and street[end - 1] in _STATES and street[end - 1] not in KINDS | WAYS | _UNIT
    kinds = [k for k in range(1, end) if street[k] in KINDS | _UNIT]
    cut = kinds[-1] + 1 if kinds else end
    cut += int(bool(kinds) and street[kinds[-1]] in _UNIT)  # the number of the unit
    while cut < end and street[cut] in WAYS:
        cut += 1
    city = street[cut:end - state]
    if (state or postcode) and city and all(word.isalpha() for word in city) and city[-1] not in _STATES:
        return street[:cut], city, postcode
    return (street[:end - state] if postcode else street), [], postcode


def _is_unit(part: list[str]) -> bool:
    """Return whether a part between commas is a unit: its word, and a number or a letter, or the word alone."""
    if part[0] not in _UNIT or len(part) > 2:
        return False
    if len(part) == 1 or (part[0] in _STATES and _ZIP.fullmatch(part[1])):
        return part[0] not in _STATES  # FL is a floor and a state
    return len(part[1]) == 1 or any(sign.isdigit() for sign in part[1])
