"""Figures and claims against physics: what cannot be, what is doubtful, what stands, each with its numbers.

The facts of the trade used here are common practice, no source.
"""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.__main__ import main
from analysis.errors import OutOfRange
from analysis.materials.conductivity import hashin_shtrikman, maxwell, parallel
from analysis.plausibility import KINDS, WIDEST, Claim, Verdict, assess, bounds

FACES = 30e-3 * 30e-3  # [m2]
FLUX = 240.0 / FACES  # [W/m2]


def codes(judged):
    return [finding.code for finding in judged.findings]


def test_a_paste_as_measured_stands():
    """12.6 um, 6.44 K at 240 W on 30 mm x 30 mm: 24.15 mm2 K/W, apparent 0.52 W/(m K). Common practice, no source."""
    judged = assess(Claim(gap=12.6e-6, temperature_rise=6.44, heat_flux=FLUX, kind="paste"))
    assert judged.verdict is Verdict.PLAUSIBLE
    assert judged.follows["thermal_impedance"] == pytest.approx(24.15e-6)
    assert judged.follows["apparent_conductivity"] == pytest.approx(0.5217, abs=1e-4)
    assert "12.6 um and 24.15 mm^2*K/W make an apparent 0.5217 W/(m*K)" in judged.sentence


def test_a_putty_as_measured_stands():
    """0.23 mm and 11.4 K: 42.75 mm2 K/W, apparent 5.4 W/(m K). Common practice, no source."""
    judged = assess(Claim(gap=0.23e-3, temperature_rise=11.4, heat_flux=FLUX, kind="putty"))
    assert judged.verdict is Verdict.PLAUSIBLE
    assert judged.follows["thermal_impedance"] == pytest.approx(42.75e-6)
    assert judged.follows["apparent_conductivity"] == pytest.approx(5.38, abs=0.01)


@pytest.mark.parametrize("gap", [1e-6, 2e-6, 3e-6])
def test_a_gallium_alloy_near_four_kelvin_stands(gap):
    """A layer of 1 to 3 um, near 4 K; 20 to 30 W/(m K). Common practice, no source."""
    measured = assess(Claim(gap=gap, temperature_rise=4.0, heat_flux=FLUX, kind="liquid metal"))
    assert measured.verdict is Verdict.PLAUSIBLE
    assert assess(Claim(conductivity=25.0, kind="liquid_metal")).verdict is Verdict.PLAUSIBLE


def test_an_indium_sheet_stands():
    """300 to 400 um at about 80 W/(m K). Common practice, no source."""
    assert assess(Claim(conductivity=80.0, gap=350e-6, kind="sheet")).verdict is Verdict.PLAUSIBLE


@pytest.mark.parametrize(
    ("kind", "value", "limit"),
    [("liquid_metal", 120.0, "45"), ("paste", 25.0, "20"), ("pad", 80.0, "60"), ("", 4000.0, "3500")],
)
def test_a_conductivity_beyond_its_kind_cannot_be(kind, value, limit):
    judged = assess(Claim(conductivity=value, kind=kind))
    assert judged.verdict is Verdict.IMPOSSIBLE
    assert f"A conductivity of {value:g} W/(m*K) is beyond {limit} W/(m*K)" in judged.sentence


def test_a_conductivity_that_is_unusual_for_its_kind_is_doubtful():
    judged = assess(Claim(conductivity=14.0, kind="paste"))
    assert judged.verdict is Verdict.DOUBTFUL
    assert "above 10 W/(m*K), which is unusual for paste" in judged.sentence


def test_a_claim_that_its_own_impedance_contradicts_cannot_be():
    """20 um at 2 W/(m K) has 10 mm2 K/W before any contact."""
    judged = assess(Claim(conductivity=2.0, gap=20e-6, impedance=6e-6, kind="paste"))
    assert judged.verdict is Verdict.IMPOSSIBLE
    assert codes(judged) == ["impedance_below_layer"]
    assert "20 um at 2 W/(m*K) has 10 mm^2*K/W before any contact, more than the 6 mm^2*K/W" in judged.sentence
    assert "would need 3.333 W/(m*K) or more" in judged.sentence


def test_the_same_contradiction_is_found_from_rise_and_flux():
    judged = assess(Claim(conductivity=2.0, gap=20e-6, temperature_rise=0.3, heat_flux=1e5, kind="paste"))
    assert judged.verdict is Verdict.IMPOSSIBLE
    assert "3 mm^2*K/W that 0.3 K at 10 W/cm^2 makes" in judged.sentence


