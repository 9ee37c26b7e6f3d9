"""Quality's part of the demonstration: verdicts, signed decisions, cases in their phases."""

from __future__ import annotations

from datetime import timedelta

from django.utils import timezone

from lims.cases.models import Nonconformance
from lims.cases.selectors import open_nonconformances
from lims.cases.services import (
    Deciding,
    Scope,
    check_item,
    close_nonconformance,
    conclude_review,
    decide_disposition,
    find_no_cause,
    finish_action,
    start_investigation,
)
from lims.cases.states import CHECKLIST
from lims.demo.building import Laboratory, add_moisture, receive
from lims.demo.clock import clock_at
from lims.demo.scenario import MATERIALS, MaterialPlan
from lims.materials.models import Lot
from lims.materials.services import start_lot_test
from lims.quality.services import (
    approve_lot_concession,
    propose_lot_concession,
    record_lot_result,
    reject_lot,
)


def decide_lots(lab: Laboratory) -> None:
    """Three lots out of limits: one returned and its case closed, one under a concession, one in its first look."""
    _return_damp_lot(lab)
    _concede_coarse_lot(lab)
    with clock_at(lab.day(47, 9)):
        lot = start_lot_test(lab.lots["boron nitride, platelet"][-1], actor=lab.people["quality2"])
        add_moisture(lot, lab.people["chemist"], share=1.6)
    with clock_at(lab.day(48, 15)):
        case = start_investigation(_case_of("lot", lot.code), actor=lab.people["quality"])
        seen = "the balance of the dryer was checked with its mass the same morning"
        check_item(case, actor=lab.people["quality"], item="calibration", seen=seen, in_order=True)


def _case_of(kind: str, code: str) -> Nonconformance:
    return open_nonconformances(kind, code).get()


def _late_lot(lab: Laboratory, name: str, *, day: int) -> Lot:
    plan: MaterialPlan = next(plan for plan in MATERIALS if plan.name == name)
    with clock_at(lab.day(day, 10)):
        lot = receive(lab, plan, nth=len(lab.lots[name]), supplier=plan.supplier)
    lab.lots[name].append(lot)
    with clock_at(lab.day(day, 14)):
        return start_lot_test(lot, actor=lab.people["quality2"])


def _d50(lab: Laboratory, lot: Lot, value: float) -> None:
    record_lot_result(
        lot,
        actor=lab.people["chemist"],
        quantity="d50",
        value=round(value, 3),
        unit="um",
        source="own",
        u=round(0.015 * value, 4),
        method="laser diffraction, wet",
    )


def _return_damp_lot(lab: Laboratory) -> None:
    """Damp aluminium nitride: looked at, reviewed, rejected, sent back; the action looked at later and closed."""
    lot = _late_lot(lab, "aluminium nitride, round", day=30)
    with clock_at(lab.day(31, 10)):
        _d50(lab, lot, 3.04)
        add_moisture(lot, lab.people["chemist"], share=1.9)
    case = _looked_at(lab, lot, day=31)
    case = _concluded(lab, case, cause="The bag was torn on its way; the desiccant inside was spent.", day=32)
    case = _decided(lab, case, "return", day=32)
    with clock_at(lab.day(32, 15)):
        words = "moisture above the limit; the case says why"
        reject_lot(lot, actor=lab.people["quality"], password=lab.passwords["quality"], reason=words)
    _closed(lab, case, "Sent back. Bags of this powder are looked at with the carrier still there.", day=34)


def _concede_coarse_lot(lab: Laboratory) -> None:
    """A coarse alumina a little beyond its size: two persons accept it for one paste, within a mass."""
    lot = _late_lot(lab, "alumina, round, 40 um", day=36)
    with clock_at(lab.day(37, 10)):
        _d50(lab, lot, 47.6)
        add_moisture(lot, lab.people["chemist"], share=0.5)
    case = _looked_at(lab, lot, day=37)
    case = _concluded(lab, case, cause="The supplier changed a sieve and did not say so.", day=38)
    case = _decided(lab, case, "concession", day=38)
    with clock_at(lab.day(38, 15)):
        scope = Scope(
            until=lab.today + timedelta(days=60),
            formulations=(lab.versions["Gap putty"].formulation.code,),
        )
        why = "the putty's gap is six times as wide as the coarsest grain"
        propose_lot_concession(
            lot, actor=lab.people["quality"], password=lab.passwords["quality"], reason=why, scope=scope
        )
        approve_lot_concession(lot, actor=lab.people["manager"], password=lab.passwords["manager"])
    _closed(lab, case, "The supplier was asked to announce changes; the next certificate names the sieve.", day=41)


def _looked_at(lab: Laboratory, lot: Lot, *, day: int) -> Nonconformance:
    """The first look: every item answered, no cause found in our own work."""
    quality = lab.people["quality2"]
    with clock_at(lab.day(day, 14)):
        case = start_investigation(_case_of("lot", lot.code), actor=quality)
        for item in CHECKLIST:
            case = check_item(case, actor=quality, item=item, seen="looked at, as it should be", in_order=True)
        return find_no_cause(case, actor=quality, finding="Nothing in our own work explains the result.")


def _concluded(lab: Laboratory, case: Nonconformance, *, cause: str, day: int) -> Nonconformance:
    with clock_at(lab.day(day, 10)):
        return conclude_review(
            case,
            actor=lab.people["quality2"],
            finding="The supplier was asked; their retained sample shows the same.",
            cause_kind=Nonconformance.CauseKind.MATERIAL,
            cause=cause,
        )


def _decided(lab: Laboratory, case: Nonconformance, disposition: str, *, day: int) -> Nonconformance:
    with clock_at(lab.day(day, 14)):
        owner, due = lab.people["chemist2"], timezone.localdate() + timedelta(days=7)
        deciding = Deciding(disposition, "No batch has taken from the lot.", owner, due)
        return decide_disposition(
            case, actor=lab.people["quality"], password=lab.passwords["quality"], deciding=deciding
        )


def _closed(lab: Laboratory, case: Nonconformance, action: str, *, day: int) -> None:
    with clock_at(lab.day(day, 10)):
        case = finish_action(case, actor=lab.people["chemist2"], action=action, check_on=timezone.localdate())
    with clock_at(lab.day(day + 2, 10)):
        words = "The next delivery was within its limits."
        close_nonconformance(case, actor=lab.people["quality"], password=lab.passwords["quality"], effectiveness=words)
