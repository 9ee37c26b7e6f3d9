"""Letters against a published instance, and their one law on random tables."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.statistics import letters
from analysis.statistics.letters import compact_letters, letter_columns


def table(size: int, pairs: list[tuple[int, int]]) -> np.ndarray:
    significant = np.zeros((size, size), dtype=bool)
    for one, other in pairs:
        significant[one - 1, other - 1] = significant[other - 1, one - 1] = True
    return significant


def obeys(significant: np.ndarray, texts: tuple[str, ...]) -> bool:
    held = [set(text.split() if " " in text else text) for text in texts]
    return all(bool(held[i] & held[j]) != significant[i, j] for i in range(len(held)) for j in range(i)) and all(held)


def test_published_instance() -> None:
    # Gramm et al., Comput. Statist. Data Anal. 52 (2007), fig. 2
    found = compact_letters(table(5, [(1, 5), (2, 3), (2, 5), (3, 5)]))
    assert found == ("ab", "a", "b", "abc", "c")


def test_order_makes_the_best_a() -> None:
    assert compact_letters(table(3, [(1, 3), (2, 3), (1, 2)]), order=[2, 0, 1]) == ("b", "c", "a")


@pytest.mark.parametrize(("pairs", "expected"), [([], ("a", "a", "a")), ([(1, 3)], ("a", "ab", "b"))])
def test_small_tables(pairs: list[tuple[int, int]], expected: tuple[str, ...]) -> None:
    assert compact_letters(table(3, pairs)) == expected


@settings(max_examples=300, deadline=None)
@given(st.integers(1, 12), st.floats(0.0, 1.0), st.integers(0, 2**32 - 1))
def test_two_share_a_letter_if_and_only_if_they_do_not_differ(size: int, density: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    upper = np.triu(rng.random((size, size)) < density, 1)
    significant = upper | upper.T
    assert obeys(significant, compact_letters(significant, order=rng.permutation(size).tolist()))


def test_no_letter_can_be_taken_out() -> None:
    rng = np.random.default_rng(5)
    for _ in range(50):
        upper = np.triu(rng.random((9, 9)) < 0.4, 1)
        columns = letter_columns(upper | upper.T)
        for place, column in enumerate(columns):
            for member in (bit for bit in range(9) if column >> bit & 1):
                less = [*columns[:place], column & ~(1 << member), *columns[place + 1 :]]
                assert covered(less) != covered(columns)


def covered(columns: list[int]) -> set[tuple[int, int]]:
    return {(i, j) for column in columns for i in range(9) for j in range(i + 1) if column >> i & 1 and column >> j & 1}


def test_more_columns_than_letters_are_numbered() -> None:
    found = compact_letters(~np.eye(60, dtype=bool))
    assert (found[0], found[51], found[52], found[59]) == ("a", "Z", "a1", "h1")


def test_a_table_with_a_flood_of_columns_is_still_true(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(letters, "_MANY", 3)
    rng = np.random.default_rng(9)
    upper = np.triu(rng.random((30, 30)) < 0.4, 1)
    significant = upper | upper.T
    assert obeys(significant, compact_letters(significant))
