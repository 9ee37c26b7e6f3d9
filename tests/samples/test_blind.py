"""A blind sample shows its code alone, everywhere, until quality reveals it after its results are locked (SMP-07)."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.audit.models import Entry
from lims.comparisons.search import find
from lims.comparisons.tracing import start_of, trace
from lims.core.errors import Conflict, NotAllowed
from lims.materials.selectors import on_hand
from lims.runs.services.blinding import lock_results, reveal_sample
from lims.samples.models import Sample
from lims.samples.selectors import attacks, identity_of
from lims.samples.services import register_blind_sample, split_sample
from tests.comparisons.results import measure
from tests.factories import make_application, make_material, make_released_lot, somebody

pytestmark = pytest.mark.django_db
SECRET = "paste of the other house"


def make_blind(**facts: Any) -> Sample:
    content: dict[str, Any] = {"taken_at": timezone.now() - timedelta(hours=1), "amount": Decimal("0.02")}
    content |= {"container": "syringe", "condition": "even", "location": "shelf 1", "name": SECRET}
    return register_blind_sample(actor=somebody(Role.CHEMIST), **content | facts)


def test_an_operator_sees_the_code_alone_in_page_interface_label_and_search(client):
    lot = make_released_lot()
    sample = make_blind(source=lot)
    operator = somebody(Role.OPERATOR)
    client.force_login(operator)
    at = f"/samples/{sample.code}/"
    for address in (
        at,
        "/samples/",
        f"{at}label/",
        "/samples/?text=other",
        f"/api{at}",
        "/api/samples/",
        "/search/?q=house",
    ):
        shown = client.get(address).content.decode()
        assert SECRET not in shown, address
        assert lot.code not in shown.replace(f"/{lot.code}", lot.code), address
    assert sample.code not in client.get(f"/lots/{lot.code}/").content.decode()
    assert find(operator, "other house") == []
    assert identity_of(operator, sample) is None
    seen = str(list(Entry.objects.values_list("changes", "reason", "subject_code")))
    assert SECRET not in seen
    label = client.get(f"{at}label.pdf")
    assert sample.code in label["Content-Disposition"]
    client.force_login(somebody(Role.QUALITY))
    assert SECRET in client.get(at).content.decode()


def test_a_recall_reaches_a_blind_sample_for_quality_and_tells_an_operator_nothing():
    lot = make_released_lot()
    sample = make_blind(source=lot)
    assert on_hand(lot) == Decimal("25") - Decimal("0.02")
    start = start_of(somebody(Role.QUALITY), "lot", lot.code)
    assert [n.code for n in trace(somebody(Role.QUALITY), start, "forward").of("sample")] == [sample.code]
    assert trace(somebody(Role.OPERATOR), start, "forward").of("sample") == []
    back = start_of(somebody(Role.OPERATOR), "sample", sample.code)
    assert trace(somebody(Role.OPERATOR), back, "back").of("lot") == []


def test_what_can_hurt_is_found_behind_the_code():
    alloy = make_material("gallium, indium, tin", kind="metal")
    sample = make_blind(source=make_released_lot(alloy))
    assert attacks(sample, "aluminium")
    assert not attacks(sample, "copper")


def test_it_is_revealed_by_quality_alone_and_only_after_its_results_are_locked():
    lot, quality = make_released_lot(), somebody(Role.QUALITY)
    sample = make_blind(source=lot)
    with pytest.raises(Conflict, match="no result is locked yet"):
        reveal_sample(sample, actor=quality, reason="measured")
    run = measure(make_application(sample=sample), 10.0)
    with pytest.raises(Conflict, match=f"{run.code} can still change"):
        reveal_sample(sample, actor=quality, reason="measured")
    with pytest.raises(NotAllowed):
        lock_results(sample, actor=somebody(Role.CHEMIST))
    lock_results(sample, actor=quality)
    with pytest.raises(NotAllowed):
        reveal_sample(sample, actor=somebody(Role.OPERATOR), reason="measured")
    reveal_sample(sample, actor=quality, reason="measured")
    sample.refresh_from_db()
    run.refresh_from_db()
    assert (sample.name, sample.origin, sample.lot, run.state) == (SECRET, "lot", lot, "locked")
    entry = Entry.objects.filter(act="sample.unblind", refused=False).get()
    assert (entry.subject_code, entry.actor, entry.reason) == (sample.code, quality, "measured")
    assert Entry.objects.filter(act="sample.unblind", refused=True).exists()


def test_a_portion_would_tell_so_a_blind_sample_is_not_split():
    with pytest.raises(Conflict, match="is blind"):
        split_sample(make_blind(), actor=somebody(Role.OPERATOR), amount=Decimal("0.001"), container="cup")
