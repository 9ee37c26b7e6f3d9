"""What a comparison answers: the order, the ties, what is left out, and when it changes."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from lims.accounts.roles import Role
from lims.cases.services import open_nonconformance, place_hold
from lims.comparisons import bridge
from lims.comparisons.selectors import answer_of, gap_map_of, lots_in, samples_to_compare
from lims.comparisons.services import include_sample, pose_comparison
from lims.formulations.models import Weighing
from lims.runs.services.runs import declare_aborted, override_flag
from tests.comparisons.results import measure, put_on
from tests.factories import (
    make_application,
    make_lot,
    make_made_batch,
    make_method_version,
    make_rig,
    make_sample,
    somebody,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
STALE = {"code": "zero_stale", "severity": "blocks", "message": "the zero is 9 h old", "figures": ["gap"]}
DEAD = {"code": "heater_channel_dead", "severity": "blocks", "message": "heater 3 gives 0.2 W", "figures": []}


@pytest.fixture
def place():
    return {"rig": make_rig(), "version": make_method_version()}


def compare(*samples, version, **asked):
    return pose_comparison(
        actor=somebody(Role.CHEMIST), title="which is best", method_version=version, samples=samples, **asked
    )


def ranking_of(comparison) -> dict:
    comparison = type(comparison).objects.get(pk=comparison.pk)
    return answer_of(comparison).ranking


def test_samples_stand_in_the_order_of_their_mean_rise(place) -> None:
    thick = put_on([14.1, 14.0, 13.9], name="thick", **place)
    thin = put_on([9.0, 9.1, 8.9], name="thin", **place)
    ranking = ranking_of(compare(thick, thin, version=place["version"]))
    assert [(item["sample"], item["rank"]) for item in ranking["ranking"]] == [(thin.code, 1), (thick.code, 2)]
    assert ranking["ranking"][0]["mean"] == pytest.approx(9.0)
    assert ranking["ranking"][0]["letters"] != ranking["ranking"][1]["letters"]
    assert ranking["title"] == "6 of 6 runs used; 0 left out"


def test_samples_that_cannot_be_told_apart_share_a_letter_and_a_rank(place) -> None:
    a = put_on([9.0, 9.4, 8.6], name="a", **place)
    b = put_on([9.1, 9.5, 8.7], name="b", **place)
    ranking = ranking_of(compare(a, b, version=place["version"]))
    assert {item["letters"] for item in ranking["ranking"]} == {"a"}
    assert [item["rank"] for item in ranking["ranking"]] == [1, 1]
    assert ranking["statistics"]["smallest_difference"] > 0.1


def test_other_pressures_are_left_out_and_nothing_is_ranked(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([7.0, 7.1, 6.9], name="b", pressure=300e3, **place)
    ranking = ranking_of(compare(a, b, version=place["version"]))
    assert not any("rank" in item for item in ranking["ranking"])
    assert ranking["refusals"] == ["not ranked: pressure 250 vs 300 kPa, tolerance 2 %"]
    assert ranking["title"] == "3 of 6 runs used; 3 left out"
    assert all("pressure" in one["reasons"][0]["message"] for one in ranking["left_out"])


def test_one_application_run_five_times_counts_once_and_has_no_interval(place) -> None:
    other = put_on([9.0, 9.1, 8.9], name="other", **place)
    application = make_application(**place)
    for _ in range(5):
        measure(application, 8.0)
    ranking = ranking_of(compare(other, application.sample, version=place["version"]))
    single = ranking["provisional"][0]
    assert (single["n"], single["runs"], single["interval"]) == (1, 5, None)
    assert "rank" not in single


def test_five_applications_count_five(place) -> None:
    a = put_on([9.0, 9.1, 8.9, 9.2, 8.8], name="a", **place)
    b = put_on([12.0, 12.1, 11.9, 12.2, 11.8], name="b", **place)
    ranking = ranking_of(compare(a, b, version=place["version"]))
    assert [item["n"] for item in ranking["ranking"]] == [5, 5]


def test_more_runs_of_the_same_applications_leave_the_intervals_as_they_are(place) -> None:
    rises = {"a": [9.0, 9.1, 8.9], "b": [12.0, 12.1, 11.9]}
    samples, applied = [], []
    for name, values in rises.items():
        samples.append(put_on([], name=name, **place))
        for value in values:
            applied.append((make_application(sample=samples[-1], **place), value))
    for application, value in applied:
        measure(application, value)
    comparison = compare(*samples, version=place["version"])
    before = ranking_of(comparison)["ranking"]
    for application, value in applied:
        measure(application, value)
    after = ranking_of(comparison)["ranking"]
    assert [item["runs"] for item in after] == [6, 6]
    assert [item["interval"] for item in after] == [pytest.approx(item["interval"]) for item in before]


def test_fewer_repeats_than_the_method_asks_for_stand_apart(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    few = put_on([8.0, 8.1], name="few", **place)
    ranking = ranking_of(compare(a, b, few, version=place["version"]))
    assert [item["sample"] for item in ranking["provisional"]] == [few.code]


def test_a_blocking_flag_keeps_a_run_out_until_it_is_set_aside(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1], name="b", **place)
    run = measure(make_application(sample=b, **place), 11.9, flags=[DEAD])
    comparison = compare(a, b, version=place["version"])
    left_out = ranking_of(comparison)["left_out"]
    assert [(one["id"], one["reasons"][0]["key"]) for one in left_out] == [(run.code, "heater_channel_dead")]
    override_flag(run.current, actor=somebody(Role.QUALITY), flag="heater_channel_dead", reason="spare heater in use")
    ranking = ranking_of(comparison)
    assert ranking["left_out"] == []
    assert len(ranking["ranking"]) == 2


def test_a_stale_zero_makes_a_run_unqualified_until_the_flag_is_set_aside(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1], name="b", **place)
    run = measure(make_application(sample=b, **place), 11.9, flags=[STALE])
    assert run.state == "unqualified"
    comparison = compare(a, b, version=place["version"])
    reasons = {reason["key"] for reason in ranking_of(comparison)["left_out"][0]["reasons"]}
    assert reasons == {"zero_stale", "withheld"}
    override_flag(run.current, actor=somebody(Role.QUALITY), flag="zero_stale", reason="zero checked in the evening")
    assert ranking_of(comparison)["left_out"] == []


def test_broken_off_runs_are_counted_and_listed(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    application = make_application(sample=b, **place)
    run = declare_aborted(application, actor=somebody(Role.OPERATOR), reason="leak at the hose")
    ranking = ranking_of(compare(a, b, version=place["version"]))
    assert ranking["title"] == "6 of 7 runs used; 1 left out"
    assert ranking["left_out"][0]["id"] == run.code
    assert any("leak at the hose" in reason["message"] for reason in ranking["left_out"][0]["reasons"])


def test_an_open_case_changes_the_ranking_at_once_and_is_named(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    comparison = compare(a, b, version=place["version"])
    assert len(ranking_of(comparison)["ranking"]) == 2
    case = open_nonconformance(b, actor=somebody(Role.QUALITY), title="wrong syringe")
    ranking = ranking_of(comparison)
    assert {one["sample"] for one in ranking["left_out"]} == {b.code}
    assert case.code in ranking["left_out"][0]["reasons"][0]["message"]
    assert ranking["refusals"]


def test_a_held_rig_leaves_out_all_its_runs(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    comparison = compare(a, b, version=place["version"])
    place_hold(place["rig"], actor=somebody(Role.QUALITY), reason="check out of limits")
    ranking = ranking_of(comparison)
    assert ranking["title"] == "0 of 6 runs used; 6 left out"


def test_an_included_sample_is_ranked_and_marked(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    comparison = compare(a, b, version=place["version"])
    place_hold(b, actor=somebody(Role.QUALITY), reason="label in doubt")
    include_sample(comparison, actor=somebody(Role.CHEMIST), sample=b, reason="label checked by two people")
    comparison = type(comparison).objects.get(pk=comparison.pk)
    answer = answer_of(comparison)
    assert len(answer.ranking["ranking"]) == 2
    assert "label in doubt" in answer.marks[b.code][0]


def test_another_method_version_is_named_as_the_reason(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    other = make_method_version("slow press")
    put_on([5.0], name="", rig=place["rig"], version=other, sample=b)
    ranking = ranking_of(compare(a, b, version=place["version"]))
    assert ranking["title"] == "6 of 7 runs used; 1 left out"
    assert other.code in ranking["left_out"][0]["reasons"][0]["message"]


def test_differences_to_the_reference_are_given(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    ranking = ranking_of(compare(a, b, version=place["version"], reference=a))
    assert ranking["reference"] == a.code
    assert ranking["against_reference"][0]["difference"] == pytest.approx(3.0)


def test_what_is_common_to_one_rig_cancels_in_a_difference(place) -> None:
    shared = {"temperature_rise": [["bench-2 hot", "hot calibration", 0.8]]}
    wide = [put_on([9.0, 9.1, 8.9], name="a", shared=shared, u=0.9, **place)]
    wide.append(put_on([9.6, 9.7, 9.5], name="b", shared=shared, u=0.9, **place))
    ranking = ranking_of(compare(*wide, version=place["version"]))
    assert ranking["ranking"][0]["u_common"] == pytest.approx(0.8, rel=0.01)
    assert ranking["ranking"][0]["letters"] != ranking["ranking"][1]["letters"]


def test_the_same_records_are_computed_once(place, monkeypatch) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    comparison = compare(a, b, version=place["version"])
    first = answer_of(comparison)
    monkeypatch.setattr(bridge, "ranked", lambda *a, **k: pytest.fail("computed again"))
    assert answer_of(comparison).ranking == first.ranking


def test_the_number_of_questions_to_the_database_does_not_grow(place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    comparison = compare(a, b, version=place["version"])
    with CaptureQueriesContext(connection) as few:
        ranking_of(comparison)
    put_on([9.2, 9.3, 9.4], name="", sample=a, **place)
    with CaptureQueriesContext(connection) as more:
        ranking_of(comparison)
    assert len(more) == len(few) <= 12


def test_samples_are_offered_with_how_many_applications_each_has(place) -> None:
    a = put_on([9.0, 9.1], name="a", **place)
    make_application(sample=a, **place)
    found = samples_to_compare(place["version"]).get()
    assert (found.applied, found.measured) == (3, 2)


def test_the_map_has_one_point_for_each_sample(place) -> None:
    put_on([9.0, 9.1, 8.9], name="a", **place)
    put_on([12.0, 12.1, 11.9], name="b", **place)
    drawing = gap_map_of(place["version"])
    points = next(line for line in drawing["data"] if line["name"] == "samples")
    assert len(points["x"]) == 2
    assert points["x"][0] == pytest.approx(50.0)


def test_a_held_lot_leaves_out_every_sample_of_the_batches_it_went_into(place) -> None:
    batch = make_made_batch()
    lot = Weighing.objects.filter(line__batch=batch).first().lot
    a = put_on([9.0, 9.1, 8.9], name="a", sample=make_sample(name="a", source=batch), **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    comparison = compare(a, b, version=place["version"])
    assert ranking_of(comparison)["left_out"] == []
    open_nonconformance(lot, actor=somebody(Role.QUALITY), title="coarse tail")
    left_out = ranking_of(comparison)["left_out"]
    assert {one["sample"] for one in left_out} == {a.code}
    assert lot.code in left_out[0]["reasons"][0]["message"]
    assert "coarse tail" in left_out[0]["reasons"][0]["message"]


def test_a_held_parent_of_a_lot_counts_as_well(place) -> None:
    batch = make_made_batch()
    lot = Weighing.objects.filter(line__batch=batch).first().lot
    parent = make_lot(supplier_lot="QX-2280")
    lot.parents.add(parent)
    assert parent.code in lots_in([batch.pk])[batch.pk]


def test_an_exploratory_batch_is_left_out_and_can_be_included(place) -> None:
    batch = make_made_batch()
    type(batch).objects.filter(pk=batch.pk).update(exploratory=True)
    a = put_on([9.0, 9.1, 8.9], name="a", sample=make_sample(name="a", source=batch), **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    comparison = compare(a, b, version=place["version"])
    assert "exploratory" in ranking_of(comparison)["left_out"][0]["reasons"][0]["message"]
    include_sample(comparison, actor=somebody(Role.CHEMIST), sample=a, reason="first look at a new treatment")
    assert len(ranking_of(comparison)["ranking"]) == 2
