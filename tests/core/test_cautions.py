"""The safety cautions: complete, and every place defers to local codes."""

from __future__ import annotations

import pytest

from lims.core.cautions import CAUTIONS, RULE, cautions_for


def test_every_caution_says_the_harm_and_the_protection() -> None:
    assert all(one.title and one.harm.endswith(".") and one.protect.endswith(".") for one in CAUTIONS.values())


def test_the_rule_defers_to_the_site_licensed_practice_and_local_codes() -> None:
    assert all(word in RULE for word in ("safety data sheet", "site's rules", "licensed practice", "local codes"))


def test_cautions_come_once_each_and_in_a_fixed_order() -> None:
    assert [c.title for c in cautions_for(["powder", "heat", "powder"])] == ["Hot blocks and coolant", "Fine powder"]


def test_an_unknown_caution_is_an_error_that_names_the_known_ones() -> None:
    with pytest.raises(KeyError, match=r"lava.*powder"):
        cautions_for(["lava"])
