"""Who may do what: every act of the system against every role, in one table, default deny.

`Y` allowed · `own` only on records this person made · `x` allowed unless the person took part · `2` one of two
signatures. A person may hold several roles; the widest rule counts, but `x` and `2` still bind.
"""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType

from django.db.models import TextChoices


class Role(TextChoices):
    """The roles of a laboratory. A rig keeper is an operator or a quality person with that grant on top."""

    CHEMIST = "CH", "chemist"
    OPERATOR = "OP", "operator"
    RIG_KEEPER = "RK", "rig keeper"
    QUALITY = "QA", "quality"
    MANAGER = "MG", "manager"
    ADMINISTRATOR = "AD", "administrator"
    AUDITOR = "AU", "auditor"
    SERVICE = "SV", "service account"


# Those who decide and those who keep accounts need a second factor to sign (OWASP ASVS 5.0, 6.3.3).
NEED_SECOND_FACTOR = frozenset({Role.QUALITY, Role.ADMINISTRATOR})


class Rule(StrEnum):
    """How far a right goes."""

    YES = "Y"
    OWN = "own"
    NOT_OWN_WORK = "x"
    ONE_OF_TWO = "2"
    NO = "-"


COLUMNS = (
    Role.CHEMIST,
    Role.OPERATOR,
    Role.RIG_KEEPER,
    Role.QUALITY,
    Role.MANAGER,
    Role.ADMINISTRATOR,
    Role.AUDITOR,
    Role.SERVICE,
)

