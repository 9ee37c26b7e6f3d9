"""What may be asked of a study's method, and studies that are kept."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from django.core.cache import cache
from rest_framework.test import APIClient

from analysis.methods import METHODS
from lims.accounts.roles import Role
from lims.core.errors import Invalid
from lims.runs.advice import ADVICE
from lims.runs.selectors import studies
from tests.factories import somebody
from tests.runs.studied import a_series
from tests.runs.test_perform_reduction import sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
ROOT = Path(__file__).parents[2] / "analysis"


@pytest.fixture(autouse=True)
def _empty_cache():
    cache.clear()


def codes_of_flags() -> set[str]:
    """Every code that `analysis` gives a flag: texts in the calls, and what names and tables of codes hold."""
    codes: set[str] = set()
    for path in (path for path in ROOT.rglob("*.py") if path.name != "errors.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Flag":
                codes |= {n.value for n in ast.walk(node.args[0]) if isinstance(n, ast.Constant)}
            if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
                target = node.targets[0] if isinstance(node, ast.Assign) else node.target
                name = ast.unparse(target)
                if name.upper() == "CODE":
                    codes |= {n.value for n in ast.walk(node.value) if isinstance(n, ast.Constant)}
                elif name.endswith("_FLAGS") and (isinstance(node.value, ast.Dict)):
                    codes |= {v.value for v in node.value.values if isinstance(v, ast.Constant)}
    return {code for code in codes if isinstance(code, str)} - {"code"}


@pytest.mark.django_db(transaction=False)
def test_every_flag_of_the_analysis_has_advice() -> None:
    codes = codes_of_flags()
    assert {"not_settled", "too_few_specimens", "linear_law_doubtful", "force_off_nominal"} <= codes
    assert sorted(codes - set(ADVICE)) == []


def test_each_option_of_the_registry_reaches_the_method_and_its_field_on_the_page(client) -> None:
    client.force_login(somebody(Role.OPERATOR))
    run, _ = sent_with_zero()
    page = client.get(f"/runs/{run.code}/studies/press/", {"face": "circular"}).content.decode()
    for option in METHODS["press"].options:
        assert f'name="{option.key}"' in page
        assert option.label in page
    auditor = somebody(Role.AUDITOR)
    codes = {
        face: {
            flag["code"] for flag in studies.study_run_for(auditor, run.code, "press", {"face": face}).result["flags"]
        }
        for face in ("", "circular")
    }
    assert "face_assumed" in codes[""]
    assert "face_assumed" not in codes["circular"]


def test_an_option_that_cannot_be_read_is_told_beside_its_field(client) -> None:
    client.force_login(somebody(Role.OPERATOR))
    run, _ = sent_with_zero()
    answer = client.get(f"/runs/{run.code}/studies/cycles/", {"limit": "25 kg"})
    assert answer.status_code == 422
    assert 'value="25 kg"' in answer.content.decode()
    with pytest.raises(Invalid) as caught:
        studies.study_run_for(somebody(Role.AUDITOR), run.code, "press", {"depth": "3"})
    assert set(caught.value.fields) == {"depth"}


def test_a_series_is_kept_with_its_options_and_another_study_compares_with_it(client) -> None:
    runs = a_series(40, 80, 160)
    operator = somebody(Role.OPERATOR)
    client.force_login(operator)
    query = "&".join(["trials=7", *(f"run={run.code}" for run in runs)])
    made = client.post(f"/studies/series/keep/?{query}", {"title": "paste at three gaps"})
    assert made.status_code == 302, made.content
    kept = studies.kept_studies_for(operator).get()
    assert made.url == f"/studies/{kept.code}/"
    assert (kept.options, kept.runs) == ({"trials": "7"}, [run.code for run in runs])
    page = client.get(made.url).content.decode()
    for words in ("paste at three gaps", "Conductivity", "±", "Seed of Monte Carlo trials", "as it was found then"):
        assert words in page
    assert kept.code in client.get("/studies/").content.decode()
    chooser = client.get(f"/runs/{runs[0].code}/studies/thinning/").content.decode()
    assert f'value="{kept.code}"' in chooser
    api = APIClient()
    api.force_authenticate(operator)
    compared = api.get(f"/api/runs/{runs[0].code}/studies/thinning/", {"series": kept.code})
    assert compared.status_code == 200, compared.content
    wrong = api.get(f"/api/runs/{runs[0].code}/studies/thinning/", {"series": "ST-9999"})
    assert (wrong.status_code, wrong.json()["code"]) == (422, "invalid")
    again = api.post("/api/studies/series/", {"title": "again", "runs": [run.code for run in runs]}, format="json")
    assert again.status_code == 201, again.content
    assert (
        again.json()["result"]["figures"]
        == api.get(f"/api/studies/{again.json()['code']}/").json()["result"]["figures"]
    )
