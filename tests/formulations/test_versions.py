"""Formulation versions (FRM-01, FRM-02, requirements 2.2): totals, freezing, who approves, differences."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed, Stale, WrongState
from lims.formulations import selectors, services
from lims.formulations.models import FormulationVersion
from lims.formulations.services import LineSpec, StepSpec
from lims.formulations.states import VERSION_MACHINE, VersionState
from lims.signatures.models import Signature
from tests.factories import PASSWORD, make_batch, make_material, make_version, person, somebody

pytestmark = pytest.mark.django_db


def draft(*shares: str, steps: bool = True) -> FormulationVersion:
    names = ("alumina, round, 5 um", "silicone fluid", "treating agent")
    lines = [
        LineSpec(make_material(f"{name} {share}", kind="carrier" if "fluid" in name else "filler"), Decimal(share))
        for name, share in zip(names, shares, strict=False)
    ]
    done = [StepSpec("mix", speed=20.0, duration=600.0)] if steps else []
    made = services.create_formulation(actor=somebody(Role.CHEMIST), name=f"paste {shares}", lines=lines, steps=done)
    return made.versions.get()


def test_lines_that_miss_a_hundred_percent_are_refused_with_what_is_missing() -> None:
    version = draft("0.894", "0.1")
    with pytest.raises(Invalid, match=r"99\.4 %, not 100 %: 0\.6 % missing") as refused:
        services.submit_version(version, actor=version.author)
    assert refused.value.extra["missing"] == "0.6"
    version.refresh_from_db()
    assert version.state == "draft"


def test_lines_beyond_a_hundred_percent_are_refused_with_what_is_too_much() -> None:
    version = draft("0.91", "0.1")
    with pytest.raises(Invalid, match=r"1 % too much"):
        services.submit_version(version, actor=version.author)


def test_a_draft_without_steps_is_not_submitted() -> None:
    version = draft("0.9", "0.1", steps=False)
    with pytest.raises(Invalid, match="no steps"):
        services.submit_version(version, actor=version.author)


def test_volume_is_computed_when_every_density_is_known() -> None:
    # by hand: 0.9/3950 and 0.1/970 m3/kg; 2.2785e-4 / (2.2785e-4 + 1.0309e-4) = 68.85 % by volume; density 3022 kg/m3
    alumina, fluid = make_material("alumina", density=3950.0), make_material("fluid", kind="carrier", density=970.0)
    lines = [LineSpec(alumina, Decimal("0.9")), LineSpec(fluid, Decimal("0.1"))]
    made = services.create_formulation(actor=somebody(Role.CHEMIST), name="A", lines=lines)
    found = selectors.composition_of(made.versions.get())
    assert found.lines[0].volume_percent == pytest.approx(68.85, abs=0.005)
    assert found.density == pytest.approx(3021.7, abs=0.1)
    assert found.lines[0].parts_per_hundred == pytest.approx(900.0)


def test_volume_is_not_computed_when_one_density_is_missing() -> None:
    alumina, fluid = make_material("alumina"), make_material("ester fluid", kind="carrier", density=None)
    lines = [LineSpec(alumina, Decimal("0.9")), LineSpec(fluid, Decimal("0.1"))]
    made = services.create_formulation(actor=somebody(Role.CHEMIST), name="A", lines=lines)
    found = selectors.composition_of(made.versions.get())
    assert found.why == "not computed: density of ester fluid missing"
    assert [line.volume_percent for line in found.lines] == [None, None]


def test_an_approved_version_is_signed_and_holds_its_digest() -> None:
    version = make_version()
    signature = Signature.objects.get(subject_code=version.code)
    assert (version.state, version.digest) == ("approved", signature.digest)
    assert signature.meaning == "approved"
    assert signature.content["lines"][0]["fraction"] == "0.90000000"


def test_the_author_does_not_approve_even_with_every_role() -> None:
    version = draft("0.9", "0.1")
    author = version.author
    for role in (Role.QUALITY, Role.ADMINISTRATOR):
        author.grants.create(role=role, reason="test")
    author.__dict__.pop("roles", None)
    submitted = services.submit_version(version, actor=author)
    with pytest.raises(NotAllowed) as refused:
        services.approve_version(submitted, actor=author, password=PASSWORD)
    assert refused.value.code == "own-work"


def test_a_wrong_password_signs_nothing() -> None:
    version = draft("0.9", "0.1")
    submitted = services.submit_version(version, actor=version.author)
    with pytest.raises(NotAllowed) as refused:
        services.approve_version(submitted, actor=somebody(Role.QUALITY), password="guess")
    assert refused.value.code == "wrong-secret"
    version.refresh_from_db()
    assert version.state == "in_review"
    assert not Signature.objects.exists()


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE formulations_formulationversion SET reason = 'better' WHERE id = %s",
        "UPDATE formulations_formulationversion SET digest = 'x' WHERE id = %s",
        "DELETE FROM formulations_formulationversion WHERE id = %s",
        "UPDATE formulations_formulationline SET fraction = 0.5 WHERE recipe_id = %s",
        "DELETE FROM formulations_formulationline WHERE recipe_id = %s",
        "UPDATE formulations_processstep SET speed = 1 WHERE recipe_id = %s",
    ],
)
def test_the_database_refuses_any_change_of_an_approved_version(sql: str) -> None:
    version = make_version()
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, [version.pk])


def test_an_approved_version_refuses_a_change_through_the_models() -> None:
    line = make_version().lines.first()
    line.fraction = Decimal("0.8")
    with pytest.raises(DatabaseError), transaction.atomic():
        line.save()


def test_only_a_draft_is_edited_and_a_change_meanwhile_refuses() -> None:
    version = draft("0.9", "0.1")
    chemist, material = somebody(Role.CHEMIST), make_material("boron nitride")
    read = version.version
    lines = [LineSpec(material, Decimal(1))]
    changed = services.edit_draft(version, actor=chemist, lines=lines, steps=[StepSpec("mix")], read=read)
    assert [line.material for line in changed.lines.all()] == [material]
    with pytest.raises(Stale):
        services.edit_draft(version, actor=chemist, lines=lines, steps=[], read=read)
    submitted = services.submit_version(changed, actor=chemist)
    with pytest.raises(Conflict) as refused:
        services.edit_draft(submitted, actor=chemist, lines=lines, steps=[])
    assert refused.value.code == "not-a-draft"


def test_a_new_version_copies_states_its_reason_and_shows_the_difference_in_points() -> None:
    first, chemist = make_version(), somebody(Role.CHEMIST)
    with pytest.raises(Invalid, match="Say why"):
        services.new_version(first, actor=chemist, reason="")
    second = services.new_version(first, actor=chemist, reason="less bleed")
    alumina, fluid = (line.material for line in first.lines.all())
    agent = make_material("treating agent", kind="additive")
    lines = [LineSpec(alumina, Decimal("0.88")), LineSpec(fluid, Decimal("0.1")), LineSpec(agent, Decimal("0.02"))]
    services.edit_draft(second, actor=chemist, lines=lines, steps=[StepSpec("mix", speed=20.0, duration=900.0)])
    found = {d.name: d for d in selectors.differences(first, second)}
    assert (found[alumina.name].what, found[alumina.name].points) == ("changed", Decimal(-2))
    assert (found[agent.name].what, found[agent.name].points) == ("added", Decimal(2))
    assert fluid.name not in found
    assert found["step 1"].what == "changed"
    assert found["step 2"].what == "removed"


def test_approving_the_next_version_supersedes_the_one_before() -> None:
    first, chemist = make_version(), somebody(Role.CHEMIST)
    second = services.submit_version(services.new_version(first, actor=chemist, reason="x"), actor=chemist)
    services.approve_version(second, actor=somebody(Role.QUALITY), password=PASSWORD)
    first.refresh_from_db()
    assert first.state == "superseded"
    with pytest.raises(Conflict) as refused:
        make_batch(first)
    assert refused.value.code == "version-not-approved"


def test_a_withdrawn_version_puts_its_unfinished_batches_on_hold() -> None:
    batch = make_batch()
    services.withdraw_version(batch.recipe, actor=somebody(Role.QUALITY), password=PASSWORD, reason="wrong fluid")
    assert selectors.batches_with_holds().get(pk=batch.pk).held


ACTS = {
    "submit": lambda v: services.submit_version(v, actor=v.author),
    "return": lambda v: services.return_version(v, actor=somebody(Role.QUALITY), reason="step 2?"),
    "approve": lambda v: services.approve_version(v, actor=somebody(Role.QUALITY), password=PASSWORD),
    "withdraw": lambda v: services.withdraw_version(v, actor=somebody(Role.QUALITY), password=PASSWORD, reason="x"),
    "abandon": lambda v: services.abandon_version(v, actor=v.author),
}


@pytest.mark.parametrize("act", ACTS)
@pytest.mark.parametrize("state", VersionState)
def test_each_pair_of_state_and_act_goes_by_the_table(state: str, act: str) -> None:
    version = draft("0.9", "0.1")
    FormulationVersion.objects.filter(pk=version.pk).update(state=state)
    version.refresh_from_db()
    if state in VERSION_MACHINE.moves[act].before:
        assert ACTS[act](version).state == VERSION_MACHINE.moves[act].after
    else:
        with pytest.raises(WrongState):
            ACTS[act](version)


def test_each_role_writes_and_approves_only_where_the_table_says_so() -> None:
    base = draft("0.9", "0.1")
    submitted = services.submit_version(base, actor=base.author)
    people = {r.name: person(r, username=f"second-{r.value}") for r in Role} | {"OUTSIDER": person(None)}
    for name, user in people.items():
        if name == "CHEMIST":
            services.create_formulation(actor=user, name=name)
        else:
            with pytest.raises(NotAllowed):
                services.create_formulation(actor=user, name=name)
        if name != "QUALITY":
            with pytest.raises(NotAllowed):
                services.approve_version(submitted, actor=user, password=PASSWORD)
    services.approve_version(submitted, actor=people["QUALITY"], password=PASSWORD)


def test_only_the_author_submits() -> None:
    version, other = draft("0.9", "0.1"), person(Role.CHEMIST, username="other")
    with pytest.raises(NotAllowed) as refused:
        services.submit_version(version, actor=other)
    assert refused.value.code == "not-own-record"


@pytest.mark.parametrize("role", [Role.OPERATOR, Role.RIG_KEEPER, Role.MANAGER, Role.ADMINISTRATOR, Role.SERVICE, None])
def test_composition_is_read_only_by_those_who_may(role: Role | None) -> None:
    version = make_version()
    with pytest.raises(NotAllowed):
        selectors.get_version_for(person(role, username="reader"), version.code)