#   act                            CH   OP   RK   QA   MG   AD   AU   SV
_TABLE = """
    laboratory.read                Y    Y    Y    Y    Y    -    Y    Y
    recipe.read                    Y    -    -    Y    -    -    Y    -
    history.read                   own  own  own  Y    Y    Y    Y    -
    history.seal                   -    -    -    Y    -    Y    -    -
    history.review                 -    -    -    Y    -    -    Y    -
    history.export                 -    -    -    Y    -    -    Y    -
    material.create                Y    -    -    Y    -    -    -    -
    material.change                Y    -    -    Y    -    -    -    -
    material.add_sheet             Y    Y    -    Y    -    -    -    -
    material.set_incompatible      Y    -    -    Y    -    -    -    -
    supplier.create                Y    -    -    Y    -    -    -    -
    supplier.approve               -    -    -    Y    -    -    -    -
    lot.receive                    Y    Y    -    Y    -    -    -    -
    lot.add_result                 Y    Y    -    Y    -    -    -    -
    lot.adjust_stock               -    -    -    Y    -    -    -    -
    lot.give_back                  Y    -    -    Y    -    -    -    -
    lot.split                      Y    Y    -    Y    -    -    -    -
    lot.blend                      Y    -    -    Y    -    -    -    -
    lot.treat                      Y    -    -    Y    -    -    -    -
    lot.move                       Y    Y    -    Y    -    -    -    -
    lot.open                       Y    Y    -    Y    -    -    -    -
    lot.add_sizes                  Y    Y    -    Y    -    -    -    -
    lot.extend_life                -    -    -    x    -    -    -    -
    place.create                   Y    -    -    Y    -    -    -    -
    lot.judge                      Y    Y    -    Y    -    -    -    -
    lot.start_test                 -    -    -    Y    -    -    -    -
    lot.release                    -    -    -    x    -    -    -    -
    lot.concede                    -    -    -    2    2    -    -    -
    lot.reject                     -    -    -    x    -    -    -    -
    lot.reassess                   -    -    -    Y    -    -    -    -
    lot.withdraw_release           -    -    -    x    -    -    -    -
    lot.dispose                    -    -    -    Y    -    -    -    -
    lot.void                       -    -    -    Y    -    -    -    -
    formulation.create             Y    -    -    -    -    -    -    -
    formulation.edit               Y    -    -    -    -    -    -    -
    formulation.submit             own  -    -    -    -    -    -    -
    formulation.abandon            own  -    -    Y    -    -    -    -
    formulation.return             x    -    -    x    -    -    -    -
    formulation.approve            -    -    -    x    -    -    -    -
    formulation.withdraw           -    -    -    x    -    -    -    -
    batch.plan                     Y    -    -    -    -    -    -    -
    batch.weigh                    Y    -    -    -    -    -    -    Y
    batch.correct                  own  -    -    Y    -    -    -    -
    batch.check                    x    x    -    x    -    -    -    -
    batch.close_weighing           Y    -    -    -    -    -    -    -
    batch.do_step                  Y    -    -    -    -    -    -    -
    batch.test                     Y    Y    -    Y    -    -    -    -
    batch.photograph               Y    Y    -    Y    -    -    -    -
    batch.finish                   Y    -    -    -    -    -    -    -
    batch.abort                    Y    -    -    -    -    -    -    -
    batch.promote                  Y    -    -    -    -    -    -    -
    batch.start_test               -    Y    -    Y    -    -    -    -
    batch.release                  -    -    -    x    -    -    -    -
    batch.judge                    Y    Y    -    Y    -    -    -    -
    batch.concede                  -    -    -    2    2    -    -    -
    batch.reject                   -    -    -    x    -    -    -    -
    batch.rework                   -    -    -    Y    -    -    -    -
    equipment.keep                 -    -    Y    Y    -    -    -    -
    equipment.override             -    -    -    Y    -    -    -    -
    sample.register                Y    Y    -    Y    -    -    -    -
    sample.move                    Y    Y    -    Y    -    -    -    -
    sample.retain                  -    -    -    Y    -    -    -    -
    sample.refuse                  -    Y    -    Y    -    -    -    -
    sample.void                    Y    Y    -    Y    -    -    -    -
    sample.use                     Y    Y    -    -    -    -    -    -
    sample.split                   Y    Y    -    Y    -    -    -    -
    sample.release_for_retest      -    -    -    Y    -    -    -    -
    sample.permit_block            -    -    -    Y    -    -    -    -
    sample.dispose                 -    -    -    Y    -    -    -    -
    sample.blind                   Y    -    -    Y    -    -    -    -
    sample.see_identity            -    -    -    Y    -    -    Y    -
    sample.unblind                 -    -    -    Y    -    -    -    -
    label.set_format               Y    Y    -    Y    -    -    -    -
    rig.create                     -    -    Y    -    -    -    -    -
    rig.change                     -    -    Y    -    -    -    -    -
    rig.note                       -    Y    Y    -    -    -    -    -
    rig.add_sensor                 -    -    Y    -    -    -    -    -
    rig.configure                  -    -    Y    -    -    -    -    -
    rig.calibrate                  -    -    Y    -    -    -    -    -
    rig.approve_calibration        -    -    x    x    -    -    -    -
    rig.schedule_check             -    -    Y    Y    -    -    -    -
    rig.check                      -    Y    Y    -    -    -    -    -
    authorization.grant            -    -    -    x    x    -    -    -
    authorization.withdraw         -    -    -    Y    Y    -    -    -
    study.keep                     Y    Y    Y    Y    -    -    -    -
    run.add_second                 Y    Y    Y    -    -    -    -    -
    rig.propose_figure             -    Y    Y    -    -    -    -    -
    rig.accept_figure              -    -    x    x    -    -    -    -
    rig.record_zero                -    Y    Y    -    -    -    -    Y
    rig.out_of_service             -    Y    Y    Y    -    -    -    -
    rig.return_to_service          -    -    x    x    -    -    -    -
    block.create                   -    -    Y    -    -    -    -    -
    method.create                  -    -    Y    Y    -    -    -    -
    method.edit                    -    -    Y    Y    -    -    -    -
    method.release                 -    -    -    x    -    -    -    -
    method.retire                  -    -    -    Y    -    -    -    -
    application.plan               Y    Y    -    -    -    -    -    -
    application.apply              Y    Y    -    -    -    -    -    -
    application.settle             Y    Y    -    -    -    -    -    -
    application.tear_down          Y    Y    -    -    -    -    -    -
    application.void               Y    Y    -    -    -    -    -    -
    application.photograph         Y    Y    -    -    -    -    -    -
    plan.draw                      Y    Y    -    Y    Y    -    -    -
    plan.accept                    Y    -    -    Y    Y    -    -    -
    plan.work                      Y    Y    -    -    -    -    -    -
    plan.abandon                   Y    -    -    Y    Y    -    -    -
    run.upload                     Y    Y    Y    -    -    -    -    Y
    run.abort                      -    own  -    Y    -    -    -    -
    run.qualify                    -    -    x    -    -    -    -    -
    run.override_flag              -    -    x    x    -    -    -    -
    run.choose_zeros               Y    Y    Y    -    -    -    -    -
    run.invalidate                 -    -    -    2    2    -    -    -
    reduction.request              Y    Y    Y    -    -    -    -    -
    reduction.choose_window        Y    Y    Y    -    -    -    -    -
    reduction.finish               -    -    -    -    -    -    -    -
    reduction.fail                 -    -    -    -    -    -    -    -
    specification.draft            Y    -    -    Y    -    -    -    -
    specification.approve          -    -    -    x    -    -    -    -
    chart.create                   -    -    Y    Y    -    -    -    -
    chart.fix_phase                -    -    -    Y    -    -    -    -
    chart.watch                    Y    Y    Y    Y    -    -    -    Y
    chart.answer                   -    -    Y    Y    -    -    -    -
    hold.place                     Y    Y    Y    Y    Y    -    -    -
    hold.lift                      -    -    -    x    -    -    -    -
    nonconformance.open            Y    Y    Y    Y    Y    -    -    -
    nonconformance.investigate     -    -    -    x    -    -    -    -
    nonconformance.decide          -    -    -    x    -    -    -    -
    nonconformance.act             Y    Y    Y    Y    Y    -    -    -
    nonconformance.close           -    -    -    x    -    -    -    -
    comparison.pose                Y    Y    Y    Y    Y    -    -    -
    comparison.change              Y    Y    Y    Y    Y    -    -    -
    comparison.include             Y    Y    Y    Y    Y    -    -    -
    comparison.close               Y    Y    Y    Y    Y    -    -    -
    comparison.issue               -    -    -    x    x    -    -    -
    report.withdraw                -    -    -    x    -    -    -    -
    certificate.read               -    -    -    Y    Y    -    Y    -
    certificate.issue              -    -    -    x    -    -    -    -
    certificate.withdraw           -    -    -    x    -    -    -    -
    recall.tell                    -    -    -    Y    Y    -    -    -
    run.lock                       -    -    -    Y    -    -    -    -
    export.selection               Y    Y    Y    Y    Y    -    Y    Y
    account.see_own                Y    Y    Y    Y    Y    Y    Y    Y
    account.create                 -    -    -    -    -    Y    -    -
    account.change_password        Y    Y    Y    Y    Y    Y    Y    -
    account.end                    -    -    -    -    -    Y    -    -
    account.second_factor          Y    Y    Y    Y    Y    Y    Y    -
    account.reset_second_factor    -    -    -    -    -    Y    -    -
    account.end_session            Y    Y    Y    Y    Y    Y    Y    -
    role.grant                     -    -    -    Y    -    Y    -    -
    token.create                   Y    Y    Y    Y    Y    Y    -    -
    token.end                      Y    Y    Y    Y    Y    Y    -    -
    system.read                    -    -    -    Y    Y    Y    Y    -
"""


def _read_table(text: str) -> dict[str, dict[Role, Rule]]:
    rows = (line.split() for line in text.strip().splitlines())
    return {act: dict(zip(COLUMNS, map(Rule, rules), strict=True)) for act, *rules in rows}


RIGHTS = MappingProxyType(_read_table(_TABLE))
WIDEST = (Rule.YES, Rule.NOT_OWN_WORK, Rule.ONE_OF_TWO, Rule.OWN, Rule.NO)


def rule_for(roles: frozenset[Role], act: str) -> Rule:
    """The rule that binds a person with these roles at this act; an act that stands in no row is an error."""
    rules = {RIGHTS[act][role] for role in roles}
    return next((rule for rule in WIDEST if rule in rules), Rule.NO)
