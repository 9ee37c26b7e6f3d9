"""What the laboratory prints and what comes next: formats of labels, a recipe in review."""

from __future__ import annotations

from lims.demo.building import Laboratory, lines_of, steps_of
from lims.demo.clock import clock_at
from lims.demo.scenario import FORMULATIONS, FormulationPlan
from lims.formulations.services import create_formulation, submit_version
from lims.samples.services.labels import set_label_format


def keep_label_formats(lab: Laboratory) -> None:
    """A sheet of 24 labels and a small printer."""
    operator = lab.people["operator"]
    with clock_at(lab.day(4, 9)):
        set_label_format(
            actor=operator,
            name="A4, 3 by 8",
            medium="sheet",
            width=63.5,
            height=33.9,
            columns=3,
            rows=8,
            page_width=210.0,
            page_height=297.0,
            margin_left=7.2,
            margin_top=12.9,
            pitch_across=66.0,
            pitch_down=33.9,
        )
        set_label_format(actor=operator, name="jar, 57 by 32", medium="printer", width=57.0, height=32.0)


def submit_for_review(lab: Laboratory) -> None:
    """A recipe that waits for quality's approval."""
    plan: FormulationPlan = next(plan for plan in FORMULATIONS if plan.name == "Aluminium nitride paste")
    with clock_at(lab.day(49, 9)):
        made = create_formulation(
            actor=lab.people["chemist2"],
            name="Aluminium nitride paste, without zinc oxide",
            purpose="one filler less to receive",
            lines=lines_of(
                lab,
                (("aluminium nitride, round", "80"), ("ester fluid", "18.5"), ("treating agent", "1.5")),
            ),
            steps=steps_of(plan),
        )
        submit_version(made.versions.get(), actor=lab.people["chemist2"])
