"""Codes: given once, typed safely, refused by name when they are of the wrong kind."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from lims.core.codes import ALPHABET, check_character, expect_kind, next_code, parse_code, printed
from lims.core.errors import Invalid


def test_check_character_agrees_with_the_published_example() -> None:
    # Global Release Identifier, standard version 2.1: A1-2425G-ABC1234002-M, check character by ISO/IEC 7064, MOD 37,36
    assert check_character("A12425GABC1234002") == "M"


@given(st.text(ALPHABET, min_size=3, max_size=14), st.data())
def test_every_wrong_character_and_every_swap_of_neighbours_shows(text: str, data: st.DataObject) -> None:
    # ISO/IEC 7064 hybrid systems find all single substitutions and nearly all swaps of neighbours
    whole = text + check_character(text)
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.sampled_from([c for c in ALPHABET if c != text[place]]))
    changed = text[:place] + other + text[place + 1 :]
    assert check_character(changed) != whole[-1]


def test_all_420_substitutions_in_a_code_are_found() -> None:
    text = "B26112400073"
    check = check_character(text)
    wrong = [text[:i] + c + text[i + 1 :] for i in range(len(text)) for c in ALPHABET if c != text[i]]
    assert len(wrong) == 420
    assert not [w for w in wrong if check_character(w) == check]
    swapped = [text[:i] + text[i + 1] + text[i] + text[i + 2 :] for i in range(len(text) - 1) if text[i] != text[i + 1]]
    assert swapped
    assert not [w for w in swapped if check_character(w) == check]


def test_a_printed_code_reads_back_and_a_misread_one_says_so() -> None:
    assert parse_code(printed("LOT-0042"))[1] == "LOT-0042"
    misread = printed("LOT-0042").replace("0042", "0043")
    with pytest.raises(Invalid, match="check character does not match"):
        parse_code(misread)


def test_an_address_from_a_label_reads_as_its_code() -> None:
    assert parse_code("https://lab.example/c/S-0311")[1] == "S-0311"


def test_the_wrong_kind_is_refused_by_naming_both() -> None:
    with pytest.raises(Invalid, match="RIG-03 is a rig; a sample is expected here"):
        expect_kind("RIG-03", "sample")


@pytest.mark.usefixtures("committed_db")
def test_20_parallel_creates_give_20_distinct_codes() -> None:
    def one(_: int) -> str:
        try:
            return next_code("lot")
        finally:
            connection.close()

    with ThreadPoolExecutor(20) as pool:
        codes = list(pool.map(one, range(20)))
    assert len(set(codes)) == 20