def test_a_high_claim_on_a_layer_that_is_mostly_contact_is_doubtful():
    judged = assess(Claim(conductivity=9.0, gap=12.6e-6, temperature_rise=6.44, heat_flux=FLUX, kind="paste"))
    assert judged.verdict is Verdict.DOUBTFUL
    assert codes(judged) == ["mostly_contacts"]
    assert "1.4 mm^2*K/W, 5.8 % of the 24.15 mm^2*K/W" in judged.sentence
    assert "apparent 0.5217 W/(m*K)" in judged.sentence


def test_a_rise_and_an_impedance_that_differ_cannot_both_be():
    judged = assess(Claim(impedance=30e-6, temperature_rise=6.44, heat_flux=FLUX))
    assert codes(judged) == ["impedance_and_rise_differ"]
    assert "6.44 K at 26.67 W/cm^2 is 24.15 mm^2*K/W, not the 30 mm^2*K/W stated" in judged.sentence
    assert assess(Claim(impedance=24e-6, temperature_rise=6.44, heat_flux=FLUX)).verdict is Verdict.PLAUSIBLE


@pytest.mark.parametrize(
    ("claim", "words"),
    [
        (Claim(gap=-3e-6), "A gap of -3 um cannot be: the zero of the gap is likely wrong."),
        (Claim(gap=0.0), "A gap of 0 um cannot be"),
        (Claim(conductivity=-1.0), "A conductivity of -1 W/(m*K) cannot be"),
        (Claim(impedance=-1e-6), "A thermal impedance of -1 mm^2*K/W cannot be"),
        (Claim(temperature_rise=-2.0, heat_flux=1e5), "A temperature rise of -2 K cannot be"),
    ],
)
def test_figures_that_are_not_above_zero_cannot_be(claim, words):
    judged = assess(claim)
    assert judged.verdict is Verdict.IMPOSSIBLE
    assert words in judged.sentence


def test_an_impedance_less_than_that_of_solid_filler_cannot_be():
    judged = assess(Claim(gap=100e-6, impedance=2.5e-6, filler=30.0))
    assert judged.verdict is Verdict.IMPOSSIBLE
    assert "impedance_below_filler" in codes(judged)


def test_an_impedance_below_what_rigs_tell_is_doubtful():
    assert codes(assess(Claim(impedance=1e-6))) == ["impedance_below_floor"]


def test_a_gap_smaller_than_the_largest_particle_is_doubtful():
    judged = assess(Claim(gap=20e-6, largest_particle=45e-6))
    assert judged.verdict is Verdict.DOUBTFUL
    assert "20 um is smaller than the largest particle, 45 um" in judged.sentence


@given(st.floats(0.1, 0.5), st.floats(5.0, 400.0), st.floats(0.05, 0.7), st.floats(0.01, 0.99), st.floats(1.01, 3.0))
def test_the_bounds_of_the_composition_hold(matrix, filler, share, between, beyond):
    """No mixture between the bounds is impossible; nothing beyond them is less than impossible."""
    low, high = hashin_shtrikman(matrix, filler=filler, fraction=share)
    stated = {"matrix": matrix, "filler": filler, "volume_fraction": share}
    inside = assess(Claim(conductivity=low + between * (high - low), **stated))
    assert inside.verdict is not Verdict.IMPOSSIBLE
    assert assess(Claim(conductivity=high * beyond, **stated)).verdict is Verdict.IMPOSSIBLE
    above = assess(Claim(conductivity=parallel(matrix, filler=filler, fraction=share) * beyond, **stated))
    assert "conductivity_above_parallel" in codes(above)


def test_a_composition_that_reaches_less_than_claimed_is_told_with_its_bound():
    judged = assess(Claim(conductivity=14.0, matrix=0.2, filler=30.0, volume_fraction=0.5))
    assert judged.verdict is Verdict.IMPOSSIBLE
    assert "more than 12.14 W/(m*K), the most that 50 % of a filler with 30 W/(m*K) can give" in " ".join(
        judged.sentence.replace(" by volume", "").split()
    )
    expected = maxwell(0.2, filler=30.0, fraction=0.5)
    assert assess(Claim(conductivity=expected, matrix=0.2, filler=30.0, volume_fraction=0.5)).findings == ()


