"""Addresses in one written form: spellings of one address are equal, addresses that look alike are not."""

from __future__ import annotations

import itertools

import pytest
from each_case import check_each
from hypothesis import given
from hypothesis import strategies as st

from riskmap.answers.addresses import KINDS, WAYS, Address, normal

# What a list and a county write for one lot; each group is one address (invented).
SPELLINGS = {
    "104 N ELM ST": ["104 n elm st", "  104   N  Elm   St ", "104 North Elm Street", "104 N. Elm St.",
                     "00104 N ELM STREET", "104 N Elm St, Invented City, KS 66502",
                     "104 N Elm St Invented City KS 66502-1234", "104 N Élm St", "104\tN\nELM ST", "104 N ELM ST, KS"],
    "929 SW CIR PL APT 2": ["929 Southwest Circle Place Apartment 2", "929 SW Circle Pl, Apt 2",
                            "929 SW Circle Pl Apt #2", "929 sw circle place, apt. 2, Invented City"],
    "12 OBRIEN CV": ["12 O'Brien Cove", "12 O’BRIEN CV", "12 OBRIEN COVE."],
    "7 5TH AVE": ["7 Fifth Avenue", "7 5th Ave"],
    "104-106 ELM ST": ["104-106 Elm Street", "104-106 ELM ST."],
    "104 1/2 ELM ST": ["104 1/2 Elm Street"],
    "44 COUNTY RD 12": ["44 County Road 12", "44 COUNTY RD 12, KS 66502"],
    "15 LOOP RD UNIT 3": ["15 Loop Road # 3", "15 LOOP RD UNIT 3", "15 Loop Rd, #3"],
}
# Different addresses that look alike: the first two were taken for one another by a package that was measured.
DIFFERENT = [
    ("104 ELM ST (BACK)", "104 ELM ST"), ("104 ELM ST EXT", "104 ELM ST"), ("104 1/2 ELM ST", "104 ELM ST"),
    ("104A ELM ST", "104 ELM ST"), ("104-106 ELM ST", "104 ELM ST"), ("104 ELM ST REAR", "104 ELM ST"),
    ("104 ELM ST N", "104 N ELM ST"), ("104 ELM ST", "104 ELM CT"), ("104 ELM", "104 ELM ST"),
    ("LOT 4 ELM ST", "4 ELM ST"), ("104 ELM ST LOT 4", "104 ELM ST"), ("104 ELM ST BLDG 2", "104 ELM ST BLDG 3"),
    ("104 ELM ST UNIT 2", "104 ELM ST UNIT 3"), ("104 ELM ST APT 2", "104 ELM ST # 3"),
    ("104 ELM ST FL 2", "104 ELM ST FL 3"), ("104 COUNTY ROAD 12", "104 COUNTY ROAD 13"),
    ("104 HIGHWAY 12", "104 HIGHWAY 13"), ("104 FM 12", "104 FM 13"), ("104 US 69 HWY", "104 US 96 HWY"),
    ("104 ELM ST, ALPHA", "104 ELM ST, BETA"), ("104 ELM ST, KS 66502", "104 ELM ST, KS 66503"),
    ("104 AVE A", "104 AVE B"), ("104 CALLE 4", "104 CALLE 5"), ("104 OLD ELM ST", "104 ELM ST"),
    ("104 ELM ST & OAK ST", "104 ELM ST"), ("N104W200 ELM ST", "N104W201 ELM ST"), ("104 E ELM ST", "104 W ELM ST"),
    ("104 NEW ELM ST", "104 ELM ST"), ("104 ELM PARK DR", "104 ELM DR"), ("104 SAINT JAMES", "104 ST JAMES CT"),
    ("104 ELM ST 2", "104 ELM ST 3"), ("104 MLK JR BLVD", "104 MLK BLVD"),
    ("104 ELM ST SPACE 4", "104 ELM ST SPACE 5"), ("104 ELM EXT", "104 ELM"), ("104 BUS HWY 6", "104 HWY 6"),
    ("104 ELM ST, BACK OF HOUSE", "104 ELM ST, FRONT OF HOUSE"), ("1 ELM ST", "11 ELM ST"),
]
NAMES_NO_LOT = ["PO BOX 12", "ELM ST", "VACANT LAND", "TRACT 3 SEC 12", "0 ELM ST", "000 ELM ST", "", " ", ",,,",
                "66502", "104", "KS 66502", "#", "-", "Lot 4", "A" * 10_000, "104 " + "ELM " * 3000]

