"""A property of the laboratory's own (MAT-05): one entry in a file; forms, lists, interface and CSV have it."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured

from lims.accounts.roles import Role
from lims.materials import selectors
from lims.materials.configured import read_properties
from lims.materials.kinds import KINDS, with_added
from tests.factories import add_d50, make_lot, somebody

ENTRY = """
[[property]]
key = "whiteness"
label = "whiteness"
dimension = "ratio"
shown = "%"
least = 0.1
most = 1.0
kinds = ["filler"]
"""
LOOK = """
import django, json; django.setup()
from lims.materials.kinds import KINDS
from lims.materials.selectors import results_header
from lims.web.forms.materials import ResultForm
from lims.web.forms.specifications import LimitForm
from lims.api.lots import ResultRequestSerializer
limits = [c for _, group in LimitForm().fields["quantity"].choices if isinstance(group, list) for c, _ in group]
print(json.dumps({
    "form": dict(ResultForm().fields["quantity"].choices).get("whiteness"),
    "api": "whiteness" in ResultRequestSerializer().fields["quantity"].choices,
    "list": "whiteness" in KINDS["filler"].properties and "whiteness" not in KINDS["carrier"].properties,
    "csv": [c for c in results_header() if c.startswith("whiteness")],
    "limits": "whiteness" in limits,
}))
"""


def test_one_entry_brings_a_property_to_form_list_interface_csv_and_limits(tmp_path: Path) -> None:
    file = tmp_path / "properties.toml"
    file.write_text(ENTRY)
    environment = {**os.environ, "PROPERTIES_FILE": str(file)}
    done = subprocess.run([sys.executable, "-c", LOOK], env=environment, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == {
        "form": "whiteness [%]",
        "api": True,
        "list": True,
        "csv": ["whiteness own [%]", "whiteness own u [%]", "whiteness supplier [%]"],
        "limits": True,
    }


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('shown = "%"', 'shown = "kg"'), "property 1"),
        (('dimension = "ratio"', 'dimension = "lightness"'), "property 1"),
        (('key = "whiteness"', 'key = "White ness"'), "small letters"),
        (("least = 0.1", "least = 2.0"), "not below"),
        (('label = "whiteness"', 'name = "whiteness"'), "missing label; unknown name"),
        (("[[property]]", "[property]"), r"tables \[\[property\]\]"),
        (("least = 0.1", "least = "), "PROPERTIES_FILE"),
    ],
)
def test_a_wrong_entry_stops_the_start_and_is_named(tmp_path: Path, change: tuple[str, str], words: str) -> None:
    file = tmp_path / "properties.toml"
    file.write_text(ENTRY.replace(*change))
    with pytest.raises(ImproperlyConfigured, match=words):
        read_properties(file)


def test_a_kind_there_is_none_of_and_a_key_that_is_taken_are_named(tmp_path: Path) -> None:
    file = tmp_path / "properties.toml"
    for change, words in ((('"filler"', '"glitter"'), "no kind glitter"), (('"whiteness"', '"d50"'), "taken")):
        file.write_text(ENTRY.replace(*change))
        with pytest.raises(ImproperlyConfigured, match=words):
            with_added(KINDS.values(), read_properties(file))


@pytest.mark.django_db
def test_results_of_all_lots_come_as_csv_in_a_bounded_number_of_queries(client, django_assert_max_num_queries) -> None:
    for _ in range(3):
        add_d50(make_lot(supplier_lot="=1+1"), 5.25, u=0.1)
    client.force_login(somebody(Role.OPERATOR))
    with django_assert_max_num_queries(8):
        response = client.get("/lots.csv")
        head, *rows = csv.reader(io.StringIO(b"".join(response.streaming_content).decode()))
    assert head == selectors.results_header()
    assert len(rows) == 3
    cells = dict(zip(head, rows[0], strict=True))
    assert (cells["d50 own [um]"], cells["d50 own u [um]"], cells["d50 supplier [um]"]) == ("5.25", "0.1", "")
    assert cells["supplier's lot number"] == "'=1+1"