def test_a_share_that_does_not_pack_is_doubtful():
    judged = assess(Claim(conductivity=2.0, matrix=0.2, filler=30.0, volume_fraction=0.9))
    assert "packed_too_full" in codes(judged)


@given(st.floats(1e-6, 2e-3), st.floats(0.2, 9.0), st.floats(1.0, 5.0))
def test_a_layer_that_obeys_the_law_is_never_impossible(gap, conductivity, contacts):
    """Impedance of the layer times one or more, for its contacts."""
    judged = assess(Claim(gap=gap, conductivity=conductivity, impedance=contacts * gap / conductivity, kind="paste"))
    assert judged.verdict is not Verdict.IMPOSSIBLE


@pytest.mark.parametrize(
    ("claim", "words"),
    [
        (Claim(), "at least one figure"),
        (Claim(gap=math.nan), "gap: expected a finite number"),
        (Claim(conductivity=1.0, kind="cheese"), "kind: expected one of paste"),
        (Claim(volume_fraction=60.0), "volume fraction: expected 0 to 1, found 60"),
        (Claim(gap=1e-6, filler=0.0), "filler: expected above zero"),
        (Claim(temperature_rise=1.0, heat_flux=0.0), "heat flux: expected above zero"),
    ],
)
def test_what_cannot_be_judged_is_refused(claim, words):
    with pytest.raises(OutOfRange, match=words):
        assess(claim)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_bounds_in_order(kind):
    entry = KINDS[kind]
    assert 0.0 < entry.low < entry.usual <= entry.high
    assert bounds(kind) == (entry.low, entry.high)
    assert bounds(kind.replace("_", " ").upper()) == (entry.low, entry.high)


def test_an_unknown_kind_has_the_widest_bounds():
    assert bounds("") == bounds("cheese") == WIDEST


def test_the_command_says_it_in_one_sentence(capsys):
    code = main(["claim", "--conductivity", "2 W/(m*K)", "--gap", "20 um", "--impedance", "6 mm^2*K/W"])
    assert code == 1
    assert capsys.readouterr().out.startswith("impossible: 20 um at 2 W/(m*K) has 10 mm^2*K/W before any contact")


def test_the_command_gives_json_and_takes_power_area_and_mass(capsys):
    options = ["--power", "240 W", "--area", "9 cm^2", "--rise", "6.44 K", "--gap", "12.6 um", "--kind", "paste"]
    options += ["--matrix", "0.2 W/(m*K)", "--filler", "30 W/(m*K)", "--mass-fraction", "90 %"]
    options += ["--matrix-density", "0.97 g/cm^3", "--filler-density", "3980 kg/m^3", "--json"]
    assert main(["claim", *options]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["verdict"] == "plausible"
    expected = {"value": pytest.approx(24.15), "unit": "mm^2*K/W", "label": "impedance"}
    assert found["follows"]["thermal_impedance"] == expected
    low, _ = hashin_shtrikman(0.2, filler=30.0, fraction=0.686860)
    assert found["follows"]["lower_bound"]["value"] == pytest.approx(low, rel=1e-5)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--gap", "20"], "has no unit"),
        (["--gap", "20 W"], "length"),
        ([], "at least one figure"),
        (["--power", "240 W", "--rise", "6 K"], "--power and --area together"),
        (["--mass-fraction", "90 %"], "both densities"),
    ],
)
def test_the_command_refuses_what_it_cannot_read_in_one_line(options, words, capsys):
    assert main(["claim", *options]) == 2
    error = capsys.readouterr().err
    assert words in error
    assert error.count("\n") == 1


def test_a_numpy_number_is_as_good_as_a_float():
    assert assess(Claim(conductivity=np.float64(3.0), kind="paste")).verdict is Verdict.PLAUSIBLE


def test_rivals_draw_level_by_the_ratio_of_their_gaps():
    # Common practice, no source: 20 um against 12 um takes 1.67 times the conductivity.
    found = assess(Claim(gap=20e-6, rival_gap=12e-6, rival_conductivity=3.0))
    assert found.follows["level_factor"] == pytest.approx(5.0 / 3.0)
    assert found.follows["level_conductivity"] == pytest.approx(5.0)
    assert "1.67 times the conductivity" in found.sentence
