"""What `make demo-check` reads of the pages and of the written sign-ins."""

import pytest

from lims.local.check import Page, manager_sign_in

PAGE = """
<form><input type="hidden" name="csrfmiddlewaretoken" value="abc"><input name="username"></form>
<a href="/comparisons/C-0001/">one</a> <a name="here">no link</a>
<table><tbody><tr><td>not the ranking</td></tr></tbody></table>
<table data-ranking><thead><tr><th>head</th></tr></thead>
<tbody><tr><td>1</td><th scope="row"><a href="/samples/S-0001/">S-0001</a></th><td>12.3 <abbr>K</abbr></td></tr>
<tr><td>2</td></tr></tbody></table>
"""


@pytest.fixture
def page() -> Page:
    read = Page()
    read.feed(PAGE)
    return read


def test_only_the_rows_of_the_ranking_are_read(page):
    assert page.rows == [["1", "S-0001", "12.3 K"], ["2"]]


def test_links_and_hidden_fields_are_read(page):
    assert page.links == ["/comparisons/C-0001/", "/samples/S-0001/"]
    assert page.hidden == {"csrfmiddlewaretoken": "abc"}


def test_the_manager_is_found_by_role():
    lines = "People\n\n  ida   secret-1   Ida, operator\n  mara  secret-2   Mara, laboratory manager\n"
    assert manager_sign_in(lines) == ("mara", "secret-2")


def test_a_missing_manager_is_said():
    with pytest.raises(LookupError, match="No manager stands in"):
        manager_sign_in("ida secret Ida, operator\n")
