"""The page that shows how a figure of a run was worked out."""

from __future__ import annotations

import html
import re

import pytest

from lims.accounts.roles import Role
from lims.runs.models import Reduction, Run
from tests.factories import somebody
from tests.runs.test_perform_reduction import sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture
def run(client) -> Run:
    client.force_login(somebody(Role.OPERATOR))
    return sent_with_zero()[0]


def text_of(answer) -> str:
    return html.unescape(re.sub(r"<[^>]+>", "", answer.content.decode()))


def test_every_figure_of_the_run_page_leads_to_its_working(client, run) -> None:
    page = client.get(f"/runs/{run.code}/").content.decode()
    links = re.findall(r'href="(/runs/[^"]+/working/[^"]+)"', page)
    assert len(links) == len(run.current.result["figures"])
    for link in links:
        answer = client.get(link)
        assert answer.status_code == 200
        assert f"That is what {run.current.code} states." in text_of(answer)


def test_the_impedance_can_be_worked_out_from_the_page(client, run) -> None:
    page = text_of(client.get(f"/runs/{run.code}/working/thermal_impedance/"))
    rise, area, flow = re.search(r"R = dT \* A / \S+\s+= (\S+) \* (\S+) / (\S+)", page).groups()
    stated = run.current.result["figures"]["thermal_impedance"]["value"]
    assert float(rise) * float(area) / float(flow) * 1e6 == pytest.approx(stated, rel=1e-6)


def test_a_figure_the_run_does_not_have_is_not_found(client, run) -> None:
    assert client.get(f"/runs/{run.code}/working/viscosity/").status_code == 404


def test_a_reduction_of_another_run_is_not_found(client, run) -> None:
    other = Reduction.objects.exclude(run=run).first()
    assert other is not None
    assert client.get(f"/runs/{run.code}/working/temperature_rise/?of={other.code}").status_code == 404


def test_a_result_made_before_inputs_were_kept_says_so(client, run) -> None:
    zero = Reduction.objects.exclude(run=run).first()
    answer = client.get(f"/runs/{zero.run.code}/working/zero_reading/")
    assert answer.status_code == 404
    assert "No working can be shown" in text_of(answer)


def test_without_signing_in_nothing_is_shown(client, run) -> None:
    client.logout()
    assert client.get(f"/runs/{run.code}/working/temperature_rise/").status_code in (302, 403)


def test_the_figures_of_a_study_lead_to_their_working(client, run) -> None:
    page = client.get(f"/runs/{run.code}/studies/press/").content.decode()
    links = re.findall(r'href="(\?[^"]*working=[^"]+)"', page)
    assert links
    for link in links:
        found = client.get(f"/runs/{run.code}/studies/press/{html.unescape(link)}")
        assert "That is what the study states." in text_of(found)
    assert client.get(f"/runs/{run.code}/studies/press/?working=conductivity").status_code == 404


def test_small_numbers_stand_in_the_unit_people_see_first(client, run) -> None:
    page = client.get(f"/runs/{run.code}/working/gap/").content.decode()
    assert re.search(r'<td class="number">[\d.]+\u00a0µm</td><td class="number">[\d.]+×10⁻⁶\u00a0m</td>', page)
