"""Press: the model that made an approach is told, its figures hold the truth, and what still moves is said."""

import json
from dataclasses import dataclass

import numpy as np
import pytest

import analysis
from analysis.__main__ import main
from analysis.errors import BadSetup
from analysis.materials.squeeze_flow import Face, disk_of, rest_gap, scott_gap, stefan_gap, stefan_time, yield_gap
from analysis.methods.press import reduce_press
from analysis.pressing.approach import face_of
from lims.demo.simulator import Bench, Layer, Plan, as_toml, simulate
from lims.demo.simulator.faults import spiked
from lims.demo.simulator.run_files import as_csv
from tests.analysis.campaign import held, press
from tests.analysis.steady.simulated import setup_of, trace_of

FORCE, AREA = 250.0, 1000e-6
FACE = disk_of(AREA)


@dataclass(frozen=True, slots=True)
class Paste(Layer):
    """A paste that gives way as a formula says: Newtonian, with an index, or with a yield stress."""

    viscosity: float = 3000.0
    index: float = 1.0
    yield_stress: float = 0.0

    def gap(self, t, pressed_at):
        since = np.maximum(t - pressed_at, 0.0)
        start = {"start": self.gap_open, "force": FORCE, "face": FACE}
        if self.yield_stress:
            tau = stefan_time(self.gap_open, viscosity=self.viscosity, force=FORCE, face=FACE)
            return yield_gap(
                since, start=self.gap_open, tau=tau, rest=rest_gap(self.yield_stress, force=FORCE, face=FACE)
            )
        if self.index != 1.0:
            return scott_gap(since, consistency=self.viscosity, index=self.index, **{k: v for k, v in start.items()})
        return stefan_gap(since, viscosity=self.viscosity, **start)


def reduced(made, *, run=None, face="circular", zero=True):
    return reduce_press(
        trace_of(run or made.run), setup_of(made), zero=trace_of(made.zero, "zero.csv") if zero else None, face=face
    )


def codes(outcome):
    return [flag.code for flag in outcome.flags]


@pytest.fixture(scope="module")
def yielding():
    return simulate(Bench(), Paste(viscosity=1000.0, yield_stress=900.0), Plan(), seed=2)


# --- the models ----------------------------------------


def test_a_newtonian_paste_gives_its_viscosity():
    outcome = reduced(simulate(Bench(), Paste(viscosity=3000.0), Plan(), seed=2))
    viscosity = outcome.figures["viscosity"]
    assert outcome.parts["approach"]["model"] == "newtonian"
    assert abs(viscosity.value - 3000.0) < viscosity.expanded
    assert viscosity.expanded < 150.0
    assert "still_moving" in codes(outcome)


def test_a_power_law_paste_gives_its_consistency_and_index():
    outcome = reduced(simulate(Bench(), Paste(viscosity=800.0, index=0.7), Plan(), seed=4))
    assert outcome.parts["approach"]["model"] == "power_law"
    figures = outcome.parts["models"][0]["figures"]
    assert figures["flow_index"]["value"] == pytest.approx(0.7, abs=4.0 * figures["flow_index"]["u"])
    assert figures["consistency"]["value"] == pytest.approx(800.0, abs=4.0 * figures["consistency"]["u"])
    assert "viscosity" not in outcome.figures


def test_a_yield_stress_gives_the_gap_at_rest_and_what_is_still_to_go(yielding):
    outcome = reduced(yielding)
    assert outcome.parts["approach"]["model"] == "yield_stress"
    truth = {
        "rest_gap": rest_gap(900.0, force=FORCE, face=FACE),
        "yield_stress": 900.0,
        "viscosity": 1000.0,
    }
    for key, value in truth.items():
        assert abs(outcome.figures[key].value - value) < outcome.figures[key].expanded
    to_go = yielding.true_series["gap"][-1] - truth["rest_gap"]
    assert abs(outcome.figures["gap_to_go"].value - to_go) < outcome.figures["gap_to_go"].expanded
    (moving,) = [flag for flag in outcome.flags if flag.code == "still_moving"]
    assert "um to go" in moving.message


def test_a_layer_of_another_course_has_its_rest_found_without_a_viscosity():
    made = simulate(Bench(), Layer(), Plan(), seed=2)
    outcome = reduced(made)
    assert outcome.parts["approach"]["model"] == "empirical"
    assert "viscosity" not in outcome.figures
    assert abs(outcome.figures["rest_gap"].value - 50e-6) < outcome.figures["rest_gap"].expanded
    assert "still_moving" not in codes(outcome)


