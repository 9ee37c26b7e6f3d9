"""Libraries' scripts come out of their installed packages, at addresses that change with the content."""

import re

import pytest
from django.contrib.staticfiles import finders
from django.templatetags.static import static

from lims.core.static_files import package_file
from lims.core.static_headers import FOR_EVER


@pytest.fixture
def fetch(client):
    """Read a static file as a browser does."""

    def get(address):
        answer = client.get(address)
        body = b"".join(answer.streaming_content)
        answer.close()
        return answer, body

    return get


def test_plotly_is_served_from_its_package(fetch):
    address = static("packages/plotly.min.js")
    answer, body = fetch(address)
    assert answer.status_code == 200
    assert body == package_file("plotly", "package_data/plotly.min.js").read_bytes()


@pytest.mark.parametrize("name", ["packages/plotly.min.js", "django_htmx/htmx-2.min.js"])
def test_a_library_is_kept_for_ever_at_a_versioned_address(fetch, name):
    address = static(name)
    assert re.search(r"\?v=[0-9a-f]{12}$", address)
    answer, _ = fetch(address)
    assert answer["Cache-Control"] == FOR_EVER


def test_the_address_changes_with_the_content(tmp_path):
    from lims.core.static_files import version_of

    file = tmp_path / "a.js"
    file.write_text("one")
    first = version_of(str(file), 1.0)
    file.write_text("two")
    assert version_of(str(file), 2.0) != first


def test_nothing_else_of_the_package_is_served():
    assert finders.find("packages/datasets/tips.csv") is None or finders.find("packages/datasets/tips.csv") == []


def test_a_package_that_is_missing_is_named():
    with pytest.raises(FileNotFoundError, match="no_such_package is not installed"):
        package_file("no_such_package", "file.js")
