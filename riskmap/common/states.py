"""The 48 conterminous states: name, postal letters, federal number, and the number that climate files give them.

The federal government numbers the states with gaps (Texas is 48); the national monthly climate files number them by
alphabet without gaps (Texas is 41). Climate numbers: NCEI `county-readme.txt`, October 2018, State Code Table (a copy
was read). Federal numbers: Federal Information Processing Standard 5-2, from memory; a test compares those of eight
states with published county outlines.
"""

from __future__ import annotations

from typing import NamedTuple


class State(NamedTuple):
    """One state; both numbers have two digits and are text."""

    name: str
    postal: str
    federal: str
    climate: str


STATES = tuple(State(*row) for row in (
    ("Alabama", "AL", "01", "01"), ("Arizona", "AZ", "04", "02"), ("Arkansas", "AR", "05", "03"),
    ("California", "CA", "06", "04"), ("Colorado", "CO", "08", "05"), ("Connecticut", "CT", "09", "06"),
    ("Delaware", "DE", "10", "07"), ("Florida", "FL", "12", "08"), ("Georgia", "GA", "13", "09"),
    ("Idaho", "ID", "16", "10"), ("Illinois", "IL", "17", "11"), ("Indiana", "IN", "18", "12"),
    ("Iowa", "IA", "19", "13"), ("Kansas", "KS", "20", "14"), ("Kentucky", "KY", "21", "15"),
    ("Louisiana", "LA", "22", "16"), ("Maine", "ME", "23", "17"), ("Maryland", "MD", "24", "18"),
    ("Massachusetts", "MA", "25", "19"), ("Michigan", "MI", "26", "20"), ("Minnesota", "MN", "27", "21"),
    ("Mississippi", "MS", "28", "22"), ("Missouri", "MO", "29", "23"), ("Montana", "MT", "30", "24"),
    ("Nebraska", "NE", "31", "25"), ("Nevada", "NV", "32", "26"), ("New Hampshire", "NH", "33", "27"),
    ("New Jersey", "NJ", "34", "28"), ("New Mexico", "NM", "35", "29"), ("New York", "NY", "36", "30"),
    ("North Carolina", "NC", "37", "31"), ("North Dakota", "ND", "38", "32"), ("Ohio", "OH", "39", "33"),
    ("Oklahoma", "OK", "40", "34"), ("Oregon", "OR", "41", "35"), ("Pennsylvania", "PA", "42", "36"),
    ("Rhode Island", "RI", "44", "37"), ("South Carolina", "SC", "45", "38"), ("South Dakota", "SD", "46", "39"),
    ("Tennessee", "TN", "47", "40"), ("Texas", "TX", "48", "41"), ("Utah", "UT", "49", "42"),
    ("Vermont", "VT", "50", "43"), ("Virginia", "VA", "51", "44"), ("Washington", "WA", "53", "45"),
    ("West Virginia", "WV", "54", "46"), ("Wisconsin", "WI", "55", "47"), ("Wyoming", "WY", "56", "48")))
ALASKA = State("Alaska", "AK", "02", "50")  # out of the alphabet; in the division files only

FEDERAL_BY_CLIMATE = {state.climate: state.federal for state in (*STATES, ALASKA)}
CLIMATE_BY_FEDERAL = {federal: climate for climate, federal in FEDERAL_BY_CLIMATE.items()}
