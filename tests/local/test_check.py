"""What `make demo-check` reads of the pages and of the written sign-ins."""

import pytest

from lims.accounts.roles import Role
from lims.local.check import Page, Visitor, manager_sign_in, read_ranking
from tests.factories import PASSWORD, person

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


@pytest.mark.django_db(transaction=True)
def test_the_manager_signs_in_through_the_real_form_and_reaches_the_comparisons(live_server):
    visitor = Visitor(f"{live_server.url}/")
    visitor.sign_in(user=person(Role.MANAGER).username, password=PASSWORD)
    address, rows = read_ranking(visitor)
    assert address == f"{live_server.url}/comparisons/"
    assert rows == []


@pytest.mark.django_db(transaction=True)
def test_a_wrong_password_is_said(live_server):
    person(Role.MANAGER, username="mara")
    with pytest.raises(PermissionError, match="mara could not sign in"):
        Visitor(f"{live_server.url}/").sign_in(user="mara", password="not-the-password")