_WORDS = ["104", "0", "00012", "ELM", "ÉLM", "ST", "STREET", "N", "NORTH", "APT", "UNIT", "#", "2", "B", "LOT",
          "HWY", "CO", "RD", "KS", "FL", "66502", "12345-6789", ",", "&", "1/2", "-", "/", "AVE", "PO", "BOX",
          "<b>", "=1+1", "\t", "_", "’"]
TEXTS = st.one_of(st.text(max_size=80), st.lists(st.sampled_from(_WORDS), max_size=12).map(" ".join))


def test_spellings_of_one_address_are_equal() -> None:
    def check(case: tuple[str, str]) -> None:
        written, text = case
        assert normal(text).street == written
        assert normal(text).agrees(normal(written))

    check_each([(written, text) for written, texts in SPELLINGS.items() for text in texts], check)


def test_addresses_that_look_alike_stay_apart() -> None:
    merged = [pair for pair in DIFFERENT if all(normal(text).number for text in pair)
              and normal(pair[0]).agrees(normal(pair[1]))]
    assert merged == []


def test_different_groups_stay_apart() -> None:
    texts = [(written, text) for written, all_texts in SPELLINGS.items() for text in all_texts]
    merged = [(one, two) for (a, one), (b, two) in itertools.combinations(texts, 2)
              if a != b and normal(one).agrees(normal(two))]
    assert merged == []


def test_what_has_no_house_number_names_no_lot() -> None:
    assert [text[:20] for text in NAMES_NO_LOT if normal(text).number] == []


@pytest.mark.parametrize(("text", "parts"), [
    ("104 Elm St, Spring Hill, KS 66502", ("104 ELM ST", "SPG HL", "66502")),
    ("104 Elm St Spring Hill KS 66502", ("104 ELM ST SPG HL", "", "66502")),  # such a city needs commas
    ("104 Elm St N Alpha KS", ("104 ELM ST N", "ALPHA", "")),
    ("104 Elm St, FL 33101", ("104 ELM ST", "", "33101")),
    ("104 Elm St, Fl 2, Alpha FL", ("104 ELM ST FL 2", "ALPHA", "")),
    ("104 Elm St, Ste Genevieve, MO", ("104 ELM ST", "STE GENEVIEVE", "")),
    ("104 FM 12345", ("104 FM 12345", "", "")),
])
def test_city_postcode_and_unit_are_kept_apart(text: str, parts: tuple[str, str, str]) -> None:
    assert normal(text) == Address(*parts)


def test_a_missing_city_or_postcode_agrees_and_another_one_does_not() -> None:
    here, there, bare = normal("1 Elm St, Alpha, KS 66502"), normal("1 Elm St, Beta, KS 66502"), normal("1 Elm St")
    assert bare.agrees(here)
    assert here.agrees(bare)
    assert not here.agrees(there)
    assert not here.agrees(normal("1 Elm St, Alpha, KS 66503"))


@given(TEXTS)
def test_the_written_form_is_its_own_written_form(text: str) -> None:
    found = normal(text)
    assert normal(str(found)) == found
    assert len(str(found)) <= 200


@given(TEXTS, st.integers(1, 4))
def test_case_and_blanks_never_matter(text: str, blanks: int) -> None:
    spaced = (" " * blanks).join(["", *text.split(" "), ""])
    assert normal(spaced) == normal(text)
    if text.isascii():
        assert normal(text.swapcase()) == normal(text)


def test_every_spelling_of_the_table_has_one_written_form() -> None:
    from riskmap.answers import addresses

    written = set(addresses._WORDS.values())
    assert {word: form for word, form in addresses._WORDS.items() if addresses._WORDS.get(form) != form} == {}
    assert written >= KINDS | WAYS