def test_the_shape_of_the_face_scales_the_viscosity_and_its_lack_is_said(yielding):
    """A square resists less than the disk of its area: 0.47746 / 0.42173 (series solution)."""
    disk, square, none = (reduced(yielding, face=face) for face in ("circular", "square", ""))
    ratio = square.figures["viscosity"].value / disk.figures["viscosity"].value
    assert ratio == pytest.approx(0.47746 / 0.42173, rel=1e-3)
    assert "face_assumed" in codes(none)
    assert none.figures["viscosity"].value == pytest.approx(square.figures["viscosity"].value, rel=1e-6)


@pytest.mark.parametrize("text", ["oval", "30 mm", "30 mm x 2", "-3 mm x 2 mm", "3 W x 2 mm"])
def test_a_face_that_is_none_is_an_error(text):
    with pytest.raises(Exception, match=r"face|unit|sides"):
        face_of(text, AREA)


def test_a_rectangle_keeps_its_shape_and_has_the_contact_area():
    face = face_of("30 mm x 60 mm", AREA)
    assert face.area == pytest.approx(AREA)
    assert max(face.length, face.width) / min(face.length, face.width) == pytest.approx(2.0)
    with pytest.raises(BadSetup):
        face_of("0 mm x 2 mm", AREA)


# --- refusals and robustness ----------------------------------------


def test_without_a_zero_there_is_no_gap_and_no_figure(yielding):
    outcome = reduced(yielding, zero=False)
    assert (codes(outcome), dict(outcome.figures)) == (["zero_missing"], {})


def test_a_layer_that_does_not_move_has_no_approach():
    made = simulate(Bench(), Layer(gap_open=50.02e-6, gap_end=50e-6), Plan(), seed=2)
    assert codes(reduced(made)) == ["no_approach"]


def test_a_run_without_force_has_no_approach(yielding):
    columns = {name: values for name, values in yielding.run.columns.items()}
    columns["force"] = np.zeros_like(columns["force"])
    made = type(yielding.run)(yielding.run.time, columns, yielding.run.units, yielding.run.begin)
    assert codes(reduced(yielding, run=made)) == ["no_approach"]


def test_spikes_in_the_gap_hardly_move_the_rest(yielding):
    outcome = reduced(yielding, run=spiked(yielding.run, "gap", share=0.01, size=80.0, seed=3))
    truth = rest_gap(900.0, force=FORCE, face=FACE)
    assert abs(outcome.figures["rest_gap"].value - truth) < 1.5 * outcome.figures["rest_gap"].expanded


# --- coverage ----------------------------------------


def test_the_gap_at_the_end_of_an_approach_that_still_moves_holds_the_truth():
    """Whole runs; `make bench` tries a thousand. A mean over the end would lie above the end itself."""
    collected, _ = held(press, range(40))
    assert sum(abs(error) <= 1.0 for error in collected["gap"]) >= len(collected["gap"]) - 6
    assert abs(float(np.mean(collected["gap"]))) < 0.25


# --- the command ----------------------------------------


def test_the_command_reads_files_and_prints_the_outcome(tmp_path, capsys, yielding):
    (tmp_path / "run.csv").write_bytes(as_csv(yielding.run))
    (tmp_path / "zero.csv").write_bytes(as_csv(yielding.zero))
    (tmp_path / "rig.toml").write_text(as_toml(yielding.setup), encoding="utf-8")
    files = [str(tmp_path / "run.csv"), "--setup", str(tmp_path / "rig.toml"), "--zero", str(tmp_path / "zero.csv")]
    assert main(["press", *files, "--face", "circular", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["method"] == {"name": "press", "version": "1"}
    assert printed["figures"]["rest_gap"]["unit"] == "um"
    assert {model["model"] for model in printed["models"]} == {"newtonian", "power_law", "yield_stress", "empirical"}
    again = analysis.press(*files[:1], setup=files[2], zero=files[4], face="circular")
    assert json.loads(json.dumps(again.to_dict())) == printed
    assert main(["press", *files, "--face", "oval"]) == 2
    assert "oval" in capsys.readouterr().err


def test_a_face_knows_its_kind():
    assert Face(0.03).circular
    assert not Face(0.03, 0.03).circular
