"""Street addresses in one written form, so that two spellings of one address are equal and two addresses are not.

What is made alike: case, accents, blanks, full stops, the words for kinds of streets, directions and units, zeros before
the house number. What is left out: the state, where a city or a postcode stands beside it. City and postcode are kept
apart, because one side often lacks them. No word is left out of the street, and nothing is guessed.

Two packages were measured beside this module on the same texts (computed, 2026-11; notebooks/evidence.md has no part in
it): 400 invented addresses in nine spellings each, and 40 pairs of different addresses that look alike. `layers/README.md`
has the figures. Both packages leave words out (`104 Elm St Ext` or `(back)` becomes `104 Elm St`), so that different lots
would have been taken for one another.
"""

from __future__ import annotations

import re
import unicodedata
from typing import NamedTuple

# Words of streets in the written form of USPS Publication 28, appendix C, from memory; compared with the table of the
# package usaddress-scourgify 0.7.1 (MIT licence). Left of the colon what is written, right of it the other spellings.
_STREETS = """
ALY:ALLEY ALLEE ALLY; ANX:ANNEX ANEX; ARC:ARCADE; AVE:AVENUE AV AVEN AVENU AVN; BCH:BEACH; BG:BURG; BLF:BLUFF; BLFS:BLUFFS;
BLVD:BOULEVARD BOUL BOULV BVD; BND:BEND; BR:BRANCH; BRG:BRIDGE BRDGE; BRK:BROOK; BRKS:BROOKS; BTM:BOTTOM; BYP:BYPASS;
BYU:BAYOU; CIR:CIRCLE CIRC CIRCL CRCL; CIRS:CIRCLES; CLB:CLUB; CLF:CLIFF; CLFS:CLIFFS; CMN:COMMON; CMNS:COMMONS;
COR:CORNER; CORS:CORNERS; CP:CAMP; CPE:CAPE; CRES:CRESCENT; CRK:CREEK; CRSE:COURSE; CRST:CREST; CSWY:CAUSEWAY; CT:COURT CRT;
CTR:CENTER CENTRE CNTR; CTRS:CENTERS; CTS:COURTS; CURV:CURVE; CV:COVE; CVS:COVES; CYN:CANYON; DL:DALE; DM:DAM;
DR:DRIVE DRV DRIV; DRS:DRIVES; DV:DIVIDE; EST:ESTATE; ESTS:ESTATES; EXPY:EXPRESSWAY; EXT:EXTENSION; EXTS:EXTENSIONS;
FLD:FIELD; FLDS:FIELDS; FLS:FALLS; FLT:FLAT; FLTS:FLATS; FRD:FORD; FRG:FORGE; FRK:FORK; FRKS:FORKS; FRST:FOREST; FRY:FERRY;
FT:FORT; FWY:FREEWAY; GDN:GARDEN; GDNS:GARDENS; GLN:GLEN; GLNS:GLENS; GRN:GREEN; GRNS:GREENS; GRV:GROVE; GRVS:GROVES;
GTWY:GATEWAY; HBR:HARBOR; HL:HILL; HLS:HILLS; HOLW:HOLLOW; HTS:HEIGHTS; HVN:HAVEN; HWY:HIGHWAY HIWAY HWAY; INLT:INLET;
IS:ISLAND; ISS:ISLANDS; JCT:JUNCTION; KNL:KNOLL; KNLS:KNOLLS; KY:KEY; LCK:LOCK; LDG:LODGE; LGT:LIGHT; LK:LAKE; LKS:LAKES;
LN:LANE; LNDG:LANDING; MDW:MEADOW; MDWS:MEADOWS; ML:MILL; MLS:MILLS; MNR:MANOR; MNRS:MANORS; MSN:MISSION; MT:MOUNT;
MTN:MOUNTAIN; MTNS:MOUNTAINS; MTWY:MOTORWAY; OPAS:OVERPASS; ORCH:ORCHARD; PKWY:PARKWAY PKY PKWAY; PL:PLACE; PLN:PLAIN;
PLNS:PLAINS; PLZ:PLAZA; PNE:PINE; PNES:PINES; PR:PRAIRIE; PRT:PORT; PSGE:PASSAGE; PT:POINT; PTS:POINTS; RADL:RADIAL;
RD:ROAD; RDG:RIDGE; RDGS:RIDGES; RDS:ROADS; RIV:RIVER; RNCH:RANCH; RPD:RAPID; RPDS:RAPIDS; RTE:ROUTE; SHL:SHOAL; SHR:SHORE;
SHRS:SHORES; SKWY:SKYWAY; SMT:SUMMIT; SPG:SPRING; SPGS:SPRINGS; SQ:SQUARE SQR; SQS:SQUARES; ST:STREET STR; STA:STATION;
STRM:STREAM; STS:STREETS; TER:TERRACE TERR; TPKE:TURNPIKE; TRAK:TRACK; TRCE:TRACE; TRFY:TRAFFICWAY; TRL:TRAIL; TRLS:TRAILS;
TUNL:TUNNEL; UN:UNION; UPAS:UNDERPASS; VIA:VIADUCT; VIS:VISTA; VL:VILLE; VLG:VILLAGE; VLY:VALLEY; VLYS:VALLEYS; VW:VIEW;
VWS:VIEWS; WL:WELL; WLS:WELLS; XING:CROSSING; XRD:CROSSROAD
"""
_DIRECTIONS = "N:NORTH; S:SOUTH; E:EAST; W:WEST; NE:NORTHEAST; NW:NORTHWEST; SE:SOUTHEAST; SW:SOUTHWEST"
_UNITS = """
APT:APARTMENT; BLDG:BUILDING; BSMT:BASEMENT; DEPT:DEPARTMENT; FL:FLOOR; FRNT:FRONT; HNGR:HANGAR; LBBY:LOBBY; LOT; LOWR:LOWER;
OFC:OFFICE; PH:PENTHOUSE; REAR; RM:ROOM; SPC:SPACE; STE:SUITE; TRLR:TRAILER; UNIT; UPPR:UPPER
"""
_ORDINALS = "1ST:FIRST; 2ND:SECOND; 3RD:THIRD; 4TH:FOURTH; 5TH:FIFTH; 6TH:SIXTH; 7TH:SEVENTH; 8TH:EIGHTH; 9TH:NINTH; 10TH:TENTH"
_STATES = frozenset("""
AL AK AZ AR CA CO CT DE FL GA HI ID IL IN IA KS KY LA ME MD MA MI MN MS MO MT NE NV NH NJ NM NY NC ND OH OK OR PA RI SC SD
TN TX UT VT VA WA WV WI WY DC PR""".split())


def _spellings(*lists: str) -> dict[str, str]:
    """Return spelling -> written form of lists such as `ST:STREET STR; RD:ROAD`."""
    out = {}
    for entry in "; ".join(lists).split(";"):
        written, _, others = (part.strip() for part in entry.partition(":"))
        out |= dict.fromkeys([written, *others.split()], written)
    return out


_WORDS = _spellings(_STREETS, _DIRECTIONS, _UNITS, _ORDINALS)
_KINDS = frozenset(_spellings(_STREETS).values())
_UNIT = frozenset(_spellings(_UNITS).values())
_BEFORE_A_NUMBER = _UNIT | {"RD", "HWY", "RTE", "FM", "CR", "SH", "US", "IH", "BOX", "LOOP", "SPUR", "NO"}
_ZIP = re.compile(r"([0-9]{5})(?:-[0-9]{4})?")
_MOST = 400  # characters that are looked at (judgement: twice a label); an address has at most about 100


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
        """Return the house number; empty where there is none, or where it is 0, which stands for none."""
        first = self.street.partition(" ")[0]
        return first if re.search(r"[1-9]", first) and len(self.street) > len(first) else ""

    def agrees(self, other: Address) -> bool:
        """Return whether both can be the same address: equal streets, and no other city or postcode."""
        return self.street == other.street and all(
            mine == theirs or not mine or not theirs for mine, theirs in zip(self[1:], other[1:], strict=True))


def normal(text: str) -> Address:
    """Return an address in its written form; the same again for `str` of what it returns.

    Parameters
    ----------
    text : str
        One line; parts after the first comma are a unit, a city, a state or a postcode.
    """
    street, *rest = [_tokens(part) for part in _plain(text).split(",")]
    street, rest = (street, rest) if street or not rest else (rest[0], rest[1:])
    parts = rest or [street]
    postcode = ""
    if parts[-1] and (found := _ZIP.fullmatch(parts[-1][-1])) and _is_postcode(parts[-1], alone=bool(rest)):
        postcode = found[1]
        parts[-1] = parts[-1][:-1]
        if not parts[-1] and len(parts) > 1 and rest:
            parts = parts[:-1]
    if rest:
        if parts[-1] and parts[-1][-1] in _STATES and not _is_unit(parts[-1]):
            parts[-1] = parts[-1][:-1]
        rest = parts
    elif postcode and len(street) > 2 and street[-1] in _STATES and street[-2] not in _BEFORE_A_NUMBER:
        street = street[:-1]
    units = [part for part in rest if _is_unit(part)]
    city = [word for part in rest if not _is_unit(part) for word in part]
    street = [word for part in (street, *units) for word in part]
    if street and street[0].isdigit():
        street[0] = street[0].lstrip("0") or "0"
    return Address(" ".join(street), " ".join(city), postcode)


def _plain(text: str) -> str:
    """Return a text in capitals, without accents and signs that do not show; other signs but commas are blanks."""
    capitals = unicodedata.normalize("NFKD", text[:_MOST].upper()).upper()
    letters = "".join(" " if sign.isspace() else sign for sign in capitals if unicodedata.category(sign)[0] not in "MC"
                      or sign.isspace())
    letters = re.sub(r"[.'’`]", "", letters).replace("#", " UNIT ").replace("&", " AND ")
    return re.sub(r"(?<![0-9A-Z])[-/]+|[-/]+(?![0-9A-Z])|[^\w,/\-]|_", " ", letters)


def _tokens(part: str) -> list[str]:
    words = [_WORDS.get(word, word) for word in part.split()]
    return [word for k, word in enumerate(words) if word != "UNIT" or words[k - 1:k] != ["UNIT"]
            and not (words[k - 1:k] and words[k - 1] in _UNIT)]


def _is_postcode(part: list[str], *, alone: bool) -> bool:
    """Return whether the number at the end of a part is a postcode and not that of a road, a box or a unit."""
    if len(part) == 1:
        return alone
    return part[-2] not in _BEFORE_A_NUMBER or (alone and part[-2] in _STATES) if alone or len(part) > 2 else False


def _is_unit(part: list[str]) -> bool:
    """Return whether a part between commas is a unit: its word, and a number or a letter, or the word alone."""
    return bool(part) and part[0] in _UNIT and (len(part) == 1 and part[0] not in _STATES or len(part) == 2 and (
        len(part[1]) == 1 or any(sign.isdigit() for sign in part[1])))
